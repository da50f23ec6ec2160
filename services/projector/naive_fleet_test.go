package projector

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/projector/naive"
)

// fleet makes a random plant and the events of its presses. With ragged false
// every instant is a whole second and every slice holds whole millimeters a
// second, so that however slices are cut the shares are whole and the stored
// figures must agree to the digit.
type fleet struct {
	rng    *rand.Rand
	ragged bool
	plant  *pb.Plant
	start  time.Time // local midnight of the first day, as UTC date
	days   int
}

// weeks around which fleets are made: nights in which clocks change, and quiet
// ones.
var weeks = []struct{ zone, first string }{
	{"Europe/Berlin", "2026-03-27"}, {"America/New_York", "2026-03-06"}, {"Europe/Berlin", "2026-10-23"},
	{"America/New_York", "2026-10-30"}, {"Europe/Berlin", "2026-06-17"}, {"Australia/Lord_Howe", "2026-04-03"},
	{"Asia/Kolkata", "2026-12-29"}, {"Europe/London", "2024-02-27"},
}

func newFleet(seed uint64, presses int, ragged bool) *fleet {
	rng := rand.New(rand.NewPCG(seed, 2026))
	w := weeks[int(seed)%len(weeks)]
	start, _ := time.Parse(time.DateOnly, w.first)
	f := &fleet{rng: rng, ragged: ragged, start: start, days: 4}
	f.plant = &pb.Plant{Plant: fmt.Sprintf("n%d", seed), Name: "random", Zone: w.zone, Currency: "EUR",
		GraceMinutes: float64(pick(rng, 0, 20, 45)), ValidForHours: float64(pick(rng, 0, 3, 10)),
		OpenCloseMinutes: float64(pick(rng, 0, 0, 2, 5)),
		Reasons: []*pb.Reason{reasonOf("dirty", 1), reasonOf("broken", 2), reasonOf("material", 3), reasonOf("people", 4),
			reasonOf("approval", 5), reasonOf("reel", 6), reasonOf("service", 7), reasonOf("make-ready", 8)},
		SkipReasons: []*pb.SkipReason{{Slug: "no-access", Class: pb.SkipClass_SKIP_CLASS_SKIPPED}},
		LabourRates: []*pb.LabourRate{{LabourHour: "42"}},
		WebRates: []*pb.WebRate{{SquareMeter: "1.25"}, {Substrate: "film", SquareMeter: "2.5"},
			{ValidFrom: f.date(2), Substrate: "film", SquareMeter: "3"}, {ValidFrom: f.date(1), SquareMeter: "1.5"}}}
	if seed%5 == 0 {
		f.plant.DayOf = pb.DayOf_DAY_OF_END
	}
	if rng.IntN(2) == 0 {
		f.plant.Hands = []*pb.Hands{{Occasion: pb.Occasion_OCCASION_STARTUP, People: 2}, {Occasion: pb.Occasion_OCCASION_ON_DEMAND, People: 3}}
	}
	for i := range presses {
		f.press(fmt.Sprintf("p%d", i+1))
	}
	return f
}

func reasonOf(slug string, c pb.ReasonClass) *pb.Reason { return &pb.Reason{Slug: slug, Class: c} }

func pick[T any](rng *rand.Rand, of ...T) T { return of[rng.IntN(len(of))] }

func (f *fleet) date(n int) string { return f.start.AddDate(0, 0, n).Format(time.DateOnly) }

