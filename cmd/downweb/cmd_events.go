package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (a *app) eventsCommand() *cobra.Command {
	return group("events", "the log itself: list, watch, record by hand, take back", a.eventsList(), a.eventsWatch(), a.eventsRecord(), a.eventsVoid())
}

// eventKinds are the names of the bodies.
func eventKinds() []string {
	var out []string
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		out = append(out, string(fields.Get(i).Name()))
	}
	return out
}

func checkKinds(kinds []string) error {
	for _, k := range kinds {
		if !slices.Contains(append(eventKinds(), "unknown"), k) {
			return usagef("--event %q: want %s", k, strings.Join(eventKinds(), ", "))
		}
	}
	return nil
}

// parseInstant reads an RFC 3339 instant, or a day as its first UTC instant.
func parseInstant(flag, text string) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	for _, layout := range []string{time.RFC3339Nano, time.DateOnly} {
		if t, err := time.Parse(layout, text); err == nil {
			return timestamppb.New(t), nil
		}
	}
	return nil, usagef("--%s %q: want an instant such as 2026-06-15T04:00:00Z, or a day", flag, text)
}

func (a *app) eventsList() *cobra.Command {
	var s scopeFlags
	var kinds []string
	var from, to string
	var limit int
	c := &cobra.Command{Use: "list", Short: "events in scope and time, oldest first", Args: exactly(0),
		Example: "  downweb events list --press rhein/p1 --from 2026-06-15 --to 2026-06-16 --event station_signed_off"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		scope, err := s.scope()
		if err != nil {
			return err
		}
		if err := checkKinds(kinds); err != nil {
			return err
		}
		req := &pb.ListEventsRequest{Scope: scope, Kinds: kinds}
		if req.From, err = parseInstant("from", from); err != nil {
			return err
		}
		if req.To, err = parseInstant("to", to); err != nil {
			return err
		}
		out := &eventWriter{w: a.out, format: a.format, gather: a.exporting()}
		return a.ask(func(conn *grpc.ClientConn) error {
			rest, err := pages(c.Context(), limit, func(ctx context.Context, size int32, token string) (int, string, error) {
				req.PageSize, req.PageToken = size, token
				r, err := pb.NewEventServiceClient(conn).ListEvents(ctx, req)
				if err != nil {
					return 0, "", err
				}
				return len(r.GetEvents()), r.GetNextPageToken(), out.write(r.GetEvents())
			})
			if err == nil && a.exporting() {
				err = a.writeTable(eventColumns, out.rows, &pb.ListEventsResponse{})
			}
			if err == nil && rest {
				fmt.Fprintln(a.err, "There are more events: raise --limit, or narrow by --from, --to, --press, --event.")
			}
			return err
		})
	}
	s.add(c)
	c.Flags().StringSliceVar(&kinds, "event", nil, "only these kinds of event (may be repeated)")
	c.Flags().StringVar(&from, "from", "", "from this instant or UTC day on")
	c.Flags().StringVar(&to, "to", "", "before this instant or UTC day")
	c.Flags().IntVar(&limit, "limit", 100, "events at most; 0: all")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

func (a *app) eventsWatch() *cobra.Command {
	var s scopeFlags
	var kinds []string
	var after uint64
	c := &cobra.Command{Use: "watch", Short: "events as they are stored, until interrupted; a lost connection is taken up where it broke", Args: exactly(0), Example: "  downweb events watch --plant rhein"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		scope, err := s.scope()
		if err != nil {
			return err
		}
		if err := checkKinds(kinds); err != nil {
			return err
		}
		out := &eventWriter{w: a.out, format: a.format}
		return a.ask(func(conn *grpc.ClientConn) error {
			for wait, begun := time.Second, false; ; {
				stream, err := pb.NewEventServiceClient(conn).WatchEvents(c.Context(), &pb.WatchEventsRequest{Scope: scope, Kinds: kinds, AfterPos: after})
				for err == nil {
					var r *pb.WatchEventsResponse
					if r, err = stream.Recv(); err == nil {
						after, wait, begun = max(after, r.GetPos()), time.Second, true
						err = out.write(r.GetEvents())
					}
				}
				switch {
				case c.Context().Err() != nil:
					return nil
				case errors.Is(err, io.EOF) || begun && status.Code(err) == codes.Unavailable:
					fmt.Fprintf(a.err, "connection lost, trying again in %v\n", wait)
				default:
					return err
				}
				select {
				case <-c.Context().Done():
					return nil
				case <-time.After(wait):
				}
				wait = min(2*wait, 10*time.Second)
			}
		})
	}
	s.add(c)
	c.Flags().StringSliceVar(&kinds, "event", nil, "only these kinds of event (may be repeated)")
	c.Flags().Uint64Var(&after, "after", 0, "resume after this insert number; 0: what is stored from now on")
	a.formatFlag(c, "table", "json", "csv") // a stream has no end that a file could be closed at
	return c
}

// withoutPeople is an event without its crew's pseudonym and its free note, which an export does not hold.
func withoutPeople(e *pb.Event) *pb.Event {
	e = proto.CloneOf(e)
	m := e.ProtoReflect()
	if f := m.WhichOneof(m.Descriptor().Oneofs().ByName("body")); f != nil && f.Message() != nil {
		body := m.Mutable(f).Message()
		for _, name := range []protoreflect.Name{"crew", "note"} {
			if x := body.Descriptor().Fields().ByName(name); x != nil {
				body.Clear(x)
			}
		}
	}
	return e
}

// eventWriter writes events as they come: lines for people, JSON Lines, or CSV.
type eventWriter struct {
	w      io.Writer
	format string
	begun  bool
	gather bool       // keep the rows of an export instead of writing them
	rows   [][]string // kept
}

var eventColumns = []string{"id", "pos", "voided", "occurred_at", "recorded_at", "source_key", "kind", "body"}

func (o *eventWriter) write(events []*pb.StoredEvent) error {
	first := !o.begun
	o.begun = true
	switch o.format {
	case "json":
		for _, e := range events {
			line, err := jsonLine(e)
			if err != nil {
				return err
			}
			if _, err := o.w.Write(append(line, '\n')); err != nil {
				return err
			}
		}
		return nil
	case "csv", "parquet", "arrow":
		var rows [][]string
		for _, e := range events {
			kind, body, err := eventBody(withoutPeople(e.GetEvent()))
			if err != nil {
				return err
			}
			rows = append(rows, []string{e.GetId(), strconv.FormatUint(e.GetPos(), 10), strconv.FormatBool(e.GetVoided()), stamp(e.GetEvent().GetOccurredAt()), stamp(e.GetEvent().GetRecordedAt()), e.GetEvent().GetSourceKey(), kind, body})
		}
		if o.gather {
			o.rows = append(o.rows, rows...)
			return nil
		}
		if first {
			return writeCSV(o.w, eventColumns, rows)
		}
		var b bytes.Buffer
		if err := writeCSV(&b, []string{"id"}, rows); err != nil {
			return err
		}
		_, err := o.w.Write(b.Bytes()[len("id\n"):])
		return err
	}
	for _, e := range events {
		kind, body, err := eventBody(e.GetEvent())
		if err != nil {
			return err
		}
		if e.GetVoided() {
			kind = "(voided) " + kind
		}
		at := e.GetEvent().GetOccurredAt().AsTime().Format("2006-01-02 15:04:05Z")
		if _, err := fmt.Fprintf(o.w, "%s  %s\n    %s %s\n", at, e.GetId(), kind, body); err != nil {
			return err
		}
	}
	return nil
}

// eventBody is the kind of an event and its body as JSON.
func eventBody(e *pb.Event) (kind, body string, err error) {
	m := e.ProtoReflect()
	var field protoreflect.FieldDescriptor
	if field = m.WhichOneof(m.Descriptor().Oneofs().ByName("body")); field == nil {
		return "unknown", "{}", nil
	}
	line, err := jsonLine(m.Get(field).Message().Interface())
	return string(field.Name()), string(line), err
}

func (a *app) eventsRecord() *cobra.Command {
	var press, request string
	c := &cobra.Command{Use: "record FILE", Short: "record events by hand (JSON Lines, - is stdin); done means stored", Args: exactly(1),
		Long: "Records the events of FILE, one protojson event a line, in requests of one press. A request is named after its content,\n" +
			"so recording the same file again records nothing twice; --request-id names it otherwise.",
		Example: "  downweb events record notes.jsonl --press rhein/p1"}
	c.RunE = func(c *cobra.Command, args []string) error {
		text, err := a.readFile(args[0])
		if err != nil {
			return err
		}
		batches, err := recordBatches(args[0], text, press)
		if err != nil {
			return err
		}
		if len(batches) == 0 {
			return usagef("%s holds no event", args[0])
		}
		if request != "" && len(batches) > 1 {
			return usagef("--request-id names one request, but %s needs %d", args[0], len(batches))
		}
		return a.ask(func(conn *grpc.ClientConn) error {
			for _, b := range batches {
				if request != "" {
					b.RequestId = request
				}
				r, err := pb.NewEventServiceClient(conn).RecordEvents(c.Context(), b)
				if err != nil {
					return err
				}
				for _, id := range r.GetIds() {
					fmt.Fprintln(a.out, id)
				}
			}
			return nil
		})
	}
	c.Flags().StringVar(&press, "press", "", "plant/press of events that name none")
	c.Flags().StringVar(&request, "request-id", "", "name of the request, 8 to 64 characters")
	return c
}

// recordBatches reads events and cuts them into requests of one press and at most 1,000 events.
func recordBatches(name string, text []byte, press string) ([]*pb.RecordEventsRequest, error) {
	plant, slugOf, ok := strings.Cut(press, "/")
	if press != "" && (!ok || !slug.MatchString(plant) || !slug.MatchString(slugOf)) {
		return nil, usagef("--press %q: want plant/press", press)
	}
	var out []*pb.RecordEventsRequest
	open := map[string]*pb.RecordEventsRequest{}
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		e := &pb.Event{}
		if err := protojson.Unmarshal(line, e); err != nil {
			return nil, usagef("%s:%d: %s", name, n, protoReason(err))
		}
		if e.GetPlant() == "" && e.GetPress() == "" {
			e.Plant, e.Press = plant, slugOf
		}
		if e.GetPlant() == "" || e.GetPress() == "" {
			return nil, usagef("%s:%d: the event names no press: write plant and press, or give --press", name, n)
		}
		key := e.GetPlant() + "/" + e.GetPress()
		b := open[key]
		if b == nil || len(b.Events) == 1000 {
			b = &pb.RecordEventsRequest{}
			open[key] = b
			out = append(out, b)
		}
		b.Events = append(b.Events, e)
	}
	if err := lines.Err(); err != nil {
		return nil, usagef("%s: %w", name, err)
	}
	for _, b := range out {
		h := sha256.New()
		for _, e := range b.Events {
			line, err := jsonLine(e)
			if err != nil {
				return nil, err
			}
			h.Write(append(line, '\n'))
		}
		b.RequestId = "record-" + hex.EncodeToString(h.Sum(nil))[:40]
	}
	return out, nil
}

func (a *app) eventsVoid() *cobra.Command {
	var why string
	c := &cobra.Command{Use: "void ID --why TEXT", Short: "take an event back by appending another; nothing is deleted", Args: exactly(1),
		Example: "  downweb events void rhein/p1/8f3a60c2d41b7e95/1042 --why \"signed by mistake\""}
	c.RunE = func(c *cobra.Command, args []string) error {
		if why == "" {
			return usagef("say why: --why TEXT")
		}
		if parts := strings.Split(args[0], "/"); len(parts) != 4 {
			return usagef("%q is not an event id: want plant/press/epoch/seq", args[0])
		}
		sum := sha256.Sum256([]byte(args[0] + "\n" + why))
		return a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewEventServiceClient(conn).VoidEvent(c.Context(), &pb.VoidEventRequest{RequestId: "void-" + hex.EncodeToString(sum[:20]), Id: args[0], Why: why})
			if err == nil {
				fmt.Fprintln(a.out, r.GetId())
			}
			return err
		})
	}
	c.Flags().StringVar(&why, "why", "", "the reason, kept with the event")
	return c
}
