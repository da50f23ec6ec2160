package fleetsim_test

import (
	"testing"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/registry"
)

// pressData is one press's whole run as the rules see it.
type pressData struct {
	press  *timeline.Press
	slices []timeline.Slice
	events []timeline.Event
}

// resolvePresses resolves the scenario's documents, by "plant/press".
func resolvePresses(t testing.TB) map[string]*timeline.Press {
	t.Helper()
	out := map[string]*timeline.Press{}
	for _, p := range fleetsim.Plants() {
		list, err := registry.Resolve(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			out[x.ID()] = x
		}
	}
	return out
}

// load generates press i and turns its events into the shared vocabulary; seqs
// are given in order, voids find their target by key, as the agent does.
func load(t testing.TB, s *fleetsim.Sim, i int, p *timeline.Press) *pressData {
	t.Helper()
	const epoch = 1
	d := &pressData{press: p}
	keys := map[string]uint64{}
	seq := uint64(0)
	for day := s.First(); day <= s.Last(); day++ {
		sl, ev := s.Raw(i, day)
		for _, x := range sl {
			seq++
			d.slices = append(d.slices, timeline.Slice{ID: timeline.ID{Epoch: epoch, Seq: seq}, Interval: timeline.Interval{From: x.From, To: x.To},
				Recorded: x.To, State: timeline.State(x.State), Reason: x.Reason, Station: x.Station, Job: x.Job, Rated: x.Rated, Good: x.Good, Waste: x.Waste})
		}
		for _, e := range ev {
			seq++
			keys[e.SourceKey] = seq
			x := convert(e)
			x.ID = timeline.ID{Epoch: epoch, Seq: seq}
			if v := e.GetVoided(); v != nil {
				target, ok := keys[v.TargetSourceKey]
				if !ok {
					t.Fatalf("%s: void of %q comes before it", s.Press(i), v.TargetSourceKey)
				}
				x.TargetEpoch, x.TargetFirst, x.TargetLast = epoch, target, target
				x.Earliest = v.Earliest.AsTime().UnixMilli()
			}
			d.events = append(d.events, x)
		}
	}
	return d
}

func convert(e *pb.Event) timeline.Event {
	x := timeline.Event{At: e.OccurredAt.AsTime().UnixMilli(), Recorded: e.RecordedAt.AsTime().UnixMilli(), SourceKey: e.SourceKey, Condition: -1}
	switch b := e.Body.(type) {
	case *pb.Event_CleaningOpened:
		x.Kind, x.Session, x.Occasion = timeline.KindCleaningOpened, b.CleaningOpened.Session, timeline.Occasion(b.CleaningOpened.Occasion)
	case *pb.Event_CleaningClosed:
		x.Kind, x.Session = timeline.KindCleaningClosed, b.CleaningClosed.Session
	case *pb.Event_StationSignedOff:
		o := b.StationSignedOff
		x.Kind, x.Session, x.Task, x.Station, x.Outcome = timeline.KindStationSignedOff, o.Session, o.Task, o.Station, timeline.Outcome(o.Outcome)
		if o.ConditionFound != nil {
			x.Condition = int8(*o.ConditionFound)
		}
	case *pb.Event_StationSkipped:
		o := b.StationSkipped
		x.Kind, x.Session, x.Task, x.Station, x.Reason = timeline.KindStationSkipped, o.Session, o.Task, o.Station, o.Reason
	case *pb.Event_ReasonNoted:
		o := b.ReasonNoted
		x.Kind, x.Reason, x.Station, x.NoteKind = timeline.KindReasonNoted, o.Reason, o.Station, timeline.NoteKind(o.Kind)
		x.Interval = timeline.Interval{From: o.From.AsTime().UnixMilli(), To: o.To.AsTime().UnixMilli()}
	case *pb.Event_WasteBooked:
		o := b.WasteBooked
		x.Kind, x.Job, x.Cause, x.Length, x.Found, x.Station = timeline.KindWasteBooked, o.Job, timeline.Cause(o.Cause), o.LengthMm, uint8(o.Found), o.Station
		x.Interval = timeline.Interval{From: o.From.AsTime().UnixMilli(), To: o.To.AsTime().UnixMilli()}
	case *pb.Event_JobStarted:
		o := b.JobStarted
		x.Kind, x.Job, x.Family, x.Substrate, x.Rated, x.Length = timeline.KindJobStarted, o.Job, o.Family, o.Substrate, o.GetRatedMmPerMin(), o.PlannedMm
	case *pb.Event_JobEnded:
		x.Kind, x.Job = timeline.KindJobEnded, b.JobEnded.Job
	case *pb.Event_JobCorrected:
		x.Kind, x.Job, x.Rated = timeline.KindJobCorrected, b.JobCorrected.Job, b.JobCorrected.GetRatedMmPerMin()
	case *pb.Event_DefectSeen:
		x.Kind, x.Station = timeline.KindDefectSeen, b.DefectSeen.Station
	case *pb.Event_Voided:
		x.Kind = timeline.KindVoided
	}
	return x
}