// press adds one press with its calendars, plan and rates.
func (f *fleet) press(name string) {
	rng, all := f.rng, []pb.Weekday{1, 2, 3, 4, 5, 6, 7}
	early := &pb.Shift{Name: "early", Days: all, Start: "06:00", End: "14:00", Breaks: []*pb.Break{{Start: "10:00", Minutes: 30}}}
	late := &pb.Shift{Name: "late", Days: all, Start: "14:00", End: "22:00", Breaks: []*pb.Break{{Start: "17:45", Minutes: 20}, {Start: "20:00", Minutes: 10}}}
	night := &pb.Shift{Name: "night", Days: all, Start: "22:00", End: "06:00", Breaks: []*pb.Break{{Start: pick(rng, "01:30", "02:15", "02:30", "03:00"), Minutes: 30}}}
	short := &pb.Shift{Name: "short", Days: all, Start: "07:30", End: "12:15"}
	sets := [][]*pb.Shift{{early}, {late}, {night}, {early, late}, {late, night}, {short, night}}
	cal := &pb.Calendar{Shifts: pick(rng, sets...), Presses: []string{name}}
	if rng.IntN(3) == 0 {
		// Two weeks take turns.
		a, b := early, late
		cal = &pb.Calendar{CycleWeeks: 2, CycleAnchor: f.date(-20), Presses: []string{name}, Shifts: []*pb.Shift{
			{Name: a.Name, Days: all, Start: a.Start, End: a.End, Breaks: a.Breaks, Weeks: []int32{1}},
			{Name: b.Name, Days: all, Start: b.Start, End: b.End, Breaks: b.Breaks, Weeks: []int32{2}}}}
	}
	f.plant.Calendars = append(f.plant.Calendars, cal)
	if rng.IntN(2) == 0 {
		f.plant.Calendars = append(f.plant.Calendars, &pb.Calendar{ValidFrom: f.date(2), Shifts: pick(rng, sets...), Presses: []string{name}})
	}
	shut := rng.IntN(3) == 0
	if shut {
		f.plant.Closures = append(f.plant.Closures, &pb.Closure{FirstDay: f.date(1), Why: "holiday", Presses: []string{name}})
	}
	if shut && rng.IntN(2) == 0 { // where the closure made room
		f.plant.ExtraShifts = append(f.plant.ExtraShifts, &pb.ExtraShift{Day: f.date(1), Name: "extra", Start: "12:15", End: "13:55",
			Breaks: []*pb.Break{{Start: "13:00", Minutes: 15}}, Presses: []string{name}})
	}
	p := &pb.Press{Press: name, Kind: name, WebWidthMm: pick[int64](rng, 330, 430), RatedMmPerMin: 90_000,
		Rates: []*pb.PressRate{{PressHour: "180", ContributionHour: "420.5", Constrained: rng.IntN(2) == 0, WebMeter: pick(rng, "", "0.3")},
			{ValidFrom: f.date(2), PressHour: "195.25", ContributionHour: "400", Constrained: rng.IntN(2) == 0, WebMeter: pick(rng, "", "0.35")}}}
	for _, s := range []string{"treater", "web-path", "uv-1", "print-heads", "web-cleaner"} {
		p.Stations = append(p.Stations, &pb.Station{Slug: s})
	}
	f.plant.Presses = append(f.plant.Presses, p)
	task := func(slug, station string, c pb.Cadence, every, standard float64) *pb.Task {
		return &pb.Task{Slug: slug, Station: station, Triggers: []*pb.Trigger{{Cadence: c, Every: every}}, StandardMinutes: standard}
	}
	plan := func(from string, more float64) *pb.CleaningPlan {
		return &pb.CleaningPlan{ValidFrom: from, Press: name, Tasks: []*pb.Task{
			task("start-treater", "treater", pb.Cadence_CADENCE_STARTUP, 0, 6+more),
			task("start-path", "web-path", pb.Cadence_CADENCE_STARTUP, 0, 4.5),
			task("shut-treater", "treater", pb.Cadence_CADENCE_SHUTDOWN, 0, 8+more),
			task("shut-uv", "uv-1", pb.Cadence_CADENCE_SHUTDOWN, 0, 5),
			task("heads", "print-heads", pb.Cadence_CADENCE_RUN_KM, 9, 7),
			task("cleaner", "web-cleaner", pb.Cadence_CADENCE_RUN_HOURS, 900, 9),
			task("change", "web-path", pb.Cadence_CADENCE_JOB_CHANGE, 0, 3)}}
	}
	f.plant.Plans = append(f.plant.Plans, plan("", 0))
	if rng.IntN(3) == 0 {
		f.plant.Plans = append(f.plant.Plans, plan(f.date(2), 3))
	}
}

// crew writes the log of one press.
type crew struct {
	*fleet
	press    string
	evs      []*pb.Event
	epoch    uint64
	seq      map[uint64]uint64
	job      int
	rated    *int64
	sessions int
	keys     int
	blocks   []block
}

// block is a row of the press's day.
type block struct {
	from, to int64
	state    pb.State
	job      string
	first    int // index of its first slice in evs
	n        int
}

