package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) deadCommand() *cobra.Command {
	return group("dead", "what could not be accepted, kept whole: list, show, send through the line again", a.deadList(), a.deadShow(), a.deadRedrive())
}

func (a *app) deadList() *cobra.Command {
	var s scopeFlags
	var all bool
	var limit int
	c := &cobra.Command{Use: "list", Short: "dead letters that wait, newest first", Args: exactly(0),
		Example: "  downweb dead list --press rhein/p1\n  downweb dead list --all -o csv"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		scope, err := s.scope()
		if err != nil {
			return err
		}
		req := &pb.ListDeadLettersRequest{Scope: scope, WaitingOnly: !all}
		out := &deadWriter{a: a, w: a.out, format: a.format}
		return a.ask(func(conn *grpc.ClientConn) error {
			rest, err := pages(c.Context(), limit, func(ctx context.Context, size int32, token string) (int, string, error) {
				req.PageSize, req.PageToken = size, token
				r, err := pb.NewStatusServiceClient(conn).ListDeadLetters(ctx, req)
				if err != nil {
					return 0, "", err
				}
				out.letters = append(out.letters, r.GetLetters()...)
				return len(r.GetLetters()), r.GetNextPageToken(), nil
			})
			if err == nil {
				err = out.print()
			}
			if err == nil && rest {
				fmt.Fprintln(a.err, "There are more dead letters: raise --limit, or narrow by --press.")
			}
			return err
		})
	}
	s.add(c)
	c.Flags().BoolVar(&all, "all", false, "also those that were redriven")
	c.Flags().IntVar(&limit, "limit", 100, "letters at most; 0: all")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

// deadWriter prints letters.
type deadWriter struct {
	a       *app
	w       io.Writer
	format  string
	letters []*pb.DeadLetter
}

func (o *deadWriter) print() error {
	switch o.format {
	case "json":
		return writeJSONMessage(o.w, &pb.ListDeadLettersResponse{Letters: o.letters})
	case "csv", "parquet", "arrow":
		var rows [][]string
		for _, l := range o.letters {
			rows = append(rows, []string{l.GetId(), stamp(l.GetAt()), letterState(l), l.GetField(), l.GetReason(), strconv.FormatInt(l.GetPayloadBytes(), 10), l.GetSubject(), stamp(l.GetRedrivenAt())})
		}
		return o.a.writeTable([]string{"id", "at", "state", "field", "reason", "payload_bytes", "subject", "redriven_at"}, rows, &pb.ListDeadLettersResponse{})
	}
	if len(o.letters) == 0 {
		_, err := fmt.Fprintln(o.w, "No dead letters.")
		return err
	}
	for _, l := range o.letters {
		fmt.Fprintf(o.w, "%s  %s  %s\n", instant(l.GetAt().AsTime()), l.GetId(), letterState(l))
		wrapped(o.w, "    ", "    ", letterReason(l))
	}
	fmt.Fprintln(o.w)
	wrapped(o.w, "", "  ", "Mend the cause, then send a letter again: downweb dead redrive ID")
	return nil
}

func letterState(l *pb.DeadLetter) string {
	switch {
	case l.GetState() == pb.DeadLetterState_DEAD_LETTER_STATE_REDRIVEN:
		return "redriven"
	case l.GetConflict():
		return "conflict"
	}
	return "waits"
}

func letterReason(l *pb.DeadLetter) string {
	what := "event: "
	if l.GetSeq() == 0 {
		what = "frame of " + plural(l.GetPayloadBytes(), "byte", "bytes") + ": "
	}
	if l.GetField() != "" {
		what += l.GetField() + " "
	}
	return what + oneLine(l.GetReason())
}

func (a *app) deadShow() *cobra.Command {
	c := &cobra.Command{Use: "show ID", Short: "one dead letter with its payload", Args: exactly(1), Example: "  downweb dead show ID    # ID as \"downweb dead list\" shows it"}
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStatusServiceClient(conn).GetDeadLetter(c.Context(), &pb.GetDeadLetterRequest{Id: args[0]})
			if err != nil {
				return err
			}
			if a.format == "json" {
				return writeJSONMessage(a.out, r.GetLetter())
			}
			return printLetter(a.out, r.GetLetter())
		})
	}
	a.outputFlag(c, "table", "json")
	return c
}

