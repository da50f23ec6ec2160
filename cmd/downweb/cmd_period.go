package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) periodCommand() *cobra.Command {
	return group("period", "signed figures of a plant: close, list, show, verify", a.periodClose(), a.periodList(), a.periodShow(), a.periodVerify())
}

func (a *app) periodClose() *cobra.Command {
	var p periodFlags
	var author, request string
	var yes bool
	c := &cobra.Command{Use: "close PLANT --author NAME", Short: "sign the figures of a period that is over; later events stand beside them as a restatement", Args: exactly(1),
		Long: "Shows the figures and their SHA-256, asks, and signs them: a PeriodClosed event that pins the log and the registry.\n" +
			"The figures are kept as signed. A signature given by mistake is taken back with \"downweb events void\".",
		Example: "  downweb period close rhein --month 2026-06 --author \"M. Weber\""}
	c.RunE = func(c *cobra.Command, args []string) error {
		if author == "" {
			return usagef("say who signs: --author NAME")
		}
		if !slug.MatchString(args[0]) {
			return usagef("%q: want a plant's slug, e.g. rhein", args[0])
		}
		if p.from+p.week+p.month == "" {
			return usagef("say which period: --month, --week, or --from and --to")
		}
		if p.from != "" && p.to == "" {
			return usagef("--from without --to: say where the period ends")
		}
		period, err := p.resolve(func() (time.Time, error) { return time.Time{}, usagef("say where the period ends: --to") })
		if err != nil {
			return err
		}
		in, terminal := a.in.(*os.File)
		terminal = terminal && term.IsTerminal(int(in.Fd()))
		if !yes && !terminal {
			return usagef("stdin is no terminal: nobody can be asked; give --yes to sign without a question")
		}
		if request == "" {
			var b [16]byte
			if _, err := rand.Read(b[:]); err != nil {
				return err
			}
			request = "close-" + hex.EncodeToString(b[:])
		}
		req := &pb.ClosePeriodRequest{Plant: args[0], Period: period, Author: author, RequestId: request, Preview: true}
		return a.ask(func(conn *grpc.ClientConn) error {
			client := pb.NewLossServiceClient(conn)
			look, err := client.ClosePeriod(c.Context(), req)
			if err != nil {
				return err
			}
			printFigures(a.out, look.GetClosed())
			if !yes {
				fmt.Fprintf(a.out, "\nSign these figures as %s? [y/N] ", author)
				answer, _ := bufio.NewReader(a.in).ReadString('\n')
				if answer = strings.ToLower(strings.TrimSpace(answer)); answer != "y" && answer != "yes" {
					fmt.Fprintln(a.out, "Nothing was signed.")
					return quietError
				}
			}
			req.Preview, req.ExpectedSha256 = false, look.GetClosed().GetSha256()
			r, err := client.ClosePeriod(c.Context(), req)
			if err != nil {
				return err
			}
			fmt.Fprintf(a.out, "\nSigned by %s: %s\n", r.GetClosed().GetAuthor(), r.GetClosed().GetEvent())
			return nil
		})
	}
	p.add(c)
	c.Flags().Lookup("since").Hidden = true
	c.Flags().StringVar(&author, "author", "", "who signs")
	c.Flags().BoolVar(&yes, "yes", false, "sign without a question")
	c.Flags().StringVar(&request, "request-id", "", "name of the request, 8 to 64 characters: a repeat signs once")
	return c
}

// closedPeriods asks for the signed periods of some plants.
func (a *app) closedPeriods(ctx context.Context, plants []string, id string, verify bool) (*pb.ListClosedPeriodsResponse, error) {
	var r *pb.ListClosedPeriodsResponse
	err := a.ask(func(conn *grpc.ClientConn) (err error) {
		r, err = pb.NewLossServiceClient(conn).ListClosedPeriods(ctx, &pb.ListClosedPeriodsRequest{Scope: &pb.Scope{Plants: plants}, Verify: verify})
		return err
	})
	if err != nil || id == "" {
		return r, err
	}
	for _, p := range r.GetPeriods() {
		if p.GetEvent() == id {
			return &pb.ListClosedPeriodsResponse{Periods: []*pb.ClosedPeriod{p}}, nil
		}
	}
	return nil, fmt.Errorf("no signed period %q: see \"downweb period list\"", id)
}

func (a *app) periodList() *cobra.Command {
	var plants []string
	c := &cobra.Command{Use: "list", Short: "the signed periods, and whether their figures have changed since", Args: exactly(0), Example: "  downweb period list --plant rhein"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		r, err := a.closedPeriods(c.Context(), plants, "", false)
		if err != nil {
			return err
		}
		if a.format == "json" {
			return writeJSONMessage(a.out, r)
		}
		printClosedPeriods(a.out, r)
		return nil
	}
	c.Flags().StringSliceVar(&plants, "plant", nil, "only this plant (may be repeated)")
	a.outputFlag(c, "table", "json")
	return c
}

// plantOfEvent is the plant of plant/press/epoch/seq.
func plantOfEvent(id string) (string, error) {
	parts := strings.Split(id, "/")
	if len(parts) != 4 || !slug.MatchString(parts[0]) {
		return "", usagef("%q is not the id of a signature: want plant/plant/epoch/seq, as \"downweb period list\" shows it", id)
	}
	return parts[0], nil
}

func (a *app) periodShow() *cobra.Command {
	c := &cobra.Command{Use: "show ID", Short: "a signed period: what moved since, leaf by leaf, and which events or revisions did it", Args: exactly(1), Example: "  downweb period show ID    # ID as \"downweb period list\" shows it"}
	c.RunE = func(c *cobra.Command, args []string) error {
		plant, err := plantOfEvent(args[0])
		if err != nil {
			return err
		}
		r, err := a.closedPeriods(c.Context(), []string{plant}, args[0], false)
		if err != nil {
			return err
		}
		if a.format == "json" {
			return writeJSONMessage(a.out, r.GetPeriods()[0])
		}
		printClosedPeriod(a.out, r.GetPeriods()[0])
		return nil
	}
	a.outputFlag(c, "table", "json")
	return c
}

func (a *app) periodVerify() *cobra.Command {
	c := &cobra.Command{Use: "verify ID", Short: "fold the log again as of a signature's pins and compare the SHA-256", Args: exactly(1), Example: "  downweb period verify ID    # ID as \"downweb period list\" shows it"}
	c.RunE = func(c *cobra.Command, args []string) error {
		plant, err := plantOfEvent(args[0])
		if err != nil {
			return err
		}
		r, err := a.closedPeriods(c.Context(), []string{plant}, args[0], true)
		if err != nil {
			return err
		}
		p := r.GetPeriods()[0]
		switch {
		case a.format == "json":
			err = writeJSONMessage(a.out, p)
		case p.GetVerified():
			fmt.Fprintf(a.out, "the log gives the signed figures: %s\n", p.GetSha256())
		default:
			fmt.Fprintf(a.out, "DIFFERENT: the log as of insert %s and registry revision %d does not give %s\n", grouped(int64(p.GetAsOf().GetPos())), p.GetAsOf().GetRegistryRev(), p.GetSha256())
			for _, n := range p.GetNotes() {
				fmt.Fprintln(a.out, n)
			}
		}
		if err == nil && !p.GetVerified() {
			err = quietError
		}
		return err
	}
	a.outputFlag(c, "table", "json")
	return c
}