// events are the log of one press.
func (f *fleet) events(press string) []*pb.Event {
	c := &crew{fleet: f, press: press, epoch: f.rng.Uint64() | 1, seq: map[uint64]uint64{}}
	from := f.start.UnixMilli()
	shifts := naive.Shifts(f.plant, press, from, from+int64(f.days)*86_400_000)
	for len(shifts) > 0 {
		n := 1
		for n < len(shifts) && shifts[n].From-shifts[n-1].To < 3*hourMS {
			n++
		}
		c.stint(shifts[0].From, shifts[n-1].To)
		shifts = shifts[n:]
	}
	c.afterwards()
	return c.evs
}

const (
	minuteMS = 60_000
	hourMS   = 60 * minuteMS
)

func (c *crew) add(at, recorded int64, key bool, e *pb.Event) *pb.Event {
	c.seq[c.epoch]++
	e.Plant, e.Press, e.Epoch, e.Seq = c.plant.Plant, c.press, c.epoch, c.seq[c.epoch]
	e.OccurredAt, e.RecordedAt = stamp(at), stamp(recorded)
	if key {
		c.keys++
		e.SourceKey = fmt.Sprintf("k%d", c.keys)
	}
	c.evs = append(c.evs, e)
	return e
}

func stamp(t int64) *timestamppb.Timestamp { return timestamppb.New(time.UnixMilli(t)) }

// some is a random length of time in whole minutes, or seconds, or ms.
func (c *crew) some(low, high int64) int64 {
	n := low*minuteMS + c.rng.Int64N((high-low)*minuteMS+1)
	switch {
	case c.ragged && c.rng.IntN(2) == 0:
		return n
	case c.rng.IntN(3) == 0:
		return n / 1000 * 1000
	}
	return max(1, n/minuteMS) * minuteMS
}

// run makes the slices of a block.
func (c *crew) run(from, to int64, state pb.State, reason string) {
	if from >= to {
		return
	}
	b := block{from: from, to: to, state: state, first: len(c.evs)}
	var good, waste int64 // mm a second
	job := ""
	rated := c.rated
	switch state {
	case pb.State_STATE_PRODUCTION:
		good, waste = 300+c.rng.Int64N(1700), c.rng.Int64N(80)
		job = c.jobID()
	case pb.State_STATE_SETUP:
		waste = c.rng.Int64N(60)
		if c.rng.IntN(6) == 0 {
			good = 20
		}
		job = c.jobID()
	case pb.State_STATE_TRIAL:
		good, waste = c.rng.Int64N(100), c.rng.Int64N(300)
		rated = nil
	case pb.State_STATE_DOWN, pb.State_STATE_WAITING:
		rated = nil
		if c.rng.IntN(4) == 0 {
			waste = 3
		}
	default:
		rated = nil
	}
	b.job = job
	for at := from; at < to; {
		end := min(to, at/minuteMS*minuteMS+minuteMS)
		if c.rng.IntN(40) == 0 && end-at > 30_000 {
			end = at + 30_000
		}
		g, w := good*(end-at)/1000, waste*(end-at)/1000
		if c.ragged && state == pb.State_STATE_PRODUCTION {
			g, w = g+c.rng.Int64N(900), w+c.rng.Int64N(90)
		}
		c.add(at, end, false, &pb.Event{Body: &pb.Event_Slice{Slice: &pb.Slice{From: stamp(at), To: stamp(end), State: state, Reason: reason,
			Job: job, RatedMmPerMin: rated, GoodMm: g, WasteMm: w}}})
		at = end
	}
	b.n = len(c.evs) - b.first
	c.blocks = append(c.blocks, b)
}

func (c *crew) jobID() string {
	if c.job == 0 {
		return ""
	}
	return fmt.Sprintf("J%d", c.job)
}

func (c *crew) newJob(at int64) {
	c.job++
	c.rated = nil
	if c.rng.IntN(5) > 0 {
		r := pick[int64](c.rng, 60_000, 80_000, 100_000, 120_000)
		c.rated = &r
	}
	c.add(at, at, true, &pb.Event{Body: &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: c.jobID(), Family: pick(c.rng, "labels", "sleeves"),
		Substrate: pick(c.rng, "", "film", "paper"), RatedMmPerMin: c.rated}}})
}

func (c *crew) sign(at int64, session, task, station string) *pb.Event {
	return c.add(at, at+c.rng.Int64N(5)*1000, true, &pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: session,
		Task: task, Station: station, Outcome: pb.Outcome_OUTCOME_CLEANED}}})
}

