package main

import (
	"bufio"
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/loss"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/projector"
)

// lateShiftOnly leaves press p2 of the worked plant.
func lateShiftOnly(p *pb.Plant) {
	p.Presses, p.Plans, p.Calendars = p.Presses[1:2], p.Plans[1:2], p.Calendars[1:2]
}

// lateShift is the worked late shift in two parts: what was there on Monday,
// and what was said on Tuesday.
func lateShift(t *testing.T) (monday, tuesday []*pb.Event) {
	text, err := os.ReadFile(filepath.Join(workedShifts, "p2.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	for s := bufio.NewScanner(bytes.NewReader(text)); s.Scan(); {
		e := &pb.Event{}
		if err := protojson.Unmarshal(s.Bytes(), e); err != nil {
			t.Fatal(err)
		}
		if e.GetSlice() == nil && e.OccurredAt.AsTime().Day() == 16 {
			tuesday = append(tuesday, e)
		} else {
			monday = append(monday, e)
		}
	}
	return monday, tuesday
}

func (l *apiLine) record(t *testing.T, request string, evs ...*pb.Event) []string {
	t.Helper()
	r, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: request, Events: evs})
	if err != nil {
		t.Fatal(err)
	}
	return r.Ids
}

// running are slices of a minute each, by another agent that was late.
func running(from time.Time, n int, state pb.State) []*pb.Event {
	rated := int64(80_000)
	var out []*pb.Event
	for i := range n {
		a := from.Add(time.Duration(i) * time.Minute)
		s := &pb.Slice{From: stampOf(a), To: stampOf(a.Add(time.Minute)), State: state}
		if state == pb.State_STATE_PRODUCTION {
			s.Job, s.RatedMmPerMin, s.GoodMm = "J3", &rated, 70_000
		}
		out = append(out, &pb.Event{Plant: "rhein", Press: "p2", OccurredAt: s.From, Body: &pb.Event_Slice{Slice: s}})
	}
	return out
}

