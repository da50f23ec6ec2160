package api

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func TestCountDuties(t *testing.T) {
	all, by := countDuties([]DutyCount{
		{"uv-1", uint8(duty.OnTime), 81}, {"uv-1", uint8(duty.Missed), 100}, {"treater", uint8(duty.Late), 40}, {"uv-1", uint8(duty.Skipped), 42},
		{"treater", uint8(duty.NotRequired), 7}, {"treater", uint8(duty.Unknown), 5}, {"treater", uint8(duty.Open), 3}})
	// 81 of 263: Wilson's interval 0.2553 to 0.3662 in Newcombe, Statistics in
	// Medicine 17 (1998) 857, table I; value from memory.
	c := all.Compliance
	if c.N != 263 || !c.Ok || math.Abs(c.Value-81.0/263) > 1e-12 || math.Abs(c.Low-0.2553) > 5e-5 || math.Abs(c.High-0.3662) > 5e-5 {
		t.Errorf("compliance %v", c)
	}
	if all.NotRequired != 7 || all.Unknown != 5 || all.Open != 3 || all.Late != 40 || all.Skipped != 42 || all.Missed != 100 {
		t.Errorf("counts %v", all)
	}
	if len(by) != 2 || by[0].Station != "treater" || by[0].Counts.Compliance.N != 40 || by[0].Counts.Compliance.Value != 0 || by[1].Counts.OnTime != 81 {
		t.Errorf("stations %v", by)
	}
	none, _ := countDuties([]DutyCount{{"uv-1", uint8(duty.NotRequired), 2}})
	if none.Compliance.Ok || none.Compliance.N != 0 {
		t.Errorf("without a duty that counts: %v", none.Compliance)
	}
}

// Every hazard has its caution, and the first line always defers.
func TestCautions(t *testing.T) {
	for n := range pb.Hazard_name {
		if text := hazardCautions[pb.Hazard(n)]; (text == "") != (n == 0) {
			t.Errorf("hazard %v: caution %q", pb.Hazard(n), text)
		}
	}
	for _, want := range []string{"maker's manual", "lock-out", "local code", "trained"} {
		if !strings.Contains(firstCaution, want) {
			t.Errorf("the first caution does not name %q", want)
		}
	}
	if got := cautions(nil, false); !slices.Equal(got, []string{firstCaution}) {
		t.Errorf("without hazards: %q", got)
	}
	got := cautions([]uint8{5, 1, 5}, true)
	if want := []string{firstCaution, isolateCaution, hazardCautions[1], hazardCautions[5]}; !slices.Equal(got, want) {
		t.Errorf("cautions %q, want %q", got, want)
	}
	for _, text := range hazardCautions {
		if bad := study.ForbiddenWords(text); len(bad) > 0 {
			t.Errorf("%q says %q", text, bad)
		}
	}
}

