package counter

import (
	"encoding/json"
	"fmt"
	"math/bits"
)

// Maker makes slices of one press's samples. Not for several goroutines.
type Maker struct {
	cfg Config
	st  state

	slices  []Slice
	reports []Report
}

// state is all a Maker remembers, and what Save writes.
type state struct {
	Has  bool   `json:"has"`
	Last Sample `json:"last"`
	// Back is a sample far behind Last: a late one, or the first after the
	// source's clock was set back.
	HasBack bool   `json:"hasBack"`
	Back    Sample `json:"back"`
	// GoodSeen: of the open job, a good length has been counted.
	GoodSeen bool `json:"goodSeen"`
	// Open slice, not yet given out.
	HasOpen bool  `json:"hasOpen"`
	Open    Slice `json:"open"`
	// Carry of the counters, in 1/Den mm, not yet in any slice.
	GoodCarry  uint64 `json:"goodCarry"`
	WasteCarry uint64 `json:"wasteCarry"`
}

// New maker; cfg must be valid.
func New(cfg Config) (*Maker, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	return &Maker{cfg: cfg.filled()}, nil
}

// Restore is New with what Save wrote: as if there had been no break.
func Restore(cfg Config, saved []byte) (*Maker, error) {
	m, err := New(cfg)
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(saved, &m.st); err != nil {
		return nil, fmt.Errorf("counter: saved state: %w", err)
	}
	st := &m.st
	o := st.Open
	if st.HasOpen && (!st.Has || o.From >= o.To || o.To != st.Last.At || floorDiv(o.From, 60_000) != floorDiv(o.To-1, 60_000) || o.Good < 0 || o.Waste < 0) ||
		st.GoodCarry >= m.cfg.Good.Den || st.WasteCarry >= m.cfg.Waste.Den || !inTime(st.Last.At) || !inTime(st.Back.At) {
		return nil, fmt.Errorf("counter: saved state does not fit the settings")
	}
	return m, nil
}

// Save what Restore needs to go on after the last sample.
func (m *Maker) Save() []byte {
	b, err := json.Marshal(&m.st)
	if err != nil {
		panic(err) // numbers, texts and flags
	}
	return b
}

// Add a sample. The slices that are whole with it and the reports are the
// caller's until the next call.
func (m *Maker) Add(s Sample) ([]Slice, []Report) {
	m.slices, m.reports = m.slices[:0], m.reports[:0]
	m.add(s)
	return m.slices, m.reports
}

// Close gives out the open slice; a later sample joins on to it.
func (m *Maker) Close() ([]Slice, []Report) {
	m.slices, m.reports = m.slices[:0], m.reports[:0]
	m.shut()
	return m.slices, m.reports
}

// Step tells that the clock the samples are stamped with was set from before
// to after, unix ms: the open slice is closed at the last sample, and the next
// one begins anew.
func (m *Maker) Step(before, after int64) ([]Slice, []Report) {
	m.slices, m.reports = m.slices[:0], m.reports[:0]
	m.shut()
	m.report(Report{Kind: Stepped, From: before, To: after})
	m.st.Has, m.st.HasBack = false, false
	return m.slices, m.reports
}

// Times are held between the years 1 and 9999, so that no sum overflows.
func inTime(ms int64) bool { return ms > -62_135_596_800_000 && ms < 253_402_300_800_000 }

func (m *Maker) add(s Sample) {
	st := &m.st
	switch {
	case !inTime(s.At):
		m.report(Report{Kind: Late, From: s.At})
		return
	case !st.Has:
		m.begin(s)
		return
	case s == st.Last || st.HasBack && s == st.Back:
		m.report(Report{Kind: Duplicate, From: s.At})
		return
	}
	if st.HasBack {
		back := st.Back
		st.HasBack = false
		if s.At > back.At && s.At-back.At <= m.cfg.MaxGapMs && s.At < st.Last.At-StepMs {
			m.shut()
			m.report(Report{Kind: Stepped, From: st.Last.At, To: back.At})
			m.begin(back)
			m.add(s)
			return
		}
		m.report(Report{Kind: Late, From: back.At})
	}
	if s.At <= st.Last.At {
		if s.At < st.Last.At-StepMs {
			st.HasBack, st.Back = true, s
			return
		}
		m.report(Report{Kind: Late, From: s.At})
		return
	}
	m.between(st.Last, s)
	m.job(s)
	st.Last = s
}

// begin takes s as the first sample: there is no time before it.
func (m *Maker) begin(s Sample) {
	m.job(s)
	m.st.Has, m.st.Last = true, s
}

// job notices that another job, or none, is open from s on.
func (m *Maker) job(s Sample) {
	l := &m.st.Last
	if !m.st.Has || s.JobOpen != l.JobOpen || s.JobOpen && s.Job != l.Job {
		m.st.GoodSeen = false
	}
}

// between accounts for the time from a to b.
func (m *Maker) between(a, b Sample) {
	kind := Kind("")
	if b.At-a.At > m.cfg.MaxGapMs {
		kind = Gap
	}
	if !a.Power && kind == "" {
		kind = NoPower
	}
	if kind != "" {
		m.shut()
		r := Report{Kind: kind, From: a.At, To: b.At}
		// The fraction carried stays: it was counted in covered time.
		r.Good = m.apart("good", m.cfg.Good, a, b, a.Good, b.Good)
		r.Waste = m.apart("waste", m.cfg.Waste, a, b, a.Waste, b.Waste)
		m.report(r)
		// A counter that moved while nobody looked, for the same job, has seen good length.
		m.st.GoodSeen = m.st.GoodSeen || r.Good > 0
		return
	}
	good := m.rise("good", m.cfg.Good, &m.st.GoodCarry, a, b, a.Good, b.Good)
	waste := m.rise("waste", m.cfg.Waste, &m.st.WasteCarry, a, b, a.Waste, b.Waste)
	state := m.state(a)
	m.cover(a, b, state, good, waste)
	m.st.GoodSeen = m.st.GoodSeen || good > 0
}

