package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/warehouse"
)

// cleaningScript records events of cleaning by hand, one request each.
type cleaningScript struct {
	l *apiLine
	n int
}

func (s *cleaningScript) record(press, when string, body *pb.Event) {
	s.l.t.Helper()
	t, err := time.Parse(time.RFC3339, when)
	if err != nil {
		s.l.t.Fatal(err)
	}
	body.Plant, body.Press, body.OccurredAt = "rhein", press, stampOf(t)
	s.n++
	if _, err := s.l.events.RecordEvents(s.l.ctx, &pb.RecordEventsRequest{RequestId: fmt.Sprint("cleaning-", s.n), Events: []*pb.Event{body}}); err != nil {
		s.l.t.Fatal(err)
	}
}

func (s *cleaningScript) open(press, when, session string, o pb.Occasion, crew string) {
	s.record(press, when, &pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: session, Occasion: o, Crew: crew}}})
}

func (s *cleaningScript) sign(press, when, session, station, crew string) {
	s.record(press, when, &pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: session, Task: station, Station: station,
		Outcome: pb.Outcome_OUTCOME_CLEANED, Crew: crew, Note: "a note of badge " + crew}}})
}

func (s *cleaningScript) close(press, when, session, crew string, tools, guards, isolation bool) {
	s.record(press, when, &pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: session, Crew: crew,
		ToolsCountedOut: tools, GuardsRestored: guards, IsolationRemoved: isolation}}})
}

