package fleetsim

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// dayGen makes one press-day, moving along its shifts.
type dayGen struct {
	*pressSim
	rng  *rand.Rand
	date Day
	plan dayPlan
	t    int64 // now
	stop int64 // production ends here

	level     float64 // the day's waste level
	restartMM int64   // settling waste still to come
	speed     float64 // share of rated speed
	carryMM   float64 // length not yet counted

	extra     map[string]float64 // m that a clean would have avoided, by station
	firstProd int64
	lastProd  int64
	runMM     int64
	runMS     int64
	events    []*pb.Event
	sessions  int
	serviced  bool
	worked    int64    // ms that the last advance worked
	after     []string // stations left at the end of the day
	clean     []string // stations cleaned at the end of the day
}

// day generates one production day: its slices (good until the next call) and
// the other events taken down by its end, in the order they are taken down.
// Later entries stay pending.
func (p *pressSim) day(date Day, counted bool) ([]slice, []*pb.Event) {
	plan, open := planOf(p.plant, p.press.Press, p.zone, date)
	p.slices = p.slices[:0]
	end := instant(p.zone, date+1, 6*60) // late entries of this day end here
	if open {
		d := &dayGen{pressSim: p, date: date, plan: plan, t: plan.from, stop: plan.to, extra: map[string]float64{},
			rng: rand.New(rand.NewPCG(p.seed^0x9e3779b97f4a7c15*uint64(p.index+1), uint64(date)))}
		d.work()
		d.close(counted)
		p.pending = append(p.pending, d.events...)
		end = max(end, plan.to+second)
	}
	slices.SortStableFunc(p.pending, func(a, b *pb.Event) int { return cmp.Compare(recorded(a), recorded(b)) })
	n := 0
	for n < len(p.pending) && recorded(p.pending[n]) < end {
		n++
	}
	taken := p.pending[:n:n]
	p.pending = slices.Clone(p.pending[n:])
	return p.slices, taken
}

func recorded(e *pb.Event) int64 { return e.RecordedAt.Seconds*1000 + int64(e.RecordedAt.Nanos)/1e6 }

// work is the day's story.
func (d *dayGen) work() {
	d.level = math.Exp(0.18 * d.rng.NormFloat64())
	for _, x := range d.dirt {
		x.startKm = x.km
	}
	d.startup()
	for _, x := range d.dirt {
		x.startKm = x.km // km of a station cleaned now is 0
	}
	shutdown := d.planShutdown()
	for d.t < d.stop {
		if d.job == nil {
			d.newJob()
		}
		if d.job.setupLeft > 0 {
			d.setup()
			continue
		}
		d.produce()
	}
	d.shutdown(shutdown)
	d.advance(d.plan.to-d.t, d.plan.to, pb.State_STATE_WAITING, nil)
}

// advance lets dur ms of working time pass in one state, up to limit; breaks
// on the way are OFF and do not count. Slices are cut at UTC minutes. fill may
// set lengths. It returns when the state began and ended.
func (d *dayGen) advance(dur, limit int64, state pb.State, fill func(s *slice)) (from, to int64) {
	from, d.worked = -1, 0
	for dur > 0 && d.t < limit {
		next := min(d.t+dur, limit)
		st, inBreak := state, false
		for _, b := range d.plan.breaks {
			if d.t >= b.from && d.t < b.to {
				st, inBreak, next = pb.State_STATE_OFF, true, min(b.to, d.plan.to)
			} else if b.from > d.t && b.from < next {
				next = b.from
			}
		}
		if !inBreak && from < 0 {
			from = d.t
		}
		for d.t < next {
			e := min(next, d.t-d.t%minute+minute)
			s := slice{from: d.t, to: e, state: st}
			if !inBreak {
				if fill != nil {
					fill(&s)
				}
				dur -= e - d.t
				d.worked += e - d.t
			}
			d.slices = append(d.slices, s)
			d.t = e
		}
	}
	if from < 0 {
		from = d.t
	}
	return from, d.t
}

// newJob opens the next job.
func (d *dayGen) newJob() {
	d.jobs++
	r := d.rng
	f := families[r.IntN(len(families))]
	if d.lastFam != "" && r.Float64() < 0.45 { // jobs of a family are grouped
		for _, x := range families {
			if x.slug == d.lastFam {
				f = x
			}
		}
	}
	k := d.kind
	j := &job{id: fmt.Sprintf("J%05d", 10000+d.jobs), fam: f, waste: math.Exp(0.15 * r.NormFloat64()),
		rated:  int64(math.Round(float64(d.press.RatedMmPerMin)*f.rated/5000)) * 5000,
		leftKm: min(max(k.jobKm*math.Exp(0.6*r.NormFloat64()), 0.8), k.jobKm*5),
		setupM: k.setupM * math.Exp(0.35*r.NormFloat64())}
	j.setupLeft = int64((k.setupLow + k.setupSpn*r.Float64()) * float64(minute))
	if f.slug == d.lastFam {
		j.setupLeft = j.setupLeft * 7 / 10
	}
	planned := int64(j.leftKm*1000) * 1000
	d.event(d.t, &pb.Event{Body: &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: j.id, Family: f.slug, Substrate: f.substrate,
		RatedMmPerMin: &j.rated, PlannedMm: planned}}})
	d.changeover(j, f.slug != d.lastFam && d.lastFam != "")
	d.job, d.lastFam = j, f.slug
	d.speed = 0.84 + 0.14*r.Float64()
}