var tasksOf = map[pb.Occasion][][2]string{
	pb.Occasion_OCCASION_STARTUP:    {{"start-treater", "treater"}, {"start-path", "web-path"}, {"heads", "print-heads"}},
	pb.Occasion_OCCASION_SHUTDOWN:   {{"shut-treater", "treater"}, {"shut-uv", "uv-1"}, {"heads", "print-heads"}, {"cleaner", "web-cleaner"}},
	pb.Occasion_OCCASION_CHANGEOVER: {{"change", "web-path"}},
	pb.Occasion_OCCASION_ON_DEMAND:  {{"heads", "print-heads"}, {"cleaner", "web-cleaner"}, {"shut-uv", "uv-1"}},
}

// clean is a session in [from, to): its slices are CLEANING, DOWN, OFF or none
// at all (a press isolated makes none). What the crew says of it varies.
func (c *crew) clean(from, to int64, o pb.Occasion) {
	if to-from < 3*minuteMS {
		c.run(from, to, pb.State_STATE_WAITING, "")
		return
	}
	switch c.rng.IntN(5) {
	case 0: // isolated
	case 1:
		half := from + (to-from)/2/minuteMS*minuteMS
		c.run(from, half, pb.State_STATE_CLEANING, "")
		c.run(half, to, pb.State_STATE_OFF, "")
	default:
		c.run(from, to, pb.State_STATE_CLEANING, "")
	}
	if c.rng.IntN(8) == 0 {
		return // nobody recorded it
	}
	c.sessions++
	id := fmt.Sprintf("s%d", c.sessions)
	open := from + c.rng.Int64N(60)*1000
	c.add(open, open, true, &pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: id, Occasion: o}}})
	at := open
	batch := c.rng.IntN(4) == 0 // all tapped at the end
	tasks := slices.Clone(tasksOf[o])
	var second string
	if c.rng.IntN(6) == 0 && len(tasks) > 1 { // a second session beside the first
		c.sessions++
		second = fmt.Sprintf("s%d", c.sessions)
		when := open + (to-open)/4/1000*1000
		c.add(when, when, true, &pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: second, Occasion: o}}})
		end := to - c.rng.Int64N(3)*minuteMS
		defer func() {
			if c.rng.IntN(3) > 0 {
				c.add(end, end, true, &pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: second}}})
			}
		}()
	}
	for i, x := range tasks {
		if c.rng.IntN(6) == 0 {
			if c.rng.IntN(2) == 0 && x[0] != "heads" && x[0] != "cleaner" {
				c.add(at, at, true, &pb.Event{Body: &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: id, Task: x[0], Station: x[1], Reason: "no-access"}}})
			}
			continue
		}
		left := int64(len(tasks) - i + 1)
		if batch {
			at = to - 4000*left
		} else {
			at += max(1000, (to-at)/left/1000*1000)
		}
		if at >= to {
			break
		}
		s := id
		if second != "" && i == len(tasks)-1 {
			s = second
		}
		c.sign(at, s, x[0], x[1])
	}
	switch c.rng.IntN(8) {
	case 0: // never closed; a last task is signed later, perhaps on the run
		if c.rng.IntN(2) == 0 {
			c.sign(to+c.some(1, 12), id, "cleaner", "web-cleaner")
		}
	case 1: // far too late
		late := at + 61*minuteMS + c.rng.Int64N(60)*minuteMS
		c.add(late, late, true, &pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: id}}})
	default:
		end := to - c.rng.Int64N(2)*minuteMS
		if end <= at {
			end = to
		}
		c.add(end, end, true, &pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: id}}})
	}
}

// stint is a stretch of shifts without a pause, and a little around it.
func (c *crew) stint(from, to int64) {
	at := from - c.some(0, 40)
	end := to + c.some(0, 50) - 20*minuteMS
	next := func(low, high int64) int64 { return min(end, at+c.some(low, high)) }
	if c.rng.IntN(6) > 0 {
		n := next(8, 40)
		c.clean(at, n, pb.Occasion_OCCASION_STARTUP)
		at = n
	}
	if c.job == 0 || c.rng.IntN(3) > 0 { // else the job goes on from the day before
		c.newJob(at)
	}
	shut := end - c.some(5, 70)
	for at < shut {
		c.during(&at, shut, next)
	}
	if c.rng.IntN(6) > 0 && at < end {
		c.clean(at, end, pb.Occasion_OCCASION_SHUTDOWN)
		at = end
	}
	if c.rng.IntN(3) == 0 {
		n := at + c.some(5, 90)
		c.run(at, n, pick(c.rng, pb.State_STATE_OFF, pb.State_STATE_PRODUCTION, pb.State_STATE_MAINTENANCE), "")
	}
}