// Cleaning through the whole line: the worked shifts to the digit, a session as
// it goes on, one crew on two presses, what was not stated, and a month's key
// deleted without any figure changing.
func TestAPICleaning(t *testing.T) {
	t.Parallel()
	l := newAPILine(t)
	keys := t.TempDir()
	l.deps = apiDeps(l.db, l.env.Core, l.env.JS, eventlog.NewBadges(keys), nil)
	l.serve()
	l.ingest()
	if _, err := l.apply(nil, 0); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"p1", "p2", "p3"} {
		l.recordShift(p)
	}
	l.settle()
	c := pb.NewCleaningServiceClient(l.conn)
	t.Run("worked shifts", func(t *testing.T) { l.workedVisits(t, c) })
	s := &cleaningScript{l: l}
	t.Run("watch", func(t *testing.T) { l.watchCleaning(t, c, s) })
	t.Run("one crew on two presses", func(t *testing.T) {
		s.open("p1", "2026-06-18T04:01:00Z", "two", pb.Occasion_OCCASION_STARTUP, "4712")
		s.open("p2", "2026-06-18T04:05:00Z", "two", pb.Occasion_OCCASION_ON_DEMAND, "4712")
		s.sign("p1", "2026-06-18T04:04:00Z", "two", "static-bar", "4712")
		s.sign("p1", "2026-06-18T04:10:00Z", "two", "treater", "4712")
		s.sign("p2", "2026-06-18T04:15:00Z", "two", "uv-1", "4712")
		s.sign("p1", "2026-06-18T04:20:00Z", "two", "sensors", "4713")
		s.close("p1", "2026-06-18T04:20:00Z", "two", "4712", true, true, true)
		s.close("p2", "2026-06-18T04:30:00Z", "two", "4712", false, true, false)
		l.settle()
		r, err := c.ListSessions(l.ctx, &pb.ListSessionsRequest{Period: &pb.Period{FirstDay: "2026-06-17", LastDay: "2026-06-18"}})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, x := range r.Sessions { // the day of p2 begins at 14:00: its session is of the 17th
			if x.Session != "two" {
				continue
			}
			for _, v := range x.Visits {
				got = append(got, x.Press+" "+v.Station+" "+v.Mark)
			}
		}
		if want := []string{"rhein/p1 static-bar ", "rhein/p1 treater shared", "rhein/p1 sensors doubtful", "rhein/p2 uv-1 shared"}; !slices.Equal(got, want) {
			t.Errorf("visits %q, want %q", got, want)
		}
		// Alone in the scope, the other press still counts.
		one, err := c.ListStationTimes(l.ctx, &pb.ListStationTimesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p2"}}, Period: r.Period})
		if err != nil || len(one.Stations) != 1 || one.Stations[0].LeftOut != 1 || one.Stations[0].Visits != 0 {
			t.Errorf("uv-1 %v, %v", one, err)
		}
		if h := r.HandBack; h.Sessions != 3 || h.NotClosed != 0 || h.Tools != 1 || h.Guards != 0 || h.Isolation != 2 {
			t.Errorf("hand-back %v", h)
		}
	})
	t.Run("shift names", func(t *testing.T) {
		r, err := c.ListStationTimes(l.ctx, &pb.ListStationTimesRequest{Period: june, GroupBy: pb.StationGroup_STATION_GROUP_SHIFT})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Stations) != 0 || len(r.Refused) == 0 || !strings.Contains(strings.Join(r.Refused, "\n"), "fewer than 5 badges or 20 sessions") {
			t.Errorf("a few sessions by shift name: %v, refused %q", r.Stations, r.Refused)
		}
	})
	t.Run("proposals", func(t *testing.T) {
		r, err := c.ListStandardProposals(l.ctx, &pb.ListStandardProposalsRequest{Period: june})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Proposals) != 11 || !strings.Contains(r.Cautions[1], "no time is a reason to hurry") {
			t.Errorf("%d proposals, cautions %q", len(r.Proposals), r.Cautions)
		}
		for _, p := range r.Proposals {
			if p.ProposalMinutes.Ok || !strings.Contains(p.Refused, "at least 20") {
				t.Errorf("a proposal from a few visits: %v", p)
			}
		}
	})
	t.Run("trend", func(t *testing.T) {
		r, err := c.ListStationTrend(l.ctx, &pb.ListStationTrendRequest{Period: june, Station: "uv-1"})
		if err != nil || len(r.Stations) != 1 || r.Stations[0].Limits.Ok || len(r.Stations[0].Points) != 1 || r.Stations[0].Points[0].Key != "2026-W25" || r.Stations[0].Points[0].Value != 20 {
			t.Errorf("uv-1 of week 25, the shared visit left out: %v, %v", r, err)
		}
		_, err = c.ListStationTrend(l.ctx, &pb.ListStationTrendRequest{Period: june, Station: "nowhere"})
		wantStatus(t, err, codes.NotFound, "nowhere")
	})
	t.Run("reliability", func(t *testing.T) {
		r, err := c.ListReliability(l.ctx, &pb.ListReliabilityRequest{Scope: &pb.Scope{Presses: []string{"rhein/p1"}}, Period: &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-15"}})
		if err != nil || len(r.Rows) == 0 {
			t.Fatal(r, err)
		}
		// The early worked shift: one stop of 12 min, mechanical, in 330 min of
		// PRODUCTION. Limits by the factors of the e-Handbook, 8.4.5.1, for one
		// failure at 90 %: 0.2108 and 19.4958 (from memory).
		x := r.Rows[0]
		if x.Failures != 1 || x.DirtFailures != 0 || x.RunHours != 5.5 || x.DownMinutes != 12 || x.MtbfHours.Value != 5.5 || x.MttrMinutes.Value != 12 ||
			x.MtbfHours.Low < 5.5*0.2107 || x.MtbfHours.Low > 5.5*0.2109 || x.MtbfHours.High < 5.5*19.49 || x.MtbfHours.High > 5.5*19.50 {
			t.Errorf("%v", x)
		}
	})
	t.Run("a forgotten key", func(t *testing.T) { l.forgetKey(t, keys) })
}

// workedVisits are the visits of testdata/scenarios/worked-shifts/story.md.
func (l *apiLine) workedVisits(t *testing.T, c pb.CleaningServiceClient) {
	r, err := c.ListSessions(l.ctx, &pb.ListSessionsRequest{Period: june})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range r.Sessions {
		for _, v := range s.Visits {
			got = append(got, fmt.Sprintf("%s %s %d", s.Press, v.Station, v.TimeMs))
			if v.OwnMs != v.TimeMs {
				t.Errorf("one crew, and its own time is %d of %d", v.OwnMs, v.TimeMs)
			}
		}
		got = append(got, fmt.Sprintf("%s closing %d", s.Press, s.ClosingMs))
		if s.Zone != "Europe/Berlin" || !s.HandedBack || !s.ToolsCountedOut || !s.GuardsRestored || !s.IsolationRemoved {
			t.Errorf("session %v", s)
		}
	}
	want := []string{"rhein/p1 treater 420000", "rhein/p1 web-path 360000", "rhein/p1 sensors 300000", "rhein/p1 static-bar 240000", "rhein/p1 closing 0",
		"rhein/p2 treater 720000", "rhein/p2 web-cleaner 240000", "rhein/p2 uv-1 1200000", "rhein/p2 uv-2 780000", "rhein/p2 closing 360000",
		"rhein/p3 print-heads 720000", "rhein/p3 web-cleaner 1200000", "rhein/p3 closing 180000"}
	if !slices.Equal(got, want) {
		t.Errorf("visits\n%q, want\n%q", got, want)
	}
	if len(r.Cautions) == 0 || !strings.Contains(r.Cautions[0], "maker's manual") {
		t.Errorf("cautions %q", r.Cautions)
	}
	// The parts of the reconciliation: stations 4 + 10 + 3 − 1 and closing 6.
	x, err := c.ListStationTimes(l.ctx, &pb.ListStationTimesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p2"}}, Period: june})
	if err != nil {
		t.Fatal(err)
	}
	var stations float64
	for _, s := range x.Stations {
		stations += s.OwnExcessMinutes - s.SavedMinutes
	}
	if rec := x.Reconciliation; stations != 16 || rec.ClosingMinutes != 6 || rec.NotGrantedMinutes != 0 ||
		stations+rec.ClosingMinutes+rec.NotGrantedMinutes != rec.OwnExcessMinutes-rec.SavedMinutes {
		t.Errorf("stations %v, %v", stations, rec)
	}
	if len(x.Ranks) != 4 || x.Ranks[0].Station != "uv-1" || x.Ranks[0].ByHours != 1 || x.Ranks[0].ByExcess != 1 {
		t.Errorf("ranks %v", x.Ranks)
	}
}

// watchCleaning follows a start-up session from its opening to its close.
func (l *apiLine) watchCleaning(t *testing.T, c pb.CleaningServiceClient, s *cleaningScript) {
	stream, err := c.WatchSessions(l.ctx, &pb.WatchSessionsRequest{Scope: &pb.Scope{Plants: []string{"rhein"}}})
	if err != nil {
		t.Fatal(err)
	}
	next := func(what string, good func(r *pb.WatchSessionsResponse) bool) {
		t.Helper()
		for range 50 { // projections follow the log: states in between are sent too
			r, err := stream.Recv()
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			if len(r.Cautions) < 2 || !strings.Contains(r.Cautions[0], "maker's manual") || !strings.Contains(r.Cautions[1], "no measure of anyone") {
				t.Fatalf("cautions %q", r.Cautions)
			}
			if good(r) {
				return
			}
			t.Log(r.Sessions)
		}
		t.Fatalf("%s is never sent", what)
	}
	one := func(r *pb.WatchSessionsResponse) *pb.OpenSession {
		if len(r.Sessions) != 1 || r.Sessions[0].Session != "live" {
			return nil
		}
		return r.Sessions[0]
	}
	next("nothing", func(r *pb.WatchSessionsResponse) bool { return len(r.Sessions) == 0 })
	s.open("p1", "2026-06-17T04:01:00Z", "live", pb.Occasion_OCCASION_STARTUP, "4711")
	next("the opening", func(r *pb.WatchSessionsResponse) bool {
		x := one(r)
		return x != nil && len(x.Left) == 4 && x.ExpectedEnd.AsTime().Format("15:04") == "04:25" // 8 + 6 + 6 + 4 by standard
	})
	s.sign("p1", "2026-06-17T04:07:00Z", "live", "treater", "4711")
	next("the treater", func(r *pb.WatchSessionsResponse) bool {
		x := one(r)
		return x != nil && len(x.Done) == 1 && x.Done[0].Station == "treater" && x.Done[0].TimeMs == 360_000 && len(x.Left) == 3 && x.Left[0].Task == "web-path" &&
			x.ExpectedEnd.AsTime().Format("15:04") == "04:23" && strings.Contains(x.Method, "3 by standard") && x.Zone == "Europe/Berlin"
	})
	s.close("p1", "2026-06-17T04:10:00Z", "live", "4711", true, true, false)
	next("the end", func(r *pb.WatchSessionsResponse) bool {
		x := one(r)
		return x != nil && x.Ended && x.ExpectedEnd == nil
	})
	if err := stream.CloseSend(); err != nil {
		t.Error(err)
	}
}

// forgetKey deletes a month's key as the command does and folds everything
// again: no answer changes.
func (l *apiLine) forgetKey(t *testing.T, keys string) {
	c := pb.NewCleaningServiceClient(l.conn)
	answers := func() []proto.Message {
		t.Helper()
		var out []proto.Message
		add := func(m proto.Message, err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			f := m.ProtoReflect().Descriptor().Fields().ByName("as_of")
			m.ProtoReflect().Clear(f)
			out = append(out, m)
		}
		for by := range len(pb.StationGroup_name) {
			r, err := c.ListStationTimes(l.ctx, &pb.ListStationTimesRequest{Period: june, GroupBy: pb.StationGroup(by)})
			add(r, err)
		}
		r1, err := c.ListSessions(l.ctx, &pb.ListSessionsRequest{Period: june})
		add(r1, err)
		r2, err := c.ListStandardProposals(l.ctx, &pb.ListStandardProposalsRequest{Period: june})
		add(r2, err)
		r3, err := pb.NewLossServiceClient(l.conn).GetLosses(l.ctx, &pb.GetLossesRequest{Period: june, GroupBy: pb.LossGroup_LOSS_GROUP_STATION})
		add(r3, err)
		r4, err := pb.NewDutyServiceClient(l.conn).ListDuties(l.ctx, &pb.ListDutiesRequest{Period: june, PageSize: 1000})
		add(r4, err)
		return out
	}
	sums, err := l.db.Checksums(l.ctx)
	if err != nil {
		t.Fatal(err)
	}
	before := answers()
	data := t.TempDir()
	if err := os.MkdirAll(filepath.Join(data, "keys"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(keys, filepath.Join(data, "keys", "badges")); err != nil {
		t.Fatal(err)
	}
	var out, said strings.Builder
	if code := run(l.ctx, os.Environ(), []string{"keys", "forget", "rhein", "2026-06", "--data-dir", data}, strings.NewReader(""), &out, &said); code != 0 {
		t.Fatalf("keys forget: %d %s", code, said.String())
	}
	if text := strings.Join(strings.Fields(out.String()), " "); !strings.Contains(text, "stay as they are") || !strings.Contains(text, "Copies may be left") {
		t.Errorf("keys forget says %q", out.String())
	}
	if _, err := os.Stat(filepath.Join(keys, "rhein-2026-06.key")); !os.IsNotExist(err) {
		t.Errorf("the key is there: %v", err)
	}
	var dirty []warehouse.Dirty
	for _, p := range []string{"p1", "p2", "p3"} {
		dirty = append(dirty, warehouse.Dirty{Plant: "rhein", Press: p, From: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).UnixMilli()})
	}
	if err := l.db.MarkDirty(l.ctx, dirty); err != nil {
		t.Fatal(err)
	}
	l.settle()
	now, err := l.db.Checksums(l.ctx)
	if err != nil || fmt.Sprint(now) != fmt.Sprint(sums) {
		t.Errorf("checksums %v, were %v (%v)", now, sums, err)
	}
	for i, m := range answers() {
		if !proto.Equal(m, before[i]) {
			t.Errorf("an answer changed:\n%v\n%v", m, before[i])
		}
	}
}