// setup makes the job ready; waste comes in the second half.
func (d *dayGen) setup() {
	j := d.job
	total := j.setupLeft
	done := int64(0)
	var mm int64
	from, to := d.advance(total, d.stop, pb.State_STATE_SETUP, func(s *slice) {
		s.job = j.id
		n := s.to - s.from
		if done >= total/2 && j.setupM > 0 {
			x := int64(j.setupM * 1000 * float64(n) / float64(total-total/2))
			s.waste = x
			mm += x
		}
		done += n
	})
	j.setupLeft -= done
	if j.setupLeft > 0 { // goes on tomorrow
		j.setupM *= float64(j.setupLeft) / float64(total)
		return
	}
	d.restartMM += int64(3000 + 9000*d.rng.Float64())
	if mm > 0 && d.rng.Float64() < 0.55 {
		d.book(to+d.spread(2, 15), from, to+10*minute, j.id, mm, pb.WasteCause_WASTE_CAUSE_SETUP, "")
	}
}

// produce runs until something happens, and lets it happen.
func (d *dayGen) produce() {
	r, j := d.rng, d.job
	speed := float64(j.rated) * d.speed // mm/min
	for i := range mechanisms {
		m := &mechanisms[i]
		speed *= 1 - m.slow*min(1, m.level(d.dirt[m.station].km, d.soilKm))
	}
	perKm := 1e6 / speed * float64(minute) // ms
	after := func(mean float64) int64 { return int64(r.ExpFloat64()*mean*float64(minute)) + 1 }
	type next struct {
		in int64
		do func()
	}
	what := next{int64(j.leftKm*perKm) + 1, d.endJob}
	for _, n := range []next{
		{int64(d.reelKm*perKm) + 1, d.reelChange},
		{after(55), d.minorStop},
		{after(1700), d.breakdown},
		{after(700), d.waiting},
		{after(5000), d.trial},
		{after(1100), d.contamination},
		{after(600), d.materialFault},
		{after(45), func() { d.speed = 0.84 + 0.14*d.rng.Float64() }},
		{after(420), d.slowRun},
	} {
		if n.in < what.in {
			what = n
		}
	}
	if w := d.maintenance(); w > 0 && w-d.t < what.in {
		what = next{max(w-d.t, 0), d.service}
	}
	if what.in > 0 {
		d.run(what.in, speed)
	}
	if d.t < d.stop {
		what.do()
	}
}

// run is PRODUCTION at one speed (mm/min) for dur ms.
func (d *dayGen) run(dur int64, speed float64) (from, to int64) {
	j := d.job
	base := d.kind.waste * d.factor * d.level * j.fam.waste * j.waste * math.Exp(0.2*d.rng.NormFloat64())
	return d.advance(dur, d.stop, pb.State_STATE_PRODUCTION, func(s *slice) {
		ms := s.to - s.from
		f := speed*float64(ms)/float64(minute) + d.carryMM
		mm := int64(f)
		d.carryMM = f - float64(mm)
		waste := float64(mm) * base * d.rng.ExpFloat64()
		km := float64(mm) / 1e6
		dirty := 1.0
		for i := range mechanisms {
			m := &mechanisms[i]
			dirty *= 1 + float64(d.gain[m.station]*m.level(d.dirt[m.station].km, d.soilKm))
		}
		for i := range mechanisms {
			m := &mechanisms[i]
			if x := d.dirt[m.station]; x.left {
				own := 1 + float64(d.gain[m.station]*m.level(x.km, d.soilKm))
				clean := 1 + float64(d.gain[m.station]*m.level(x.km-x.startKm, d.soilKm))
				d.extra[m.station] += float64(waste * dirty * (1 - clean/own))
			}
		}
		w := min(int64(waste*dirty+0.5), mm)
		if d.restartMM > 0 {
			x := min(d.restartMM, (mm-w)*9/10)
			w += x
			d.restartMM -= x
		}
		s.job, s.rated, s.good, s.waste = j.id, j.rated, mm-w, w
		j.started = true
		j.leftKm -= km
		d.reelKm -= km
		for _, x := range d.dirt {
			x.km += km
			x.hours += float64(ms) / float64(hour)
		}
		if d.firstProd == 0 {
			d.firstProd = s.from
		}
		d.lastProd = s.to
		d.runMM += mm
		d.runMS += ms
	})
}

// close sums the day up for the truth.
func (d *dayGen) close(counted bool) {
	if d.runMS >= 10*minute {
		d.bookContamination()
	}
	for s, x := range d.dirt {
		if !x.left || !counted || d.runMS < 10*minute {
			continue
		}
		t := d.truth[s]
		t.runs++
		t.extra += d.extra[s] / 1000
		t.days = append(t.days, runTruth{Day: d.date.String(), Extra: math.Round(d.extra[s]) / 1000})
	}
	// What the shut-down left or cleaned counts for the next run.
	for _, s := range d.after {
		d.dirt[s].left = true
	}
	for _, s := range d.clean {
		d.dirt[s].left = false
	}
}

// lines writes slices and events in the order they are taken down.
func (p *pressSim) lines(sl []slice, ev []*pb.Event, c Count) []byte {
	b := p.buf[:0]
	for i := range sl {
		s := &sl[i]
		for len(ev) > 0 && recorded(ev[0]) < s.to+sliceDelay {
			b = AppendLine(b, ev[0])
			c[bodyName(ev[0])]++
			ev = ev[1:]
		}
		b = appendSlice(b, p.head, s)
	}
	if n := int64(len(sl)); n > 0 {
		c["slice"] += n
	}
	for _, e := range ev {
		b = AppendLine(b, e)
		c[bodyName(e)]++
	}
	p.buf = b
	return b
}

func bodyName(e *pb.Event) string {
	m := e.ProtoReflect()
	return string(m.WhichOneof(m.Descriptor().Oneofs().ByName("body")).Name())
}