// shownBytes is how much of a payload that cannot be decoded is shown; -o json has all of it.
const shownBytes = 512

func printLetter(w io.Writer, l *pb.DeadLetter) error {
	fmt.Fprintf(w, "%s  %s\n", l.GetId(), letterState(l))
	wrapped(w, "", "  ", letterReason(l))
	fmt.Fprintf(w, "put aside %s", instant(l.GetAt().AsTime()))
	if l.GetRedrivenAt() != nil {
		fmt.Fprintf(w, ", redriven %s", instant(l.GetRedrivenAt().AsTime()))
	}
	fmt.Fprintf(w, "\ncame under %s, %s\n", l.GetSubject(), plural(l.GetPayloadBytes(), "byte", "bytes"))
	if l.GetConflict() {
		wrapped(w, "", "  ", "Another event is stored under this identity: two disks carry its epoch. A redrive cannot store it; what it says can be recorded by hand (downweb events record).")
	}
	if e := l.GetEvent(); e != nil {
		fmt.Fprintln(w)
		return writeJSONMessage(w, e)
	}
	payload := l.GetPayload()
	_, err := fmt.Fprintf(w, "\n%s", hex.Dump(payload[:min(shownBytes, len(payload))]))
	if more := len(payload) - shownBytes; more > 0 && err == nil {
		_, err = fmt.Fprintf(w, "and %s more (-o json has them)\n", plural(int64(more), "byte", "bytes"))
	}
	return err
}

var redriveWords = map[pb.RedriveOutcome]string{
	pb.RedriveOutcome_REDRIVE_OUTCOME_STORED: "stored", pb.RedriveOutcome_REDRIVE_OUTCOME_REFUSED: "refused again",
	pb.RedriveOutcome_REDRIVE_OUTCOME_ALREADY: "was stored before", pb.RedriveOutcome_REDRIVE_OUTCOME_PENDING: "sent, not yet decided",
}

func (a *app) deadRedrive() *cobra.Command {
	var s scopeFlags
	all := false
	c := &cobra.Command{Use: "redrive ID... | --all", Short: "send dead letters through the line again, once their cause is mended",
		Long: "Sends each letter through the event log again, under its own identity. What is stored before is not stored twice; what is\n" +
			"refused again stays, with the new reason. Calling it again does no harm. Exit code 1: some letter is not stored.",
		Example: "  downweb dead redrive rhein/p1/8f3a60c2d41b7e95/1042/0c5e1f9a22b7\n  downweb dead redrive --all --press rhein/p1"}
	c.RunE = func(c *cobra.Command, args []string) error {
		scope, err := s.scope()
		if err != nil {
			return err
		}
		if len(args) == 0 == !all {
			return usagef("name the letters, or give --all")
		}
		if len(args) > 0 && (len(scope.GetPlants())+len(scope.GetPresses())+len(scope.GetKinds())) > 0 {
			return usagef("--plant, --press and --kind go with --all, not with ids")
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStatusServiceClient(conn).RedriveDeadLetters(c.Context(), &pb.RedriveDeadLettersRequest{Ids: args, Scope: scope})
			if err != nil {
				return err
			}
			if a.format == "json" {
				err = writeJSONMessage(a.out, r)
			} else {
				printRedriven(a.out, r)
			}
			for _, l := range r.GetLetters() {
				if o := l.GetOutcome(); err == nil && o != pb.RedriveOutcome_REDRIVE_OUTCOME_STORED && o != pb.RedriveOutcome_REDRIVE_OUTCOME_ALREADY {
					err = quietError
				}
			}
			return err
		})
	}
	s.add(c)
	c.Flags().BoolVar(&all, "all", false, "all that wait in scope, at most 1,000 in one call")
	a.outputFlag(c, "table", "json")
	return c
}

func printRedriven(w io.Writer, r *pb.RedriveDeadLettersResponse) {
	if len(r.GetLetters()) == 0 {
		fmt.Fprintln(w, "No dead letters wait.")
	}
	for _, l := range r.GetLetters() {
		text := l.GetId() + "  " + redriveWords[l.GetOutcome()]
		if l.GetReason() != "" {
			text += ": " + oneLine(l.GetReason())
		}
		fmt.Fprintln(w, text)
	}
	if r.GetMore() {
		fmt.Fprintln(w, "There are more: call it again.")
	}
}
