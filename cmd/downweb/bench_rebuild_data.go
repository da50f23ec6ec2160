package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/warehouse"
)

const minuteMs = int64(60_000)

// rebuildStart is the first production day's 06:00, when its first shift begins (UTC).
var rebuildStart = time.Date(2025, 1, 1, 6, 0, 0, 0, time.UTC).UnixMilli()

// rebuildPlant is a plant that works round the clock, with presses, stations, plans, reasons and rates of the
// simulated one.
func rebuildPlant(presses int) *pb.Plant {
	p := fleetsim.Plants()[0]
	p.Plant, p.Zone = benchPlant, "UTC"
	all := []pb.Weekday{1, 2, 3, 4, 5, 6, 7}
	p.Calendars = []*pb.Calendar{{Shifts: []*pb.Shift{
		{Name: "early", Days: all, Start: "06:00", End: "14:00", Breaks: []*pb.Break{{Start: "10:00", Minutes: 30}}},
		{Name: "late", Days: all, Start: "14:00", End: "22:00", Breaks: []*pb.Break{{Start: "18:00", Minutes: 30}}},
		{Name: "night", Days: all, Start: "22:00", End: "06:00", Breaks: []*pb.Break{{Start: "02:00", Minutes: 30}}},
	}}}
	p.Closures, p.ExtraShifts, p.MaintenanceWindows = nil, nil, nil
	like := p.Presses
	p.Presses = nil
	for i := range presses {
		x := proto.CloneOf(like[i%len(like)])
		x.Press, x.Name = benchPress(i), "Press "+benchPress(i)
		p.Presses = append(p.Presses, x)
	}
	keepPlans(p)
	return p
}

// keepPlans drops the plans of kinds that no press is of.
func keepPlans(p *pb.Plant) {
	p.Plans = slices.DeleteFunc(p.Plans, func(pl *pb.CleaningPlan) bool {
		return !slices.ContainsFunc(p.Presses, func(x *pb.Press) bool { return x.Kind == pl.Kind })
	})
}

// rebuildSeries makes the events of one press that runs round the clock: a slice every minute, jobs of some hours with
// make-ready, wandering speed, stops with and without reasons, reel changes, three cleaning sessions a day with
// sign-offs by the plan, notes, bookings, defects; slices that are taken back and recorded anew.
type rebuildSeries struct {
	rng        *rand.Rand
	press      *pb.Press
	tasks      []*pb.Task
	epoch, seq uint64
	job        int
	rated      int64
	speed      float64 // share of the rated speed
	out        []*pb.Event
	voidShare  float64
	voids      int64
}

func newRebuildSeries(seed uint64, i int, plant *pb.Plant, voidShare float64) *rebuildSeries {
	s := &rebuildSeries{rng: rand.New(rand.NewPCG(seed, 1000+uint64(i))), press: plant.Presses[i], speed: 0.9, voidShare: voidShare}
	s.epoch = s.rng.Uint64() | 1
	for _, pl := range plant.Plans {
		if pl.Kind == s.press.Kind {
			s.tasks = pl.Tasks
		}
	}
	return s
}

func (s *rebuildSeries) add(at, recorded int64, body func(*pb.Event)) *pb.Event {
	s.seq++
	e := &pb.Event{Plant: benchPlant, Press: s.press.Press, Epoch: s.epoch, Seq: s.seq, OccurredAt: stampMs(at), RecordedAt: stampMs(recorded)}
	body(e)
	if e.GetSlice() == nil && e.GetVoided() == nil {
		e.SourceKey = fmt.Sprintf("panel-%07d", s.seq)
	}
	s.out = append(s.out, e)
	return e
}

// minutes adds a slice for each of n minutes from at on, and returns the end.
func (s *rebuildSeries) minutes(at int64, n int, state pb.State, reason, station string) int64 {
	for range n {
		sl := &pb.Slice{From: stampMs(at), To: stampMs(at + minuteMs), State: state, Reason: reason, Station: station}
		if s.job > 0 {
			sl.Job = fmt.Sprintf("j-%s-%05d", s.press.Press, s.job)
			sl.RatedMmPerMin = proto.Int64(s.rated)
		}
		switch state {
		case pb.State_STATE_PRODUCTION:
			s.speed = min(1, max(0.6, s.speed+0.02*(s.rng.Float64()-0.5)))
			sl.GoodMm = int64(s.speed*float64(s.rated)) + s.rng.Int64N(800)
			if s.rng.IntN(8) == 0 {
				sl.WasteMm = s.rng.Int64N(6000)
			}
		case pb.State_STATE_SETUP:
			if s.rng.IntN(2) == 0 {
				sl.WasteMm = s.rng.Int64N(20_000)
			}
		}
		recorded := at + minuteMs + 50 + s.rng.Int64N(400)
		e := s.add(at, recorded, func(e *pb.Event) { e.Body = &pb.Event_Slice{Slice: sl} })
		if s.rng.Float64() < s.voidShare { // counted wrong: taken back and recorded anew
			s.voids++
			seq, from := e.Seq, at
			s.add(recorded+200, recorded+200, func(e *pb.Event) {
				e.Body = &pb.Event_Voided{Voided: &pb.Voided{Epoch: s.epoch, FirstSeq: seq, LastSeq: seq, Earliest: stampMs(from), Why: "counted wrong"}}
			})
			again := proto.CloneOf(sl)
			again.WasteMm += s.rng.Int64N(3000)
			s.add(at, recorded+400, func(e *pb.Event) { e.Body = &pb.Event_Slice{Slice: again} })
		}
		at += minuteMs
	}
	return at
}

