package page

import (
	"cmp"
	"crypto/sha256"
	"slices"
	"strconv"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// row is one task on the sheet.
type row struct {
	Task, Station, Name, Text string
	Duty                      string // which duty of the task, see dutyOf
	Code                      string
	Minutes                   float64
	Hazards                   []pb.Hazard
	Isolate, Safety           bool
	Risk, Order               int
	Outcomes                  []pb.Outcome
	Also                      []string

	Due      time.Time // zero: no instant
	Expected bool
	Overdue  time.Duration
	opens    int64 // unix ms; 0: not said
	lastDone int64
	group    group

	Done *entry // signed or skipped
}

type group int

// Groups of the sheet, in its order.
const (
	dueNow group = iota
	atJobChange
	dueLater
	notDue
)

func (r *row) id() string { return r.Task + "." + r.Duty }

// dutyOf names a duty so that two tablets with sheets of different age name it
// alike: a duty of a production day by that day, one of a job change or of a
// clock, which each sign-off sets back, by its kind.
func dutyOf(d *pb.DueDuty) string {
	switch d.GetCadence() {
	case pb.Cadence_CADENCE_STARTUP:
		return "startup-" + d.GetDay()
	case pb.Cadence_CADENCE_SHUTDOWN:
		return "shutdown-" + d.GetDay()
	case pb.Cadence_CADENCE_JOB_CHANGE:
		return "job-change"
	}
	return "clock"
}

// How long before its instant a duty of a clock is shown as due now: of run
// hours and kilometers, and of days and weeks, whose instant is a shift's end.
const (
	soonRun  = 2 * time.Hour
	soonDays = 12 * time.Hour
)

// isNow says whether a duty is shown as due now: it is overdue, its window is
// open, or its clock is about to run out.
func isNow(d *pb.DueDuty, r *row, now time.Time) bool {
	if r.Overdue > 0 || !r.Due.After(now) {
		return true
	}
	switch d.GetCadence() {
	case pb.Cadence_CADENCE_STARTUP, pb.Cadence_CADENCE_SHUTDOWN:
		return r.opens <= now.UnixMilli()
	case pb.Cadence_CADENCE_DAYS, pb.Cadence_CADENCE_WEEKLY:
		return r.Due.Sub(now) <= soonDays
	}
	return r.Due.Sub(now) <= soonRun
}

// rows of a sheet at an instant: what is due, with what was signed here since,
// in working order, what can hurt most first.
func rows(s *pb.PressSheet, list []entry, open *entry, now time.Time) []row {
	var out []row
	seen := map[string]bool{}
	add := func(r row) {
		if seen[r.id()] {
			return
		}
		seen[r.id()] = true
		out = append(out, r)
	}
	for _, d := range s.GetDue().GetDuties() {
		r := dueRow(d)
		if r.group = dueLater; isNow(d, &r, now) {
			r.group = dueNow
		}
		if !r.Due.IsZero() && !r.Expected && now.After(r.Due) {
			r.Overdue = max(r.Overdue, now.Sub(r.Due))
		}
		add(r)
	}
	for _, d := range s.GetDue().GetAtJobChange() {
		r := dueRow(d)
		if r.group = atJobChange; open != nil && pb.Occasion(open.Occasion) == pb.Occasion_OCCASION_CHANGEOVER {
			r.group = dueNow
		}
		add(r)
	}
	for i, t := range s.GetTasks() {
		if slices.ContainsFunc(out, func(r row) bool { return r.Task == t.GetSlug() && r.group != dueLater }) {
			continue
		}
		r := row{Task: t.GetSlug(), Station: t.GetStation(), Text: t.GetText(), Duty: "extra", Minutes: t.GetStandardMinutes(), Hazards: t.GetHazards(),
			Isolate: t.GetIsolate(), Safety: t.GetSafety(), Order: i + 1, Outcomes: t.GetOutcomes(), Also: t.GetAlsoDischarges(), group: notDue}
		r.Risk = risk(&r)
		if !slices.ContainsFunc(out, func(o row) bool { return o.Task == r.Task }) {
			add(r)
		}
	}
	codes := taskCodes(s)
	for i := range out {
		out[i].Code = codes[out[i].Task]
		for _, st := range s.GetStations() {
			if st.GetSlug() == out[i].Station && st.GetName() != "" {
				out[i].Name = st.GetName()
			}
		}
		if out[i].Name == "" {
			out[i].Name = out[i].Station
		}
	}
	slices.SortStableFunc(out, func(a, b row) int {
		return cmp.Or(cmp.Compare(a.group, b.group), cmp.Compare(a.Risk, b.Risk), cmp.Compare(a.Order, b.Order), a.Due.Compare(b.Due))
	})
	return settle(out, list, open, s.GetDue().GetFrontier().AsTime().UnixMilli(), now)
}

func dueRow(d *pb.DueDuty) row {
	r := row{Task: d.GetTask(), Station: d.GetStation(), Name: d.GetStationName(), Text: d.GetText(), Duty: dutyOf(d), Minutes: d.GetStandardMinutes(),
		Hazards: d.GetHazards(), Isolate: d.GetIsolate(), Safety: d.GetSafety(), Risk: int(d.GetRisk()), Order: int(d.GetOrder()), Outcomes: d.GetOutcomes(),
		Also: d.GetAlsoDischarges(), Expected: d.GetExpected(), Overdue: time.Duration(d.GetOverdueMs()) * time.Millisecond}
	if d.DueAt != nil {
		r.Due = d.DueAt.AsTime()
	}
	if d.OpensAt != nil {
		r.opens = d.OpensAt.AsTime().UnixMilli()
	}
	if d.LastDoneAt != nil {
		r.lastDone = d.LastDoneAt.AsTime().UnixMilli()
	}
	if r.Risk == 0 {
		r.Risk = risk(&r)
	}
	return r
}

// risk as the server ranks it: safety tasks, isolation, other hazards, none.
func risk(r *row) int {
	switch {
	case r.Safety:
		return 1
	case r.Isolate:
		return 2
	case len(r.Hazards) > 0:
		return 3
	}
	return 4
}

// settle puts what was signed here beside the rows it stands for. One touch
// stands for one duty of its task, and for those that the plan says it also
// discharges.
func settle(out []row, list []entry, open *entry, frontier int64, now time.Time) []row {
	for i := range list {
		e := &list[i]
		if e.Kind != signed && e.Kind != skipped {
			continue
		}
		ours := open != nil && e.Session == open.Session
		if !ours && now.UnixMilli()-e.At > countsFor.Milliseconds() {
			continue
		}
		if own := find(out, e, func(r *row) bool { return r.Task == e.Task && stands(r, e, ours, frontier) }); own != nil {
			own.Done = e
			if e.Kind == signed {
				for k := range out {
					if r := &out[k]; r.Done == nil && slices.Contains(own.Also, r.Task) && stands(r, e, ours, frontier) {
						r.Done = e
					}
				}
			}
		}
	}
	for i := range out { // done in this session: not folded away
		if r := &out[i]; r.Done != nil && open != nil && r.Done.Session == open.Session {
			r.group = dueNow
		}
	}
	slices.SortStableFunc(out, func(a, b row) int { return cmp.Compare(a.group, b.group) })
	return out
}

// find prefers the row whose very duty was touched.
func find(out []row, e *entry, ok func(r *row) bool) *row {
	var best *row
	for i := range out {
		if r := &out[i]; r.Done == nil && ok(r) && (best == nil || r.Duty == e.Duty) {
			best = r
		}
	}
	return best
}

// stands says whether a touch is for a row's duty. What the server has counted
// already (it is the task's last sign-off) is not for the next duty; a skip is
// counted once the server's data is past it.
func stands(r *row, e *entry, ours bool, frontier int64) bool {
	if r.group == notDue {
		return ours
	}
	if e.Kind == signed && e.At <= r.lastDone || e.Kind == skipped && !ours && e.At <= frontier {
		return false
	}
	return e.Duty == r.Duty && (ours || r.Duty != "job-change") || e.At >= r.opens && r.group == dueNow && r.Duty != "job-change"
}

// taskCodes gives each task of a plan a short code for paper. It is made from
// the task's own name, so that it stays when the plan is changed around it.
func taskCodes(s *pb.PressSheet) map[string]string {
	var names []string
	for _, t := range s.GetTasks() {
		names = append(names, t.GetSlug())
	}
	for _, d := range append(slices.Clone(s.GetDue().GetDuties()), s.GetDue().GetAtJobChange()...) {
		names = append(names, d.GetTask())
	}
	slices.Sort(names)
	out, taken := map[string]string{}, map[string]bool{}
	for _, n := range slices.Compact(names) {
		for try := 0; ; try++ {
			code := codeOf(n, try)
			if !taken[code] {
				out[n], taken[code] = code, true
				break
			}
		}
	}
	return out
}

// Letters and digits of codes: none that is easily taken for another in
// handwriting.
const (
	codeLetters = "ACDEFHJKLMNPRTUVWXY"
	codeDigits  = "34679"
)

// codeOf is two letters and a digit: never a word.
func codeOf(name string, try int) string {
	sum := sha256.Sum256([]byte(name + "/" + strconv.Itoa(try)))
	return string([]byte{codeLetters[int(sum[0])%len(codeLetters)], codeLetters[int(sum[1])%len(codeLetters)], codeDigits[int(sum[2])%len(codeDigits)]})
}