// stationNames are the stations of a study, in order.
var stationNames = []string{"air-filter", "anilox", "corona", "die-station", "nip-rollers", "print-heads", "register-camera", "static-bar", "uv-1", "uv-2", "web-cleaner"}

var familyNames = []string{"film-clear", "film-white", "paper-gloss", "paper-matt"}

func indexOf(list []string, s string) int {
	for i, x := range list {
		if x == s {
			return i
		}
	}
	return -1
}

// rows folds a press into study rows: duties decide who was cleaned.
func (d *pressData) rows(t testing.TB, first, last fleetsim.Day) []study.Row {
	t.Helper()
	h := timeline.Build(d.slices, d.events, []timeline.EpochRank{{Epoch: 1}})
	frontier, _ := h.Frontier()
	frontier += 24 * timeline.Hour
	cal := d.press.Calendar
	var st duty.State
	var out []study.Row
	plan := cal.Plan(timeline.Day(first))
	for day := timeline.Day(first); day <= timeline.Day(last); day++ {
		next := cal.Plan(day + 1)
		win := h.Window(timeline.Interval{From: plan.Span().From - 48*timeline.Hour, To: next.Span().From + 48*timeline.Hour})
		var res duty.Result
		res, st = duty.Fold(d.press, st, win, plan, next, frontier)
		if res.RunMM > 0 {
			out = append(out, d.row(h, plan, res, timeline.Interval{From: plan.Span().From, To: next.Span().From}))
		}
		plan = next
	}
	for i := range out {
		for s := range out[i].Stations {
			x := &out[i].Stations[s]
			x.Next = study.Unknown
			if i+1 < len(out) {
				x.Next = out[i+1].Stations[s].State
			}
		}
	}
	return out
}

func (d *pressData) row(h *timeline.History, plan timeline.DayPlan, res duty.Result, own timeline.Interval) study.Row {
	r := study.Row{Press: d.press.ID(), Plant: d.press.Plant, Day: int32(plan.Day), RunMM: res.RunMM, CoveragePPM: 1e6,
		PlannedMS: plan.Planned(), FamilyMM: make([]int64, len(familyNames)), Stations: make([]study.StationDay, len(stationNames))}
	jobs := map[string]bool{}
	for _, s := range timeline.SlicesIn(h.Slices, own) {
		switch s.State {
		case timeline.StateProduction:
			r.RunWasteMM += s.Waste
			r.FamilyMM[indexOf(familyNames, h.Job(s.Job, own.To).Family)] += s.Good + s.Waste
			if !jobs[s.Job] {
				jobs[s.Job] = true
				r.Jobs++
				r.PlannedMM += h.Job(s.Job, own.To).Planned
			}
		case timeline.StateSetup:
			r.SetupWasteMM += s.Waste
		}
	}
	for _, b := range timeline.EventsIn(h.Bookings, own) {
		switch b.Cause {
		case timeline.CauseRestart:
			r.RestartWasteMM += b.Length
			r.RunWasteMM -= b.Length
		case timeline.CauseContamination:
			r.ContaminationWasteMM += b.Length
		case timeline.CauseSplice, timeline.CauseMaterial:
			r.UnrelatedWasteMM += b.Length
		}
	}
	for _, s := range plan.Shifts {
		if len(timeline.SlicesIn(h.Slices, s.Interval)) > 0 {
			r.Shifts++
		}
	}
	for i := range r.Stations {
		r.Stations[i] = study.StationDay{State: study.NotExposed, FoundNext: study.None, SinceCleanMM: study.None}
	}
	for _, x := range res.Exposures {
		s := study.StationDay{State: study.State(x.State), Missed: int32(x.InRow), FoundNext: int32(x.NextCondition), SinceCleanMM: x.SinceMM}
		r.Stations[indexOf(stationNames, x.Station)] = s
	}
	return r
}