// session cleans: tasks of a cadence, one after the other, a few skipped.
func (s *rebuildSeries) session(at int64, occasion pb.Occasion, cadence ...pb.Cadence) int64 {
	id := fmt.Sprintf("s-%d", at/minuteMs)
	s.add(at, at+900, func(e *pb.Event) {
		e.Body = &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: id, Occasion: occasion}}
	})
	for _, t := range s.tasks {
		due := slices.Contains(cadence, t.Triggers[0].Cadence)
		if !due && s.rng.IntN(6) > 0 {
			continue
		}
		if s.rng.IntN(20) == 0 {
			s.add(at, at+900, func(e *pb.Event) {
				e.Body = &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: id, Task: t.Slug, Station: t.Station, Reason: "no-time"}}
			})
			continue
		}
		if s.rng.IntN(25) == 0 {
			continue // forgotten
		}
		at = s.minutes(at, 1+int(t.StandardMinutes*(0.6+0.8*s.rng.Float64())), pb.State_STATE_CLEANING, "", "")
		s.add(at-s.rng.Int64N(minuteMs), at, func(e *pb.Event) {
			e.Body = &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: id, Task: t.Slug, Station: t.Station,
				Outcome: pb.Outcome_OUTCOME_CLEANED, ConditionFound: proto.Int32(s.rng.Int32N(4))}}
		})
	}
	s.add(at, at+900, func(e *pb.Event) {
		e.Body = &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: id, ToolsCountedOut: true, GuardsRestored: true, IsolationRemoved: true}}
	})
	return at
}

func (s *rebuildSeries) note(from, to int64, kind pb.NoteKind, reason string) {
	s.add(to+s.rng.Int64N(30*minuteMs), to+30*minuteMs, func(e *pb.Event) {
		e.Body = &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: stampMs(from), To: stampMs(to), Kind: kind, Reason: reason}}
	})
}

func (s *rebuildSeries) booking(from, to, mm int64, cause pb.WasteCause) {
	s.add(to, to+minuteMs, func(e *pb.Event) {
		e.Body = &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stampMs(from), To: stampMs(to), Job: fmt.Sprintf("j-%s-%05d", s.press.Press, s.job), LengthMm: mm, Cause: cause}}
	})
}

var (
	stopReasons = []string{"mechanical", "electrical", "web-break", "dirt-on-web", "no-material", "no-crew", "approval"}
	wasteCauses = []pb.WasteCause{pb.WasteCause_WASTE_CAUSE_SPLICE, pb.WasteCause_WASTE_CAUSE_REGISTER, pb.WasteCause_WASTE_CAUSE_MATERIAL, pb.WasteCause_WASTE_CAUSE_CONTAMINATION, pb.WasteCause_WASTE_CAUSE_CURE}
	families    = [][2]string{{"paper-gloss", "paper"}, {"paper-matt", "paper"}, {"film-white", "film-white"}, {"film-clear", "film-clear"}}
)