// The late shift is signed before Tuesday's events arrive: they move leaves and
// never the total, an agent's late slices and a new calendar move the total, and
// what was signed can be folded again whatever came later. The moves are those
// worked out on paper (testdata/scenarios/worked-shifts/story.md).
func TestSignedPeriod(t *testing.T) {
	t.Parallel()
	l := newAPILine(t)
	l.ingest()
	if _, err := l.apply(lateShiftOnly, 0); err != nil {
		t.Fatal(err)
	}
	c := pb.NewLossServiceClient(l.conn)
	monday, tuesday := lateShift(t)
	ids := map[string]string{}
	for i, id := range l.record(t, "monday-0", monday[:700]...) {
		ids[monday[i].SourceKey] = id
	}
	for i, id := range l.record(t, "monday-1", monday[700:]...) {
		ids[monday[700+i].SourceKey] = id
	}
	l.settle()
	req := &pb.ClosePeriodRequest{Plant: "rhein", Period: &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-15"}, Author: "M. Weber", RequestId: "sign-late-shift"}
	_, err := c.ClosePeriod(l.ctx, req)
	wantStatus(t, err, codes.FailedPrecondition, "not over")
	l.record(t, "tuesday-first-slice", running(time.Date(2026, 6, 16, 12, 0, 0, 0, time.UTC), 1, pb.State_STATE_WAITING)...)
	l.settle()
	req.ExpectedSha256 = strings.Repeat("0", 64)
	_, err = c.ClosePeriod(l.ctx, req)
	wantStatus(t, err, codes.Aborted, "have changed")
	req.ExpectedSha256, req.Preview = "", true
	look, err := c.ClosePeriod(l.ctx, req)
	if err != nil {
		t.Fatal(err)
	}
	req.ExpectedSha256, req.Preview = look.Closed.Sha256, false
	first, err := c.ClosePeriod(l.ctx, req)
	if err != nil {
		t.Fatal(err)
	}
	again, err := c.ClosePeriod(l.ctx, req)
	if err != nil || again.Closed.Event != first.Closed.Event || again.Closed.Sha256 != first.Closed.Sha256 || look.Closed.Event != "" {
		t.Fatalf("signed twice: %v, %v, %v", first.Closed.Event, again, err)
	}
	l.settle()
	list := func(verify bool) *pb.ClosedPeriod {
		t.Helper()
		r, err := c.ListClosedPeriods(l.ctx, &pb.ListClosedPeriodsRequest{Verify: verify})
		if err != nil || len(r.Periods) != 1 {
			t.Fatalf("%d signed periods, %v", len(r.GetPeriods()), err)
		}
		x := r.Periods[0]
		if x.Sha256 != first.Closed.Sha256 || x.Author != "M. Weber" || math.Abs(x.Signed.Oee-469./720) > 1e-12 {
			t.Fatalf("signed %s by %s, OEE %v", x.Sha256, x.Author, x.Signed.Oee)
		}
		if verify && !x.GetVerified() {
			t.Fatalf("the log does not give the signed figures: %v", x.Notes)
		}
		return x
	}
	if x := list(true); x.Restated || len(x.Causes) > 0 {
		t.Fatalf("restated before anything came: %v", x.Causes)
	}

	// Tuesday.
	for i, e := range tuesday {
		if v := e.GetVoided(); v != nil {
			if _, err := l.events.VoidEvent(l.ctx, &pb.VoidEventRequest{RequestId: "tuesday-void-" + v.TargetSourceKey, Id: ids[v.TargetSourceKey], Why: v.Why}); err != nil {
				t.Fatal(err)
			}
			continue
		}
		l.record(t, "tuesday-said-"+string(rune('a'+i)), e)
	}
	l.settle()
	x := list(true)
	minutes := func(tree *pb.LossTree, leaf loss.Leaf) float64 {
		for _, y := range tree.Leaves {
			if y.Leaf == leaf.Slug() {
				return float64(y.TimeUs) / 60e6
			}
		}
		return math.NaN()
	}
	for _, w := range []struct {
		leaf        loss.Leaf
		signed, now float64
	}{{loss.PlannedCleaning, 38, 33}, {loss.CleaningOverrun, 7, 12}, {loss.ContaminationStop, 0, 30}, {loss.OtherBreakdown, 35, 5},
		{loss.ContaminationWaste, 1.125, 0.875}, {loss.UnbookedWaste, 5.75, 6}, {loss.ContaminationSlow, 3.75, 3.75}} {
		if a, b := minutes(x.Signed, w.leaf), minutes(x.Now, w.leaf); a != w.signed || b != w.now {
			t.Errorf("%s: signed %v, now %v, want %v and %v", w.leaf, a, b, w.signed, w.now)
		}
	}
	text := ""
	for _, y := range x.Causes {
		text += y.Text + "\n"
		if y.MovesTotal {
			t.Errorf("moves the total: %v", y)
		}
	}
	for _, w := range []string{"reason noted later on rhein/p2: dirty at uv-1, 2026-06-15 16:08 to 16:40 (Europe/Berlin)", "void of waste booked on rhein/p2: 70 m contamination at uv-1",
		"booked twice", "void of sign-off of static-bar", "static-bar on rhein/p2 skipped (no-access)"} {
		if !strings.Contains(text, w) {
			t.Errorf("no cause %q in\n%s", w, text)
		}
	}
	if !x.Restated || x.Now.Oee != x.Signed.Oee || len(x.Causes) != 4 || len(x.Differences) != 6 {
		t.Errorf("restated %v, OEE %v to %v, causes\n%s%d differences", x.Restated, x.Signed.Oee, x.Now.Oee, text, len(x.Differences))
	}
	var page bytes.Buffer
	printClosedPeriod(&page, x)
	if !strings.Contains(page.String(), "Only leaves moved.") || !strings.Contains(page.String(), "+30.000") {
		t.Error(page.String())
	}
	wide(t, page.String())
	t.Run("explain", func(t *testing.T) { l.explainAll(t, &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-16"}) })

	// A late agent has the half hour nobody accounted for.
	l.record(t, "late-agent", running(time.Date(2026, 6, 15, 16, 30, 0, 0, time.UTC), 30, pb.State_STATE_PRODUCTION)...)
	l.settle()
	x = list(true)
	if x.Now.Oee <= x.Signed.Oee || minutes(x.Now, loss.Unaccounted) != 0 {
		t.Errorf("OEE %v to %v", x.Signed.Oee, x.Now.Oee)
	}
	movers := func() (out []string) {
		for _, y := range x.Causes {
			if y.MovesTotal {
				out = append(out, y.Text)
			}
		}
		return out
	}
	if m := movers(); len(m) != 1 || !strings.Contains(m[0], "late slices of rhein/p2: 2026-06-15 18:30 to 19:00 (Europe/Berlin)") {
		t.Errorf("what moved the total: %q", m)
	}

	// The break was ten minutes shorter.
	if _, err := l.apply(func(p *pb.Plant) { lateShiftOnly(p); p.Calendars[0].Shifts[0].Breaks[0].Minutes = 20 }, 1); err != nil {
		t.Fatal(err)
	}
	for range 200 {
		if rev, err := l.db.MaxRegistryRev(l.ctx); err != nil || rev == 2 {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	l.settle()
	x = list(true)
	if m := movers(); x.Now.PlannedBusyUs != 460*60e6 || len(m) != 2 || !strings.Contains(m[1], "registry revision 2 by test: calendars[") {
		t.Errorf("planned %v min, what moved the total: %q", x.Now.PlannedBusyUs/60e6, m)
	}

	if r, err := projector.Rebuild(l.ctx, l.db, newBesideStore(l.db), 1, nil, nil); err != nil || r.Presses != 1 {
		t.Fatal(r, err)
	}
	l.settle()
	if y := list(true); !proto.Equal(y.Now, x.Now) || !proto.Equal(y.Signed, x.Signed) {
		t.Error("a rebuild gives other figures")
	}

	// Taken back, and told apart from a press.
	if _, err := l.events.VoidEvent(l.ctx, &pb.VoidEventRequest{RequestId: "void-signature", Id: x.Event, Why: "signed by mistake"}); err != nil {
		t.Fatal(err)
	}
	l.settle()
	if x = list(true); !x.Voided {
		t.Error("the signature is not shown as taken back")
	}
	st, err := l.status.GetStatus(l.ctx, &pb.GetStatusRequest{})
	if err != nil || len(st.Presses) != 1 || st.Presses[0].Press != "rhein/p2" {
		t.Errorf("status %v, %v", st.GetPresses(), err)
	}
	evs := l.pages(t, &pb.ListEventsRequest{Scope: &pb.Scope{Plants: []string{"rhein"}}, Kinds: []string{"period_closed"}}, nil)
	if len(evs) != 1 || !evs[0].Voided {
		t.Errorf("events of the plant: %v", evs)
	}
	_, err = l.apply(func(p *pb.Plant) {
		lateShiftOnly(p)
		p.Presses[0].Press = "plant"
		p.Calendars[0].Presses = []string{"plant"}
	}, 2)
	wantField(t, err, "presses[0].press")
}

// wide refuses lines over 100 columns.
func wide(t *testing.T, text string) {
	t.Helper()
	for line := range strings.SplitSeq(text, "\n") {
		if len([]rune(line)) > width {
			t.Errorf("%d columns: %s", len([]rune(line)), line)
		}
	}
}

// explainAll asks for every leaf, some in pages of two: the pieces of all pages add
// up to the leaf of the tree.
func (l *apiLine) explainAll(t *testing.T, period *pb.Period) {
	c := pb.NewLossServiceClient(l.conn)
	asked, stretches := 0, 0
	for _, outside := range []bool{false, true} {
		slugs := []string{loss.SlugBookedExcess, loss.SlugNoteSpill}
		for x := loss.LeafProduction; x < loss.NumLeaves; x++ {
			slugs = append(slugs, x.Slug())
		}
		for _, leaf := range slugs {
			if _, ok := loss.ParseQuestion(leaf, outside); !ok {
				continue
			}
			asked++
			size := int32(1000) // every page folds again: small ones where the pieces are few
			if leaf == "waiting" || leaf == "contamination_waste" || leaf == "other_slow" {
				size = 2
			}
			all := &pb.ExplainLossResponse{}
			var us, mm int64
			for token := ""; ; {
				r, err := c.ExplainLoss(l.ctx, &pb.ExplainLossRequest{Period: period, Leaf: leaf, Outside: outside, PageSize: size, PageToken: token})
				if err != nil {
					t.Fatalf("%s: %v", leaf, err)
				}
				for _, p := range r.Pieces {
					us, mm = us+p.TimeUs, mm+p.LengthMm
				}
				all.Pieces, all.Leaf, all.Period = append(all.Pieces, r.Pieces...), r.Leaf, r.Period
				if token = r.NextPageToken; token == "" {
					break
				}
			}
			if us != all.Leaf.TimeUs || mm != all.Leaf.LengthMm {
				t.Errorf("%s, outside %v: pieces hold %d µs and %d mm, the leaf %d and %d", leaf, outside, us, mm, all.Leaf.TimeUs, all.Leaf.LengthMm)
			}
			stretches += len(all.Pieces)
			var page bytes.Buffer
			plants, err := plantsInScope(l.ctx, l.conn, &pb.Scope{})
			if err != nil {
				t.Fatal(err)
			}
			printExplain(&page, explainPage{resp: all, scope: "the fleet", outside: outside, zones: zonesOf(plants)})
			wide(t, page.String())
			if leaf == "contamination_stop" && !outside {
				for _, w := range []string{"16:10–16:40 30.000 min, late, down, reason dirty, station uv-1", "rule 5: a reason note of class contamination; 30 slices", "Europe/Berlin"} {
					if !strings.Contains(page.String(), w) {
						t.Errorf("no %q in\n%s", w, page.String())
					}
				}
			}
		}
	}
	if asked < 40 || stretches < 20 {
		t.Errorf("%d leaves, %d stretches", asked, stretches)
	}
	_, err := c.ExplainLoss(l.ctx, &pb.ExplainLossRequest{Period: period, Leaf: "production"})
	wantField(t, err, "leaf")
	_, err = c.ExplainLoss(l.ctx, &pb.ExplainLossRequest{Period: &pb.Period{FirstDay: "2020-01-01", LastDay: "2026-06-16"}, Leaf: "setup"})
	wantStatus(t, err, codes.ResourceExhausted, "press-days")
}
