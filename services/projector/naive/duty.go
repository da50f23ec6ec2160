package naive

import (
	"math/big"
	"sort"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// made is the PRODUCTION of one production day.
type made struct {
	day         string
	span              // of the day
	first, last int64 // start of the first, end of the last; 0: none
	ran         int64 // ms
}

// production adds PRODUCTION up by production day, in order. A run over a
// boundary belongs to both days.
func (w *walk) production() []made {
	var out []made
	for i, d := range w.cal.days {
		m := made{day: d.day, span: span{d.at, 1 << 62}}
		if i+1 < len(w.cal.days) {
			m.to = w.cal.days[i+1].at
		}
		if m.to <= w.log.first || m.from >= w.log.frontier {
			continue
		}
		for _, r := range w.log.runs() {
			if n := overlap(r, m.span); n > 0 {
				if m.first == 0 {
					m.first = max(r.from, m.from)
				}
				m.last = min(r.to, m.to)
				m.ran += n
			}
		}
		out = append(out, m)
	}
	return out
}

const ranEnough = 10 * 60_000 // ms of PRODUCTION in a day on which a press ran

// granted says, by sign-off (index in log.facts), the standard minutes of the
// duties it discharges.
func (w *walk) granted() map[int]*big.Rat {
	out := map[int]*big.Rat{}
	days := w.production()
	for _, slug := range w.slugs() {
		var signs []int
		for i, f := range w.log.facts {
			if s := f.ev.GetStationSignedOff(); s != nil && s.Task == slug {
				signs = append(signs, i)
			}
		}
		used := map[int]bool{}
		discharge := func(day string, from, closes int64, cadence pb.Cadence, idle bool) {
			task := w.task(slug, day)
			if task == nil || trigger(task, cadence) == nil {
				return
			}
			for _, i := range signs {
				if t := w.log.facts[i].at; !used[i] && t >= from && t <= closes {
					used[i] = !idle // a day without a run uses no sign-off up
					out[i] = decimal(task.StandardMinutes)
					return
				}
			}
		}
		for n, d := range days {
			grace := w.grace(slug, d.day)
			planned := w.cal.lastShiftEnd(d.day) != 0
			if d.first == 0 && !planned {
				continue
			}
			// Start-up. A day without a run keeps its window to its end.
			opens, rules, due, closes := int64(0), d.day, d.first, d.first+grace
			for _, before := range days[:n] {
				if before.first != 0 {
					opens, rules = before.last, before.day
				}
			}
			over := w.log.frontier >= d.to
			idle := d.ran < ranEnough && over
			if idle || d.first == 0 {
				closes = d.to
				if d.first == 0 {
					due = w.cal.firstShift(d.day)
				}
			}
			discharge(rules, max(opens, due-w.validFor()), closes, pb.Cadence_CADENCE_STARTUP, idle)
			// Shut-down.
			end := w.cal.lastShiftEnd(d.day)
			opens, closes = max(end-2*3_600_000, d.first), end+12*3_600_000
			if !planned {
				opens = d.first
			}
			if d.first != 0 {
				closes = d.last + 12*3_600_000
			}
			for _, after := range days[n+1:] {
				if after.first != 0 {
					closes = min(closes, after.first)
					break
				}
			}
			if opens >= closes {
				if !over {
					continue // it may run again
				}
				opens = d.last // it stopped long before the window would open
			}
			discharge(d.day, opens, closes, pb.Cadence_CADENCE_SHUTDOWN, idle)
		}
		for _, c := range w.changes() {
			task := w.task(slug, c.day)
			if g := trigger(task, pb.Cadence_CADENCE_JOB_CHANGE); g != nil && (g.SameFamily || !c.same) {
				discharge(c.day, c.from, c.to, pb.Cadence_CADENCE_JOB_CHANGE, false)
			}
		}
		for i, g := range w.clocks(slug, signs) {
			if !used[i] {
				out[i] = g
			}
		}
	}
	return out
}

// change is from the old job's last PRODUCTION to the new job's first.
type change struct {
	span
	day  string
	same bool // both jobs are of one known family
}

func (w *walk) changes() []change {
	var out []change
	job, end := "", int64(0)
	for _, p := range w.log.pieces {
		s := w.log.slices[p.slice].ev.GetSlice()
		if s.State != pb.State_STATE_PRODUCTION || s.Job == "" {
			continue
		}
		if job != "" && s.Job != job {
			a, b := w.family(job), w.family(s.Job)
			out = append(out, change{span{end, p.from}, w.cal.dayAt(p.from), a != "" && a == b})
		}
		job, end = s.Job, p.to
	}
	return out
}

// family of a job: as corrected last, else as started.
func (w *walk) family(job string) string {
	family := ""
	var best *fact
	for i, f := range w.log.facts {
		if j := f.ev.GetJobStarted(); j != nil && j.Job == job && best == nil {
			family = j.Family
		}
		if c := f.ev.GetJobCorrected(); c != nil && c.Job == job && c.Family != "" && (best == nil || earlier(*best, f)) {
			best, family = &w.log.facts[i], c.Family
		}
	}
	return family
}

// clocks are the sign-offs that come after a task's run clock has counted four
// fifths of its interval, when its duty opens.
func (w *walk) clocks(slug string, signs []int) map[int]*big.Rat {
	out := map[int]*big.Rat{}
	since := int64(0)
	sort.Slice(signs, func(a, b int) bool { return w.log.facts[signs[a]].at < w.log.facts[signs[b]].at })
	for _, i := range signs {
		at := w.log.facts[i].at
		if task := w.task(slug, w.cal.dayAt(at)); task != nil {
			for _, g := range task.Triggers {
				due := false
				switch g.Cadence {
				case pb.Cadence_CADENCE_RUN_KM:
					length := new(big.Rat)
					for _, p := range w.log.pieces {
						s := w.log.slices[p.slice]
						b := s.ev.GetSlice()
						length.Add(length, part(b.GoodMm+b.WasteMm, overlap(span{p.from, p.to}, span{since, at}), s.to-s.from))
					}
					due = length.Cmp(new(big.Rat).Mul(decimal(g.Every), whole(1_000_000*4/5))) >= 0
				case pb.Cadence_CADENCE_RUN_HOURS:
					run := int64(0)
					for _, r := range w.log.runs() {
						run += overlap(r, span{since, at})
					}
					due = whole(run).Cmp(new(big.Rat).Mul(decimal(g.Every), whole(3_600_000*4/5))) >= 0
				}
				if due {
					out[i] = decimal(task.StandardMinutes)
				}
			}
		}
		since = at
	}
	return out
}

func overlap(a, b span) int64 { return max(0, min(a.to, b.to)-max(a.from, b.from)) }

func trigger(t *pb.Task, c pb.Cadence) *pb.Trigger {
	for _, g := range t.Triggers {
		if g.Cadence == c {
			return g
		}
	}
	return nil
}

// plan is the cleaning plan of the press on a production day: its own before its
// kind's, the latest of each.
func (w *walk) plan(date string) *pb.CleaningPlan {
	var own, kind *pb.CleaningPlan
	for _, p := range w.plant.Plans {
		switch {
		case p.ValidFrom > date:
		case p.Press == w.press.Press && (own == nil || p.ValidFrom >= own.ValidFrom):
			own = p
		case p.Press == "" && p.Kind == w.press.Kind && (kind == nil || p.ValidFrom >= kind.ValidFrom):
			kind = p
		}
	}
	if own != nil {
		return own
	}
	return kind
}

func (w *walk) task(slug, date string) *pb.Task {
	if p := w.plan(date); p != nil {
		for _, t := range p.Tasks {
			if t.Slug == slug {
				return t
			}
		}
	}
	return nil
}

func (w *walk) slugs() []string {
	seen := map[string]bool{}
	var out []string
	for _, p := range w.plant.Plans {
		if p.Press == w.press.Press || p.Press == "" && p.Kind == w.press.Kind {
			for _, t := range p.Tasks {
				if !seen[t.Slug] {
					seen[t.Slug] = true
					out = append(out, t.Slug)
				}
			}
		}
	}
	return out
}

func (w *walk) grace(slug, day string) int64 {
	if t := w.task(slug, day); t != nil && t.GraceMinutes > 0 {
		return int64(t.GraceMinutes * 60_000)
	}
	if w.plant.GraceMinutes > 0 {
		return int64(w.plant.GraceMinutes * 60_000)
	}
	return 30 * 60_000
}

func (w *walk) validFor() int64 {
	if w.plant.ValidForHours > 0 {
		return int64(w.plant.ValidForHours * 3_600_000)
	}
	return 16 * 3_600_000
}