// during is one thing that happens on a press.
func (c *crew) during(at *int64, shut int64, next func(low, high int64) int64) {
	var n int64
	switch c.rng.IntN(14) {
	case 0, 1, 2, 3, 4:
		n = next(15, 110)
		c.run(*at, n, pb.State_STATE_PRODUCTION, "")
		if c.rng.IntN(6) == 0 && n-*at > 6*minuteMS { // cleaned on the run
			c.sign(*at+(n-*at)/2/1000*1000, "", "heads", "print-heads")
		}
	case 5:
		n = next(5, 35)
		c.newJob(*at)
		c.run(*at, n, pb.State_STATE_SETUP, "")
	case 6:
		n = next(1, 25)
		c.run(*at, n, pb.State_STATE_DOWN, pick(c.rng, "", "", "dirty", "broken", "unheard-of", "reel"))
	case 7:
		n = next(1, 4)
		c.run(*at, n, pb.State_STATE_WAITING, pick(c.rng, "", "reel", "material", "approval"))
	case 8:
		n = next(2, 40) // no slices
	case 9:
		n = next(8, 30)
		c.run(*at, n, pb.State_STATE_TRIAL, "")
	case 10:
		n = next(4, 40)
		c.clean(*at, n, pb.Occasion_OCCASION_ON_DEMAND)
	case 11:
		n = next(4, 25)
		c.newJob(*at)
		c.clean(*at, n, pb.Occasion_OCCASION_CHANGEOVER)
	case 12:
		n = next(5, 60)
		c.run(*at, n, pb.State_STATE_MAINTENANCE, pick(c.rng, "", "service", "broken"))
		if c.rng.IntN(2) == 0 {
			c.plant.MaintenanceWindows = append(c.plant.MaintenanceWindows, &pb.MaintenanceWindow{
				From: stamp(*at - 5*minuteMS), To: stamp(*at + (n-*at)/2/1000*1000), Presses: []string{c.press}})
		}
	case 13:
		n = next(1, 20)
		c.run(*at, n, pb.State_STATE_OFF, "")
	}
	*at = n
}

