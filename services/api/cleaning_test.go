package api

import (
	"math"
	"testing"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func TestReliabilityCounts(t *testing.T) {
	const h = timeline.Hour
	fact := func(key string, leaf loss.Leaf, state timeline.State, stops, dur int64) timeline.FactSum {
		return timeline.FactSum{Key: key, Leaf: uint8(leaf), State: state, Stops: stops, Dur: dur}
	}
	rows := reliability([]timeline.FactSum{
		fact("rhein/p1/", loss.LeafProduction, timeline.StateProduction, 0, 90*h),
		fact("rhein/p1/uv-1", loss.ContaminationSlow, timeline.StateProduction, 0, 10*h),
		fact("rhein/p1/uv-1", loss.ContaminationStop, timeline.StateDown, 3, h),
		fact("rhein/p1/uv-1", loss.OtherBreakdown, timeline.StateDown, 1, h),
		fact("rhein/p1/", loss.OtherBreakdown, timeline.StateDown, 6, 3*h),
		fact("rhein/p1/", loss.Setup, timeline.StateSetup, 9, 9*h),
		fact("rhein/p2/", loss.LeafProduction, timeline.StateProduction, 0, 100*h),
	})
	if len(rows) != 3 {
		t.Fatalf("%v", rows)
	}
	// MTBF of 10 failures: factors 0.5895 and 1.8432 at 90 % (NIST/SEMATECH
	// e-Handbook, 8.4.5.1, table; from memory).
	press, uv, idle := rows[0], rows[1], rows[2]
	if press.Station != "" || press.Failures != 10 || press.DirtFailures != 3 || press.RunHours != 100 || press.MtbfHours.Value != 10 || press.MttrMinutes.Value != 30 ||
		press.MtbfHours.Low < 5.89 || press.MtbfHours.Low > 5.90 || press.MtbfHours.High < 18.42 || press.MtbfHours.High > 18.44 {
		t.Errorf("press %v", press)
	}
	if uv.Station != "uv-1" || uv.Failures != 4 || uv.DirtFailures != 3 || uv.RunHours != 100 || uv.DownMinutes != 120 || uv.MtbfHours.Value != 25 {
		t.Errorf("uv-1 %v", uv)
	}
	// Without a failure: no mean, at least 100 / 2.9957 = 33.4 h.
	if e := idle.MtbfHours; e.Ok || e.Value != 0 || e.Low != 0 || e.Method != "no failure: at least 33.4 h, -T / ln 0.05, one-sided 95 %" || idle.MttrMinutes.Ok {
		t.Errorf("no failure %v", idle)
	}
}

// Only what nothing has ended yet is in progress.
func TestOpenSessions(t *testing.T) {
	head := func(press string, to int64, rule bool, checks timeline.Checks) timeline.StationVisit {
		return timeline.StationVisit{Plant: "rhein", Press: press, Seq: -1, SessionTo: to, ClosedByRule: rule, Checks: checks}
	}
	rows := []timeline.StationVisit{
		head("p1", 200, true, 0), {Plant: "rhein", Press: "p1", Station: "a"}, {Plant: "rhein", Press: "p1", Station: "b", Seq: 1},
		head("p2", 100, true, 0), {Plant: "rhein", Press: "p2", Station: "c"}, // ended by the rule or a run
		head("p3", 200, false, timeline.CheckStated), // closed
		head("p4", 200, true, timeline.CheckStated),  // closed too late to be believed
		head("p5", 300, true, 0),
	}
	got := openSessions(rows, func(string) int64 { return 150 })
	if len(got) != 2 || len(got[0]) != 3 || got[0][2].Station != "b" || len(got[1]) != 1 || got[1][0].Press != "p5" {
		t.Errorf("%v", got)
	}
}

// What is no longer in progress is told once, without an expectation.
func TestEndedSince(t *testing.T) {
	s := func(press, id string) *pb.OpenSession {
		return &pb.OpenSession{Press: press, Session: id, From: stamp(1000), ExpectedEnd: stamp(2000), Method: "m", Left: []*pb.OpenTask{{}}}
	}
	last := &pb.WatchSessionsResponse{Sessions: []*pb.OpenSession{s("rhein/p1", "a"), s("rhein/p2", "a")}}
	now := &pb.WatchSessionsResponse{Sessions: []*pb.OpenSession{s("rhein/p2", "a")}}
	got := endedSince(last, now)
	if len(got) != 1 || got[0].Press != "rhein/p1" || !got[0].Ended || got[0].ExpectedEnd != nil || got[0].Method != "" || len(got[0].Left) != 0 {
		t.Errorf("%v", got)
	}
	if got := endedSince(nil, now); got != nil {
		t.Errorf("the first message: %v", got)
	}
	now.Sessions[0].Known = stamp(5)
	if !sameSessions(now, &pb.WatchSessionsResponse{Sessions: []*pb.OpenSession{s("rhein/p2", "a")}}) {
		t.Error("time that passes is a change")
	}
}

func TestRanks(t *testing.T) {
	const m = timeline.Minute
	f := &fleet{presses: map[string]*timeline.Press{"rhein/p1": {Plant: "rhein", Name: "p1", Hands: map[timeline.Occasion]int{timeline.OccasionShutdown: 2}}}}
	v := func(station string, time, standard int64) timeline.StationVisit {
		return timeline.StationVisit{Plant: "rhein", Press: "p1", Station: station, Occasion: timeline.OccasionShutdown, Time: time * m, Standard: standard * m}
	}
	r := f.ranks([]timeline.StationVisit{{Plant: "rhein", Press: "p1", Seq: -1}, v("a", 60, 120), v("b", 30, 20), v("c", 30, 60)}, 0, 9)
	// Ten days: an hour is 3.044 h a month; two hands share the standards.
	if len(r) != 3 || r[0].Station != "a" || math.Abs(r[0].HoursPerMonth-3.044) > 1e-9 || r[0].ByExcess != 2 || r[1].Station != "b" || r[1].ByHours != 2 || r[1].ByExcess != 1 ||
		math.Abs(r[1].ExcessHoursPerMonth-3.044/3) > 1e-9 || r[2].Station != "c" || r[2].ByHours != 2 || r[2].ByExcess != 2 {
		t.Errorf("%v", r)
	}
}