func (m *Maker) state(a Sample) State {
	switch {
	case a.Speed >= m.cfg.Threshold && a.GoodOn:
		return Production
	case a.JobOpen && !m.st.GoodSeen:
		return Setup
	case a.Fault:
		return Down
	}
	return Waiting
}

// cover adds [a, b) with its lengths to the slices, cut at UTC minutes. A
// length is shared out by time, the remainder going to the last part.
func (m *Maker) cover(a, b Sample, state State, good, waste int64) {
	s := Slice{From: a.At, State: state}
	if a.JobOpen {
		s.Job, s.Rated = a.Job, max(a.Rated, 0)
	}
	for s.From < b.At {
		s.To = min(b.At, (floorDiv(s.From, 60_000)+1)*60_000)
		s.Good, s.Waste = good, waste
		if s.To < b.At {
			s.Good = share(good, s.To-s.From, b.At-s.From)
			s.Waste = share(waste, s.To-s.From, b.At-s.From)
		}
		good, waste = good-s.Good, waste-s.Waste
		m.join(s)
		s.From = s.To
	}
}

// share is n*part/whole rounded down; n is at most MaxSliceMm, whole 60,000.
func share(n, part, whole int64) int64 { return n * part / whole }

// join puts a piece on the open slice or opens another; a slice that has
// reached its minute's end is given out.
func (m *Maker) join(s Slice) {
	o := &m.st.Open
	if m.st.HasOpen && (o.To != s.From || o.State != s.State || o.Job != s.Job || o.Rated != s.Rated || o.Good > MaxSliceMm-s.Good || o.Waste > MaxSliceMm-s.Waste) {
		m.shut()
	}
	if m.st.HasOpen {
		o.To, o.Good, o.Waste = s.To, o.Good+s.Good, o.Waste+s.Waste
	} else {
		m.st.HasOpen, *o = true, s
	}
	if floorMod(o.To, 60_000) == 0 {
		m.shut()
	}
}

func (m *Maker) shut() {
	if m.st.HasOpen {
		m.slices = append(m.slices, m.st.Open)
		m.st.HasOpen, m.st.Open = false, Slice{}
	}
}

func (m *Maker) report(r Report) { m.reports = append(m.reports, r) }

// move is how a counter got from one value to another.
type move int

const (
	forward move = iota
	rolled
	reset
	jumped
)

// moved returns what was counted from x to y within ms, in mm and 1/Den mm
// with carry added, and how the counter moved.
func (c Meter) moved(x, y uint64, ms int64, carry uint64) (mm int64, rest uint64, how move) {
	counts := y - x
	switch {
	case c.Wrap > 0 && (x >= c.Wrap || y >= c.Wrap):
		return 0, carry, jumped // no value of this counter
	case y < x && c.Wrap > 0:
		counts, how = c.Wrap-x+y, rolled
	case y < x:
		counts, how = y, reset
	}
	mm, rest, ok := c.scale(counts, carry, ms)
	if !ok && how == rolled {
		how = reset
		mm, rest, ok = c.scale(y, carry, ms)
	}
	switch {
	case ok:
		return mm, rest, how
	case how == reset: // it begins at more than can have passed: nothing is known
		return 0, carry, reset
	}
	return 0, carry, jumped
}

// scale turns counts into mm; not ok is more than the web can run in ms.
func (c Meter) scale(counts, carry uint64, ms int64) (mm int64, rest uint64, ok bool) {
	hi, lo := bits.Mul64(counts, c.Num)
	lo, over := bits.Add64(lo, carry, 0)
	hi += over
	if hi >= c.Den {
		return 0, 0, false
	}
	q, r := bits.Div64(hi, lo, c.Den)
	// One count more than the time allows may lie between two samples.
	most := uint64(c.Fastest)*uint64(ms)/60_000 + c.Num/c.Den + 1
	if q > min(most, MaxSliceMm) {
		return 0, 0, false
	}
	return int64(q), r, true
}

// rise of a counter over covered time.
func (m *Maker) rise(name string, c Meter, carry *uint64, a, b Sample, x, y uint64) int64 {
	mm, rest, how := c.moved(x, y, b.At-a.At, *carry)
	*carry = rest
	m.how(name, how, a, b)
	return mm
}

// apart is the same for time that is not covered: whole mm, no carry, -1
// where it is not known.
func (m *Maker) apart(name string, c Meter, a, b Sample, x, y uint64) int64 {
	mm, _, how := c.moved(x, y, min(b.At-a.At, 366*86_400_000), 0)
	m.how(name, how, a, b)
	if how == reset || how == jumped {
		return -1
	}
	return mm
}

func (m *Maker) how(name string, how move, a, b Sample) {
	switch how {
	case rolled:
		m.report(Report{Kind: RollOver, From: a.At, To: b.At, Meter: name})
	case reset:
		m.report(Report{Kind: Reset, From: a.At, To: b.At, Meter: name})
	case jumped:
		m.report(Report{Kind: Jump, From: a.At, To: b.At, Meter: name})
	}
}

func floorDiv(a, b int64) int64 { return (a - floorMod(a, b)) / b }

func floorMod(a, b int64) int64 { return (a%b + b) % b }
