package fleetsim

import (
	"fmt"
	"math"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Chances of what crews do; they know nothing of the waste.
const (
	sessionMissed = 0.055 // a whole start-up or shut-down session
	taskSkipped   = 0.035 // one station, with a reason
	taskMissed    = 0.04  // one station, without a word
	mistaken      = 0.004 // signed off by mistake, taken back next day
)

// due lists today's tasks of a cadence, and the clock tasks that ride along.
func (d *dayGen) due(c pb.Cadence) []taskDef {
	var out []taskDef
	for _, t := range d.defs {
		x := d.dirt[t.station]
		switch {
		case t.cadence == c:
			out = append(out, t)
		case t.cadence == pb.Cadence_CADENCE_WEEKLY:
			if d.date.weekday() == 5 && c == pb.Cadence_CADENCE_SHUTDOWN {
				d.weekly = true
			}
			if d.weekly && (c == pb.Cadence_CADENCE_SHUTDOWN && d.date.weekday() == 5 || c == pb.Cadence_CADENCE_STARTUP && d.date.weekday() < 5) {
				out = append(out, t)
			}
		case t.cadence == pb.Cadence_CADENCE_RUN_KM && c == pb.Cadence_CADENCE_SHUTDOWN && x.km >= 0.52*t.every,
			t.cadence == pb.Cadence_CADENCE_RUN_HOURS && c == pb.Cadence_CADENCE_STARTUP && x.hours >= 0.6*t.every:
			out = append(out, t)
		}
	}
	return out
}

// startup is the session before the day's first production.
func (d *dayGen) startup() {
	tasks := d.due(pb.Cadence_CADENCE_STARTUP)
	if d.rng.Float64() < sessionMissed {
		d.missed(tasks)
		return
	}
	d.session(pb.Occasion_OCCASION_STARTUP, tasks, d.plan.to)
}

// shutdownPlan is the session at the end of the day, decided in the morning.
type shutdownPlan struct {
	missed bool
}

// planShutdown keeps the end of the day free for the session.
func (d *dayGen) planShutdown() shutdownPlan {
	p := shutdownPlan{missed: d.rng.Float64() < sessionMissed}
	if !p.missed {
		minutes := 9 + 4*d.rng.Float64()
		for _, t := range d.due(pb.Cadence_CADENCE_SHUTDOWN) {
			minutes += t.minutes * 1.1
		}
		d.stop = d.plan.to - int64(minutes*float64(minute))
	}
	return p
}

func (d *dayGen) shutdown(p shutdownPlan) {
	tasks := d.due(pb.Cadence_CADENCE_SHUTDOWN)
	if p.missed {
		d.missed(tasks)
		return
	}
	d.session(pb.Occasion_OCCASION_SHUTDOWN, tasks, d.plan.to)
}

// missed leaves tasks undone without a word.
func (d *dayGen) missed(tasks []taskDef) {
	for _, t := range tasks {
		d.leave(t)
	}
}

// leave notes that a daily task's window closes without a clean. What it did
// to the day is summed up first, where the window is at the end of the day.
func (d *dayGen) leave(t taskDef) {
	switch t.cadence {
	case pb.Cadence_CADENCE_STARTUP:
		d.dirt[t.station].left = true
	case pb.Cadence_CADENCE_SHUTDOWN:
		d.after = append(d.after, t.station)
	}
}

// cleaned resets the station's clocks.
func (d *dayGen) cleaned(t taskDef) {
	x := d.dirt[t.station]
	x.km, x.hours = 0, 0
	switch t.cadence {
	case pb.Cadence_CADENCE_SHUTDOWN:
		d.clean = append(d.clean, t.station)
	case pb.Cadence_CADENCE_WEEKLY:
		d.weekly = false
	default:
		x.left = false
	}
}

// session is a cleaning session: opened, stations signed off, skipped or
// forgotten, closed. It ends by limit.
func (d *dayGen) session(occasion pb.Occasion, tasks []taskDef, limit int64) {
	r := d.rng
	d.sessions++
	id := fmt.Sprintf("S%s-%d", d.date, d.sessions)
	crew := d.crew()
	d.event(d.t, &pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: id, Occasion: occasion, Crew: crew}}})
	work := func(minutes float64) bool {
		want := int64(minutes * float64(minute))
		want -= want % 1000
		d.advance(want, limit-20*second, pb.State_STATE_CLEANING, nil)
		return d.worked >= want
	}
	pace := math.Exp(0.12 * r.NormFloat64())
	batch := r.Float64() < 0.03 // the crew taps all at the end
	var taps []taskDef
	for _, t := range tasks {
		x := r.Float64()
		required := t.cadence != pb.Cadence_CADENCE_JOB_CHANGE && occasion != pb.Occasion_OCCASION_ON_DEMAND
		if t.station == uv2 && x > 0.95 {
			d.skip(d.t, id, t, "not-in-use", crew)
			d.clean = append(d.clean, t.station) // not exposed, though no cleaner
			continue
		}
		if required && x < taskSkipped {
			d.skip(d.t, id, t, "", crew)
			d.leave(t)
			continue
		}
		if required && x < taskSkipped+taskMissed {
			d.leave(t)
			continue
		}
		if r.Float64() < 0.02 { // called away
			work(2 + 5*r.Float64())
		}
		began := d.t
		minutes := t.minutes * pace * math.Exp(0.22*r.NormFloat64())
		if r.Float64() < 0.05 {
			minutes *= 1.8 // heavily soiled
		}
		if !work(minutes) { // no time left
			d.leave(t)
			continue
		}
		if batch {
			taps = append(taps, t)
			continue
		}
		d.signOff(d.t, began, id, t, crew)
	}
	last := d.t
	for i, t := range taps {
		last = d.t + int64(i)*4*second
		d.signOff(last, 0, id, t, crew)
	}
	work(1 + 2.5*r.Float64())
	if r.Float64() < 0.04 {
		return // never closed: the rule closes it
	}
	d.event(max(d.t, last+second), &pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: id, Crew: crew,
		ToolsCountedOut: true, GuardsRestored: true, IsolationRemoved: true}}})
}

