package duty

import (
	"encoding/binary"
	"errors"
	"maps"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// stateVersion of the bytes. A change of meaning needs a new one.
const stateVersion = 1

// ErrState is returned for bytes that no version of this package wrote.
var ErrState = errors.New("duty: not a state")

// State is what the fold of a day needs of the days before. The zero State is
// that of a press nothing is known of.
type State struct {
	started     bool
	day         timeline.Day // folded last
	end         int64        // where the next day begins, unix ms
	lastProd    int64        // end of the last PRODUCTION, unix ms; 0: none
	lastProdDay timeline.Day // its production day
	job         string       // of the last PRODUCTION with a job
	family      string
	jobEnd      int64 // end of that PRODUCTION
	tasks       map[string]taskState
	grants      []Grant // of sessions that cross into the next day
}

// taskState is one task's clocks and what is open.
type taskState struct {
	station  string
	since    int64        // instant the clocks count from
	sinceDay timeline.Day // its production day
	touch    sinceTouch   // web and run time since the last sign-off
	clean    sinceTouch   // the same since the last clean; ok false: never
	lastAt   int64        // last sign-off, unix ms; 0: none
	lastID   timeline.ID
	cleanAt  int64 // last clean of the day being folded; not carried
	after    int64 // a clock duty opens no earlier; not carried
	usedAt   int64 // last sign-off that discharged a window duty
	usedID   timeline.ID
	rounds   int          // intervals missed or skipped since the last sign-off
	opened   int64        // clock duty: opened; 0: not
	openDay  timeline.Day // production day of that
	openBy   timeline.Cadence
	due      int64 // clock duty: due; 0: not yet
	dueBy    timeline.Cadence
	ran      bool          // a day with a run since the clock duty's interval began
	hidden   bool          // unknown time that could hide a run since then
	gap      int64         // longest unknown stretch while the clock duty was open
	skips    int           // skips in a row
	exposed  ExposureState // after the latest window
	inRow    int           // windows in a row without a clean
}

// sinceTouch is web (mm) and run time (ms) since some sign-off.
type sinceTouch struct {
	ms, mm  int64
	ok      bool
	atLeast bool
}

// clone copies what a fold changes.
func (s State) clone() State {
	s.tasks = maps.Clone(s.tasks)
	if s.tasks == nil {
		s.tasks = map[string]taskState{}
	}
	s.grants = slices.Clone(s.grants)
	return s
}

// Day is the production day folded last; ok is false for the zero State.
func (s State) Day() (d timeline.Day, ok bool) { return s.day, s.started }

// Append appends the state's bytes: the same state gives the same bytes.
// Instants are kept relative to the end of the day folded last, epochs once.
func (s State) Append(b []byte) []byte {
	w := writer{b: append(b, stateVersion), base: s.end}
	w.flag(s.started)
	w.num(s.end)
	w.num(int64(s.day))
	w.at(s.lastProd)
	w.num(int64(s.lastProdDay))
	w.str(s.job)
	w.str(s.family)
	w.at(s.jobEnd)
	w.table(s.epochs())
	w.num(int64(len(s.tasks)))
	for _, slug := range slices.Sorted(maps.Keys(s.tasks)) {
		t := s.tasks[slug]
		w.str(slug)
		w.str(t.station)
		for _, v := range []int64{t.since, t.lastAt, t.usedAt, t.opened, t.due} {
			w.at(v)
		}
		for _, v := range []int64{int64(t.sinceDay - s.day), int64(t.openDay - s.day), t.touch.ms, t.touch.mm,
			t.clean.ms, t.clean.mm, int64(t.rounds), t.gap, int64(t.skips), int64(t.inRow), t.packed()} {
			w.num(v)
		}
		w.id(t.lastID)
		w.id(t.usedID)
	}
	w.num(int64(len(s.grants)))
	for _, g := range s.grants {
		w.id(g.SignOff)
		w.at(g.At)
		w.str(g.Task)
		w.num(g.Standard)
	}
	return w.b
}

// epochs are the epochs of all identities in the state, sorted.
func (s State) epochs() []uint64 {
	var l []uint64
	for _, t := range s.tasks {
		l = append(l, t.lastID.Epoch, t.usedID.Epoch)
	}
	for _, g := range s.grants {
		l = append(l, g.SignOff.Epoch)
	}
	slices.Sort(l)
	return slices.Compact(l)
}

// packed holds the small fields, each in its own digits.
func (t *taskState) packed() int64 {
	var v int64
	for _, f := range []struct{ x, base int64 }{
		{int64(t.exposed), 256}, {int64(t.openBy), 16}, {int64(t.dueBy), 16},
		{bit(t.ran), 2}, {bit(t.hidden), 2}, {bit(t.touch.ok), 2}, {bit(t.touch.atLeast), 2},
		{bit(t.clean.ok), 2}, {bit(t.clean.atLeast), 2},
	} {
		v = v*f.base + f.x
	}
	return v
}

func (t *taskState) unpack(v int64) {
	take := func(base int64) int64 {
		x := v % base
		v /= base
		return x
	}
	t.clean.atLeast = take(2) == 1
	t.clean.ok = take(2) == 1
	t.touch.atLeast = take(2) == 1
	t.touch.ok = take(2) == 1
	t.hidden = take(2) == 1
	t.ran = take(2) == 1
	t.dueBy = timeline.Cadence(take(16))
	t.openBy = timeline.Cadence(take(16))
	t.exposed = ExposureState(take(256))
}

func bit(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// ParseState reads what Append wrote. Empty bytes are the zero State.
func ParseState(b []byte) (State, error) {
	if len(b) == 0 {
		return State{}, nil
	}
	if b[0] != stateVersion {
		return State{}, ErrState
	}
	r := reader{b: b[1:]}
	s := State{started: r.flag(), end: r.num(), tasks: map[string]taskState{}}
	r.base = s.end
	s.day, s.lastProd, s.lastProdDay = timeline.Day(r.num()), r.at(), timeline.Day(r.num())
	s.job, s.family, s.jobEnd = r.str(), r.str(), r.at()
	r.table()
	for n := r.num(); n > 0 && !r.bad; n-- {
		slug := r.str()
		t := taskState{station: r.str()}
		for _, v := range []*int64{&t.since, &t.lastAt, &t.usedAt, &t.opened, &t.due} {
			*v = r.at()
		}
		t.sinceDay, t.openDay = s.day+timeline.Day(r.num()), s.day+timeline.Day(r.num())
		t.touch.ms, t.touch.mm, t.clean.ms, t.clean.mm = r.num(), r.num(), r.num(), r.num()
		t.rounds, t.gap = int(r.num()), r.num()
		t.skips, t.inRow = int(r.num()), int(r.num())
		t.unpack(r.num())
		t.lastID, t.usedID = r.id(), r.id()
		s.tasks[slug] = t
	}
	for n := r.num(); n > 0 && !r.bad; n-- {
		g := Grant{SignOff: r.id(), At: r.at()}
		g.Task, g.Standard = r.str(), r.num()
		s.grants = append(s.grants, g)
	}
	if r.bad || len(r.b) != 0 {
		return State{}, ErrState
	}
	return s, nil
}

type writer struct {
	b     []byte
	base  int64
	epoch []uint64
}

func (w *writer) num(v int64) { w.b = binary.AppendVarint(w.b, v) }

// at writes an instant; 0, no instant, stays 0.
func (w *writer) at(t int64) {
	if t == 0 {
		w.num(0)
		return
	}
	d := t - w.base
	if d >= 0 {
		d++
	}
	w.num(d)
}

func (w *writer) str(s string) {
	w.b = append(binary.AppendUvarint(w.b, uint64(len(s))), s...)
}

func (w *writer) flag(v bool) { w.b = append(w.b, byte(bit(v))) }

func (w *writer) table(epochs []uint64) {
	w.epoch = epochs
	w.num(int64(len(epochs)))
	for _, e := range epochs {
		w.b = binary.LittleEndian.AppendUint64(w.b, e)
	}
}

func (w *writer) id(id timeline.ID) {
	i, _ := slices.BinarySearch(w.epoch, id.Epoch)
	w.num(int64(i))
	w.b = binary.AppendUvarint(w.b, id.Seq)
}

// reader reads what writer wrote; after a fault every value is zero.
type reader struct {
	b     []byte
	base  int64
	epoch []uint64
	bad   bool
}

func (r *reader) fail() { r.b, r.bad = nil, true }

func (r *reader) num() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.fail()
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) at() int64 {
	d := r.num()
	switch {
	case d == 0:
		return 0
	case d > 0:
		d--
	}
	return r.base + d
}

func (r *reader) unsigned() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.fail()
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) str() string {
	n := r.unsigned()
	if n > uint64(len(r.b)) {
		r.fail()
		return ""
	}
	s := string(r.b[:n])
	r.b = r.b[n:]
	return s
}

func (r *reader) flag() bool {
	if len(r.b) == 0 || r.b[0] > 1 {
		r.fail()
		return false
	}
	v := r.b[0] == 1
	r.b = r.b[1:]
	return v
}

func (r *reader) table() {
	for n := r.num(); n > 0; n-- {
		if len(r.b) < 8 {
			r.fail()
			return
		}
		r.epoch = append(r.epoch, binary.LittleEndian.Uint64(r.b))
		r.b = r.b[8:]
	}
}

func (r *reader) id() timeline.ID {
	i := r.num()
	id := timeline.ID{Seq: r.unsigned()}
	if i < 0 || i >= int64(len(r.epoch)) {
		r.fail()
		return timeline.ID{}
	}
	id.Epoch = r.epoch[i]
	return id
}