// day adds the events of the production day that begins at from.
func (s *rebuildSeries) day(from int64) []*pb.Event {
	s.out = s.out[:0:0]
	end := from + 24*60*minuteMs
	at := s.session(from, pb.Occasion_OCCASION_STARTUP, pb.Cadence_CADENCE_STARTUP)
	closing := end - 55*minuteMs
	jobEnd := int64(0)
	left := func() int { return int((closing - at) / minuteMs) }
	for left() > 0 {
		if at >= jobEnd {
			if s.job > 0 {
				s.add(at, at+900, func(e *pb.Event) {
					e.Body = &pb.Event_JobEnded{JobEnded: &pb.JobEnded{Job: fmt.Sprintf("j-%s-%05d", s.press.Press, s.job)}}
				})
			}
			if s.job > 0 && left() > 90 && s.rng.IntN(2) == 0 {
				at = s.session(at, pb.Occasion_OCCASION_CHANGEOVER, pb.Cadence_CADENCE_JOB_CHANGE)
			}
			s.job++
			f := families[s.rng.IntN(len(families))]
			s.rated = s.press.RatedMmPerMin * (7 + s.rng.Int64N(4)) / 10
			jobEnd = at + (120+s.rng.Int64N(300))*minuteMs
			s.add(at, at+900, func(e *pb.Event) {
				e.Body = &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: fmt.Sprintf("j-%s-%05d", s.press.Press, s.job), Family: f[0], Substrate: f[1],
					RatedMmPerMin: proto.Int64(s.rated), PlannedMm: 1_000_000 * (10 + s.rng.Int64N(90))}}
			})
			start := at
			at = s.minutes(at, min(max(0, left()), 15+s.rng.IntN(25)), pb.State_STATE_SETUP, "", "")
			if s.rng.IntN(3) == 0 {
				s.booking(start, at+10*minuteMs, 20_000+s.rng.Int64N(150_000), pb.WasteCause_WASTE_CAUSE_SETUP)
			}
		}
		start := at
		at = s.minutes(at, min(max(0, left()), 20+s.rng.IntN(70)), pb.State_STATE_PRODUCTION, "", "")
		if s.rng.IntN(6) == 0 {
			s.booking(start, at, 5_000+s.rng.Int64N(40_000), wasteCauses[s.rng.IntN(len(wasteCauses))])
		}
		if s.rng.IntN(20) == 0 {
			s.note(start, at, pb.NoteKind_NOTE_KIND_SLOW, []string{"dirt-on-web", "mechanical"}[s.rng.IntN(2)])
		}
		start = at
		switch n := min(max(0, left()), 3+s.rng.IntN(25)); {
		case n == 0:
		case s.rng.IntN(3) == 0:
			at = s.minutes(at, min(n, 6), pb.State_STATE_WAITING, "reel-change", "")
		case s.rng.IntN(2) == 0:
			at = s.minutes(at, n, pb.State_STATE_DOWN, stopReasons[s.rng.IntN(len(stopReasons))], s.press.Stations[s.rng.IntN(len(s.press.Stations))].Slug)
		default:
			at = s.minutes(at, n, pb.State_STATE_DOWN, "", "")
			if s.rng.IntN(2) == 0 {
				s.note(start, at, pb.NoteKind_NOTE_KIND_STOP, stopReasons[s.rng.IntN(len(stopReasons))])
			}
		}
	}
	at = s.session(at, pb.Occasion_OCCASION_SHUTDOWN, pb.Cadence_CADENCE_SHUTDOWN)
	if at < end {
		s.minutes(at, int((end-at)/minuteMs), pb.State_STATE_OFF, "", "")
	}
	return s.out
}

// rebuildFilled is what was put into the log.
type rebuildFilled struct{ events, slices, repeats, voids int64 }

// fillLog writes the events of all presses and days into the log as ingest does, many rows of one month an INSERT, and
// some of them twice.
func fillLog(ctx context.Context, db *warehouse.DB, plan rebuildPlan, say func(string)) (rebuildFilled, error) {
	var out rebuildFilled
	plant := rebuildPlant(plan.Presses)
	if err := db.InsertRegistry(ctx, &pb.RegistryRevision{Rev: 1, Plant: plant, Author: "bench", AppliedAt: timestamppb.New(time.UnixMilli(rebuildStart))}); err != nil {
		return out, err
	}
	pos := uint64(0)
	months := map[int][]*pb.Event{}
	insert := func(m int) error {
		pos++
		err := db.InsertEvents(ctx, months[m], pos)
		months[m] = nil
		return err
	}
	put := func(e *pb.Event) error {
		at, _ := warehouse.OccurredAt(e)
		m := warehouse.Month(at)
		months[m] = append(months[m], e)
		if len(months[m]) >= plan.BatchRows {
			return insert(m)
		}
		return nil
	}
	rng := rand.New(rand.NewPCG(plan.Seed, 5))
	var again []*pb.Event
	for i := range plan.Presses {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		s := newRebuildSeries(plan.Seed, i, plant, plan.Voids)
		low := warehouse.EpochLow{Plant: benchPlant, Press: s.press.Press, Epoch: s.epoch, Seq: 1, Recorded: rebuildStart}
		if err := db.InsertEpochs(ctx, []warehouse.EpochLow{low}); err != nil {
			return out, err
		}
		for d := range plan.Days {
			for _, e := range s.day(rebuildStart + int64(d)*24*60*minuteMs) {
				out.events++
				if e.GetSlice() != nil {
					out.slices++
				}
				if err := put(e); err != nil {
					return out, err
				}
				if rng.Float64() < plan.Repeats {
					again = append(again, e)
				}
			}
			for len(again) > 0 && (d%7 == 6 || d == plan.Days-1) { // a frame that was sent again
				if err := put(again[len(again)-1]); err != nil {
					return out, err
				}
				out.repeats++
				again = again[:len(again)-1]
			}
		}
		out.voids += s.voids
		say(fmt.Sprintf("%d of %d presses, %s events", i+1, plan.Presses, grouped(out.events)))
	}
	for m := range months {
		if len(months[m]) > 0 {
			if err := insert(m); err != nil {
				return out, err
			}
		}
	}
	return out, nil
}