// afterwards is what people say later: notes, bookings, corrections, voids, and
// what a second source told again.
func (c *crew) afterwards() {
	rng := c.rng
	later := func(t int64) int64 { return t + rng.Int64N(30*60)*minuteMS }
	first := c.evs[0].OccurredAt.AsTime().UnixMilli()
	last := c.blocks[len(c.blocks)-1].to
	clip := func(a, b int64) (int64, int64) { return max(a, first), min(b, last) }
	whole := func(n int64) int64 {
		if c.ragged {
			return n
		}
		return n / 1000 * 1000
	}
	var said []*pb.Event
	note := func(a, b int64, kind pb.NoteKind, reason string) {
		if a, b = clip(whole(a), whole(b)); a < b {
			said = append(said, c.add(b, later(b), true, &pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: stamp(a), To: stamp(b), Kind: kind, Reason: reason}}}))
		}
	}
	book := func(a, b, mm int64, cause pb.WasteCause, job string, where pb.WhereFound) {
		if a < b && mm > 0 {
			said = append(said, c.add(b, later(b), true, &pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stamp(a), To: stamp(b), Job: job,
				LengthMm: mm, Cause: cause, Found: where}}}))
		}
	}
	causes := []pb.WasteCause{2, 3, 4, 5, 6, 7, 8}
	across := rng.IntN(4) == 0 // bookings that overlap only partly
	for _, b := range c.blocks {
		n := b.to - b.from
		if b.state != pb.State_STATE_PRODUCTION && rng.IntN(4) == 0 {
			for range 1 + rng.IntN(2) {
				note(b.from-rng.Int64N(4*minuteMS)+minuteMS, b.to-rng.Int64N(n), pb.NoteKind_NOTE_KIND_STOP, pick(rng, "dirty", "dirty", "broken", "people", "reel", "service", "make-ready"))
			}
		}
		if b.state == pb.State_STATE_PRODUCTION && rng.IntN(3) == 0 {
			note(b.from+rng.Int64N(n), b.to+rng.Int64N(3*minuteMS), pb.NoteKind_NOTE_KIND_SLOW, pick(rng, "dirty", "dirty", "material"))
		}
		if b.state == pb.State_STATE_PRODUCTION || b.state == pb.State_STATE_SETUP {
			if across && rng.IntN(3) == 0 {
				a, d := clip(whole(b.from-rng.Int64N(20*minuteMS)), whole(b.to+rng.Int64N(60*minuteMS)))
				book(a, d, 1+rng.Int64N(300_000), pick(rng, causes...), "", pb.WhereFound_WHERE_FOUND_AT_PRESS)
			}
			switch rng.IntN(6) {
			case 0, 1: // the whole block, once to three times
				for range 1 + rng.IntN(3) {
					book(b.from, b.to, 1+rng.Int64N(40_000), pick(rng, causes...), "", pb.WhereFound_WHERE_FOUND_AT_PRESS)
				}
			case 2:
				book(b.from, b.to, 1+rng.Int64N(900_000), pb.WasteCause_WASTE_CAUSE_SETUP, b.job, pb.WhereFound_WHERE_FOUND_UNSPECIFIED)
			case 3:
				book(b.from, b.to, 1+rng.Int64N(900_000), pick(rng, causes...), "", pb.WhereFound_WHERE_FOUND_DOWNSTREAM)
				if rng.IntN(2) == 0 {
					book(b.from, b.to, 1+rng.Int64N(4_000), pick(rng, causes...), "", pb.WhereFound_WHERE_FOUND_AT_PRESS)
				}
			}
		}
	}
	for j := 1; j <= c.job; j++ {
		if rng.IntN(4) == 0 {
			for range 1 + rng.IntN(2) {
				r := pick[int64](rng, 75_000, 96_000, 125_000)
				x := &pb.JobCorrected{Job: fmt.Sprintf("J%d", j), RatedMmPerMin: &r}
				if rng.IntN(4) == 0 {
					x.RatedMmPerMin, x.Family = nil, "other"
				}
				said = append(said, c.add(last, later(last), true, &pb.Event{Body: &pb.Event_JobCorrected{JobCorrected: x}}))
			}
		}
	}
	void := func(epoch, a, b uint64, earliest int64) {
		c.add(last, later(last), true, &pb.Event{Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: epoch, FirstSeq: a, LastSeq: b, Earliest: stamp(earliest)}}})
	}
	for _, e := range slices.Clone(c.evs) {
		if e.GetSlice() == nil && e.GetVoided() == nil && rng.IntN(14) == 0 {
			void(e.Epoch, e.Seq, e.Seq, spokenOf(e))
		}
	}
	for range rng.IntN(4) { // a range: slices and whatever lies between
		i := rng.IntN(len(c.evs))
		j := min(len(c.evs)-1, i+rng.IntN(40))
		if c.evs[i].Epoch != c.evs[j].Epoch {
			continue
		}
		earliest := spokenOf(c.evs[i])
		for _, e := range c.evs[i : j+1] {
			earliest = min(earliest, spokenOf(e))
		}
		void(c.evs[i].Epoch, c.evs[i].Seq, c.evs[j].Seq, earliest)
	}
	c.again()
}

// spokenOf is the earliest instant an event speaks of.
func spokenOf(e *pb.Event) int64 { return min(dirtyFrom(e), e.OccurredAt.AsTime().UnixMilli()) }

// again is a second source: the same keys once more, and slices over those that
// are there.
func (c *crew) again() {
	rng, all := c.rng, slices.Clone(c.evs)
	c.epoch = rng.Uint64() | 1
	for range rng.IntN(4) {
		b := c.blocks[rng.IntN(len(c.blocks))]
		from := b.from + rng.Int64N(b.to-b.from)/1000*1000
		c.run(from, from+c.some(2, 20), pick(rng, pb.State_STATE_PRODUCTION, pb.State_STATE_DOWN, pb.State_STATE_CLEANING), "")
	}
	for _, e := range all {
		if e.SourceKey == "" || e.GetVoided() != nil || rng.IntN(8) > 0 {
			continue
		}
		at := e.RecordedAt.AsTime().UnixMilli() + 1 + rng.Int64N(hourMS)
		x := c.add(e.OccurredAt.AsTime().UnixMilli(), at, false, &pb.Event{Body: e.Body})
		x.SourceKey = e.SourceKey
	}
}