func TestReconcile(t *testing.T) {
	const m = timeline.Minute
	p := &timeline.Press{Plant: "rhein", Name: "p1", OpenClose: 2 * m, Hands: map[timeline.Occasion]int{timeline.OccasionShutdown: 2}}
	f := &fleet{presses: map[string]*timeline.Press{"rhein/p1": p}}
	head := func(o timeline.Occasion, from, to, allowance, overrun, unused, closing int64) timeline.StationVisit {
		return timeline.StationVisit{Plant: "rhein", Press: "p1", Seq: -1, Occasion: o, SessionFrom: from * m, SessionTo: to * m,
			Allowance: allowance * m, Overrun: overrun * m, Unused: unused * m, Closing: closing * m}
	}
	visit := func(time, standard, interruption int64) timeline.StationVisit {
		return timeline.StationVisit{Plant: "rhein", Press: "p1", Time: time * m, Standard: standard * m, Interruption: interruption * m}
	}
	rows := []timeline.StationVisit{
		// Start-up, one pair of hands: 8 + 6 + 2 min granted, 12 + 4 + 1 min of
		// interruption + 3 to close = 20 min: overrun 4.
		head(timeline.OccasionStartup, 0, 20, 16, 4, 0, 3), visit(12, 8, 0), visit(4, 6, 1),
		// Shut-down, two pairs, two sessions that overlap are one group: 20/2 +
		// 10/2 + 2 = 17 granted, 9 + 3 + 1 + 1 = 14: unused 3.
		head(timeline.OccasionShutdown, 100, 112, 17, 0, 3, 1), visit(9, 20, 0), head(timeline.OccasionShutdown, 105, 114, 0, 0, 0, 1), visit(3, 10, 0),
		// On demand, the station was not due: all but open and close is over.
		head(timeline.OccasionOnDemand, 200, 230, 2, 0, 0, 2), visit(28, 15, 0),
	}
	r := reconcile(f, rows)
	want := &pb.Reconciliation{OverrunMinutes: 4, OtherOverrunMinutes: 28, UnusedAllowanceMinutes: 3, InterruptionMinutes: 1,
		OwnExcessMinutes: 4 + 1 + 13 + 15, SavedMinutes: 2 + 1 + 2,
		ClosingMinutes: 1, NotGrantedMinutes: 15}
	if r.String() != want.String() {
		t.Errorf("got  %v\nwant %v", r, want)
	}
	if l, x := r.OwnExcessMinutes-r.SavedMinutes+r.InterruptionMinutes, r.OverrunMinutes+r.OtherOverrunMinutes-r.UnusedAllowanceMinutes; l != x {
		t.Errorf("the sides are %v and %v", l, x)
	}
}

func TestPageToken(t *testing.T) {
	in := pageToken[EventKey]{Key: EventKey{OccurredAt: -5, Plant: "a", Press: "b", Kind: 10, Epoch: math.MaxUint64, Seq: 7}, Pos: math.MaxUint64, Asks: "q"}
	out, more, err := parseToken[EventKey](in.String(), "q")
	if err != nil || !more || out != in {
		t.Errorf("%+v, %v, %v", out, more, err)
	}
	if _, more, err := parseToken[EventKey]("", "q"); more || err != nil {
		t.Errorf("the first page: %v, %v", more, err)
	}
	for _, bad := range []string{"?", "bm9uc2Vuc2U", in.String()[1:]} {
		if _, _, err := parseToken[EventKey](bad, "q"); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
	if _, _, err := parseToken[EventKey](in.String(), "other"); err == nil {
		t.Error("a token of another question is taken")
	}
}

func TestEventID(t *testing.T) {
	plant, press, id, ok := parseEventID("rhein/p1/00000000000000ff/7")
	if !ok || plant != "rhein" || press != "p1" || id != (timeline.ID{Epoch: 255, Seq: 7}) {
		t.Error(plant, press, id, ok)
	}
	for _, bad := range []string{"", "rhein/p1/ff/7", "rhein/p1/00000000000000ff/0", "rhein/p1/00000000000000fg/1", "rhein/p1/00000000000000ff/7/8", "rhein/p1/00000000000000ff/-1"} {
		if _, _, _, ok := parseEventID(bad); ok {
			t.Errorf("%q is taken", bad)
		}
	}
	// SHA-256("abc") begins ba7816bf8f01cfea (FIPS 180-4, example of one block).
	if e := epochOf("abc"); e != 0xba7816bf8f01cfea {
		t.Errorf("epoch %016x", e)
	}
}

func TestEarliest(t *testing.T) {
	at := func(s string) *pb.Event {
		x, _ := time.Parse(time.RFC3339, s)
		return &pb.Event{OccurredAt: stamp(x.UnixMilli())}
	}
	e := at("2026-06-15T12:00:00Z")
	if got := earliest(e); got != e.OccurredAt.AsTime().UnixMilli() {
		t.Error(got)
	}
	from := at("2026-06-15T09:00:00Z").OccurredAt
	e.Body = &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: from}}
	if got := earliest(e); got != from.AsTime().UnixMilli() {
		t.Error(got)
	}
	e.Body = &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: at("2026-06-15T13:00:00Z").OccurredAt}}
	if got := earliest(e); got != e.OccurredAt.AsTime().UnixMilli() {
		t.Error(got)
	}
}
