package agent_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

func signOff(key, task string) *pb.Event {
	return &pb.Event{SourceKey: key, OccurredAt: timestamppb.New(time.Unix(day0, 0)),
		Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: "s1", Task: task, Station: "treater", Outcome: pb.Outcome_OUTCOME_CLEANED, Crew: "badge-17"}}}
}

// TestRecord: what people give is on disk when Record returns, also without a
// server, and reaches the log once.
func TestRecord(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	cfg := config(t, env)
	cfg.ByHand = true
	ctx := context.Background()
	if err := agent.New(cfg).Record(ctx, signOff("k0", "treater")); !errors.Is(err, agent.ErrNotRunning) {
		t.Fatal(err)
	}
	a, stop := start(t, cfg)
	within(t, 20*time.Second, "the spool", func() bool { return a.Status().Epoch != 0 })
	e := signOff("k1", "treater")
	if err := a.Record(ctx, e, signOff("k2", "web-path")); err != nil {
		t.Fatal(err)
	}
	if c := e.GetStationSignedOff().Crew; len(c) != 10 || c == "badge-17" {
		t.Fatalf("crew %q", c)
	}
	if st := a.Status(); st.Last != 2 {
		t.Fatalf("%+v", st)
	}
	if err := a.Record(ctx, signOff("k1", "treater")); err != nil || a.Status().Last != 2 {
		t.Fatal("a repeat counts twice", err)
	}
	if err := a.Record(ctx, &pb.Event{SourceKey: "v1", OccurredAt: timestamppb.New(time.Unix(day0+60, 0)), Body: &pb.Event_Voided{Voided: &pb.Voided{TargetSourceKey: "k2", Why: "undone"}}}); err != nil {
		t.Fatal(err)
	}
	var refused *agent.RefusedError
	for name, e := range map[string]*pb.Event{
		"slice":  {Body: &pb.Event_Slice{Slice: &pb.Slice{}}},
		"target": {SourceKey: "v2", OccurredAt: timestamppb.New(time.Unix(day0, 0)), Body: &pb.Event_Voided{Voided: &pb.Voided{TargetSourceKey: "none"}}},
		"body":   {OccurredAt: timestamppb.New(time.Unix(day0, 0))},
	} {
		if err := a.Record(ctx, e); !errors.As(err, &refused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	within(t, 20*time.Second, "confirmed", func() bool { st := a.Status(); return st.Confirmed == 3 })
	_ = stop()
	got := s.check(t, 3)
	if v := got[2].GetVoided(); v.GetFirstSeq() != 2 || v.GetLastSeq() != 2 {
		t.Fatalf("%v", got[2])
	}
	if err := a.Record(ctx, signOff("k9", "treater")); !errors.Is(err, agent.ErrNotRunning) {
		t.Fatal(err)
	}
}

// TestPseudonym: a badge that was made a pseudonym before is recorded as it is,
// and nothing else is; and the sheet comes over the agent's own connection.
func TestPseudonym(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	cfg := config(t, env)
	cfg.ByHand = true
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	a, stop := start(t, cfg)
	within(t, 20*time.Second, "the spool", func() bool { return a.Status().Epoch != 0 })
	crew, err := a.Pseudonym("rhein", "badge-17")
	if err != nil || len(crew) != 10 {
		t.Fatal(crew, err)
	}
	e := signOff("k1", "treater")
	var refused *agent.RefusedError
	if err := a.RecordPseudonymous(ctx, e); !errors.As(err, &refused) || refused.Field != "crew" {
		t.Errorf("a badge is taken for a pseudonym: %v", err)
	}
	e.GetStationSignedOff().Crew = crew
	if err := a.RecordPseudonymous(ctx, e); err != nil {
		t.Fatal(err)
	}
	within(t, 20*time.Second, "confirmed", func() bool { st := a.Status(); return st.Confirmed == 1 })
	if _, err := a.AskSheet(ctx, "rhein", "p1"); !errors.Is(err, eventlog.ErrNoAnswer) {
		t.Errorf("without a server of sheets: %v", err)
	}
	sub, err := eventlog.ServeSheets(ctx, env.Core, func(context.Context, string, string) (*pb.PressSheet, error) {
		return &pb.PressSheet{Press: "rhein/p1"}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	within(t, 20*time.Second, "a sheet", func() bool {
		got, err := a.AskSheet(ctx, "rhein", "p1")
		return err == nil && got.Press == "rhein/p1"
	})
	_ = stop()
	if got := s.check(t, 1)[0].GetStationSignedOff().Crew; got != crew {
		t.Errorf("crew %q, want %q", got, crew)
	}
	if _, err := a.AskSheet(ctx, "rhein", "p1"); !errors.Is(err, agent.ErrNotRunning) {
		t.Error(err)
	}
}