// signOff signs a station off at an instant and cleans it, unless it was a
// mistake that is taken back the next day.
func (d *dayGen) signOff(at, began int64, session string, t taskDef, crew string) {
	r := d.rng
	x := d.dirt[t.station]
	soil := x.km / d.soilKm
	switch t.cadence {
	case pb.Cadence_CADENCE_RUN_KM:
		soil = x.km / t.every
	case pb.Cadence_CADENCE_RUN_HOURS:
		soil = x.hours / t.every
	case pb.Cadence_CADENCE_WEEKLY:
		soil /= 5
	case pb.Cadence_CADENCE_JOB_CHANGE:
		soil *= 3
	}
	found := int32(min(max(math.Round(soil*1.1+0.55*r.NormFloat64()), 0), 3))
	o := &pb.StationSignedOff{Session: session, Task: t.slug, Station: t.station, Outcome: pb.Outcome_OUTCOME_CLEANED, Crew: crew}
	switch v := r.Float64(); {
	case v < 0.02:
		o.Outcome = pb.Outcome_OUTCOME_REPLACED_PART
	case v < 0.04 && found == 0:
		o.Outcome = pb.Outcome_OUTCOME_INSPECTED_CLEAN
	}
	if r.Float64() < 0.9 {
		o.ConditionFound = &found
	}
	if began > 0 && r.Float64() < 0.3 {
		o.BeganAt = stamp(began)
	}
	if r.Float64() < 0.01 {
		o.Note = "heavier than usual, \"streaks\" left and right"
	}
	key := d.event(at, &pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: o}})
	if (t.cadence == pb.Cadence_CADENCE_STARTUP || t.cadence == pb.Cadence_CADENCE_SHUTDOWN) && r.Float64() < mistaken {
		d.void(d.later(1), key, at, "signed off by mistake")
		if r.IntN(2) == 0 {
			d.skip(d.later(1), session, t, "", crew)
		}
		d.leave(t)
		return
	}
	d.cleaned(t)
}

func (d *dayGen) skip(at int64, session string, t taskDef, reason, crew string) {
	if reason == "" {
		reason = []string{"no-time", "no-material", "no-access"}[d.rng.IntN(3)]
	}
	d.event(at, &pb.Event{Body: &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: session, Task: t.slug, Station: t.station,
		Reason: reason, Crew: crew}}})
}

// changeover washes the anilox between jobs, mostly.
func (d *dayGen) changeover(j *job, otherFamily bool) {
	if d.dirt[anilox] == nil || d.t >= d.stop-40*minute {
		return
	}
	chance := 0.25
	if otherFamily {
		chance = 0.85
	}
	if d.rng.Float64() >= chance {
		return
	}
	for _, t := range d.defs {
		if t.cadence == pb.Cadence_CADENCE_JOB_CHANGE {
			d.session(pb.Occasion_OCCASION_CHANGEOVER, []taskDef{t}, d.stop)
		}
	}
}

// onDemand cleans one station now, and the restart is wasted and booked.
func (d *dayGen) onDemand(task string) {
	for _, t := range d.defs {
		if t.slug != task {
			continue
		}
		left := d.dirt[t.station].left
		d.session(pb.Occasion_OCCASION_ON_DEMAND, []taskDef{t}, d.stop)
		d.dirt[t.station].left = left // the run started as it did
		mm := int64(8000 + 12000*d.rng.Float64())
		at := d.t
		d.restartMM += mm
		d.book(at+d.spread(6, 20), at, at+10*minute, "", mm, pb.WasteCause_WASTE_CAUSE_RESTART, t.station)
	}
}
