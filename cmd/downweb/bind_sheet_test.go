package main

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/eventlog"
)

func stopsText(s *pb.PressSheet) string {
	var out []string
	for _, x := range s.Stops {
		to := "lasts"
		if x.To != nil {
			to = x.To.AsTime().Format("15:04")
		}
		out = append(out, x.From.AsTime().Format("15:04")+"-"+to)
	}
	return strings.Join(out, " ")
}

// The sheet of a press, asked for by an agent's connection, from the worked
// shift and some stops after it.
func TestPressSheet(t *testing.T) {
	l := newAPILine(t)
	l.ingest()
	if _, err := l.apply(nil, 0); err != nil {
		t.Fatal(err)
	}
	srv := api.New(api.Config{}, l.deps)
	sub, err := eventlog.ServeSheets(l.ctx, l.env.Core, srv.SheetFor)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	ask := func(press string) (*pb.PressSheet, error) {
		ctx, stop := context.WithTimeout(l.ctx, 20*time.Second)
		defer stop()
		return eventlog.AskSheet(ctx, l.env.Press, "rhein", press)
	}
	if s, err := ask("p1"); err != nil || len(s.Tasks) != 4 || len(s.Due.GetDuties()) != 0 || len(s.Due.GetNotes()) != 1 {
		t.Errorf("before any event: %v, %v", s, err)
	}
	l.recordShift("p1")
	day := time.Date(2026, 6, 15, 0, 0, 0, 0, time.UTC)
	n := 0
	slice := func(from, to int, state pb.State) {
		var evs []*pb.Event
		for m := from; m < to; m++ {
			at := day.Add(time.Duration(m) * time.Minute)
			evs = append(evs, &pb.Event{Plant: "rhein", Press: "p1", OccurredAt: stampOf(at), Body: &pb.Event_Slice{Slice: &pb.Slice{From: stampOf(at), To: stampOf(at.Add(time.Minute)), State: state}}})
		}
		n++
		if _, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: fmt.Sprint("sheet-stops-", n), Events: evs}); err != nil {
			t.Fatal(err)
		}
	}
	const h12, h13 = 12 * 60, 13 * 60
	slice(h12, h12+5, pb.State_STATE_DOWN)          // nobody said why
	slice(h12+5, h12+10, pb.State_STATE_PRODUCTION) //
	slice(h12+10, h12+11, pb.State_STATE_DOWN)      // too short to ask
	slice(h12+11, h12+20, pb.State_STATE_PRODUCTION)
	slice(h12+20, h12+22, pb.State_STATE_DOWN)    // one stop,
	slice(h12+22, h12+24, pb.State_STATE_WAITING) // two states
	slice(h12+24, h12+30, pb.State_STATE_PRODUCTION)
	slice(h12+30, h12+40, pb.State_STATE_WAITING) // a session
	slice(h12+40, h13, pb.State_STATE_PRODUCTION)
	slice(h13, h13+10, pb.State_STATE_DOWN) // lasts
	s := &cleaningScript{l: l}
	s.open("p1", "2026-06-15T12:30:00Z", "d", pb.Occasion_OCCASION_ON_DEMAND, "17")
	s.sign("p1", "2026-06-15T12:36:00Z", "d", "sensors", "17")
	s.close("p1", "2026-06-15T12:40:00Z", "d", "17", true, true, true)
	l.settle()

	got, err := ask("p1")
	if err != nil {
		t.Fatal(err)
	}
	if x, want := stopsText(got), "13:00-lasts 12:20-12:24 12:00-12:05"; x != want {
		t.Errorf("stops %q, want %q", x, want)
	}
	if got.Press != "rhein/p1" || got.Zone != "Europe/Berlin" || len(got.Stations) != 4 || len(got.SkipReasons) != 1 || len(got.Reasons) != 3 || got.AsOf.GetPos() == 0 || time.Since(got.MadeAt.AsTime()) > time.Minute {
		t.Errorf("%v", got)
	}
	if len(got.Cautions) < 3 || !strings.Contains(got.Cautions[0], "maker's manual") || !strings.Contains(got.Cautions[1], "isolated") {
		t.Errorf("cautions %q", got.Cautions)
	}
	// The due list is the one that ListDueDuties gives.
	list, err := pb.NewDutyServiceClient(l.conn).ListDueDuties(l.ctx, &pb.ListDueDutiesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p1"}}})
	if err != nil || len(list.Presses) != 1 || len(list.Presses[0].Duties) == 0 || dueText(list.Presses[0]) != dueText(got.Due) {
		t.Errorf("due %s, want %v, %v", dueText(got.Due), list, err)
	}
	// A note takes part of a stop away; what is left is asked for.
	s.record("p1", "2026-06-15T13:10:00Z", &pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: stampOf(day.Add(h12 * time.Minute)), To: stampOf(day.Add((h12 + 2) * time.Minute)),
		Kind: pb.NoteKind_NOTE_KIND_STOP, Reason: "mechanical"}}})
	l.settle()
	if got, err = ask("p1"); err != nil || stopsText(got) != "13:00-lasts 12:20-12:24 12:02-12:05" {
		t.Errorf("after a note: %s, %v", stopsText(got), err)
	}
	if _, err := ask("p9"); err == nil || !strings.Contains(err.Error(), `press "rhein/p9" is not known`) {
		t.Errorf("an unknown press: %v", err)
	}
}
