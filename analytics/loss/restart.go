package loss

import (
	"encoding/binary"
	"errors"
	"math/big"

	"github.com/downweb/downweb/analytics/timeline"
)

// The restart estimate: how much more waste than usual the first meters after a
// clean hold. It stands beside the tree and never enters its sum; it may be
// negative.
//
// A clean is a cleaning group with a sign-off made while the press stood. Its
// window is the first restart length (a setting of the press) made in
// PRODUCTION after it, in or out of planned time, cut short by the next clean.
// What is usual is the press's steady share when the clean ended: waste ÷
// length of the PRODUCTION of the 28 dates before the clean's production day,
// windows after cleans left out. It is frozen there: nothing said of a later
// day can change it. Both count waste as the press does, whatever it is booked
// to. A clean is counted on the day on which its window ended; one without
// enough steady length before it is not counted.
const (
	steadyDays    = 28
	steadyWindows = 10 // steady length asked for, in restart lengths
)

// Restarts are the windows after cleans that ended on one day.
type Restarts struct {
	Cleans  int64
	Len     int64 // length made in them, mm
	Waste   int64 // waste counted in them, mm
	Excess  int64 // waste less the steady share of the length, mm; signed
	Squares int64 // Σ of the squares of each clean's excess, cm²
}

// RestartState is what the restart estimate carries from one production day to
// the next. The zero value knows nothing.
type RestartState struct {
	days []steadyDay // up to 28 dates back, oldest first
	open bool        // a window has begun
	left int64       // length it lacks, mm
	len  int64       // length it has, mm
	bad  int64       // waste it has, mm
	// Steady share when its clean ended; no length: not known.
	steadyLen, steadyBad int64
}

type steadyDay struct {
	day      timeline.Day
	len, bad int64 // mm
}

// RestartDay walks one production day. cleans are the cleaning groups that meet
// it and hold a sign-off made at rest, sorted and disjoint.
func RestartDay(restart int64, st RestartState, h *timeline.History, plan timeline.DayPlan, cleans []timeline.Interval) (Restarts, RestartState) {
	var out Restarts
	if restart <= 0 {
		return out, RestartState{}
	}
	st.days = append([]steadyDay(nil), st.days...)
	today := steadyDay{day: plan.Day}
	span := plan.Span()
	sl := timeline.SlicesIn(h.Slices, span)
	run := func(iv timeline.Interval) {
		for _, s := range timeline.SlicesIn(sl, iv) {
			if s.State != timeline.StateProduction {
				continue
			}
			p := s.Part(iv.And(span))
			n, bad := p.Good+p.Waste, p.Waste
			if st.open && n > 0 {
				take, takeBad := n, bad
				if n > st.left {
					take, takeBad = st.left, share(bad, st.left, n)
				}
				st.left, st.len, st.bad = st.left-take, st.len+take, st.bad+takeBad
				n, bad = n-take, bad-takeBad
				if st.left == 0 {
					st.end(&out)
				}
			}
			today.len, today.bad = today.len+n, today.bad+bad
		}
	}
	at := span.From
	for _, c := range cleans {
		if c.From > at {
			run(timeline.Interval{From: at, To: c.From})
		}
		if span.Has(c.From) {
			st.end(&out)
		}
		if span.Has(c.To - 1) {
			st.end(&out)
			st.begin(restart, plan.Day)
		}
		at = max(at, c.To)
	}
	if at < span.To {
		run(timeline.Interval{From: at, To: span.To})
	}
	if today.len > 0 {
		st.days = append(st.days, today)
	}
	st.forget(plan.Day + 1)
	return out, st
}

// begin opens the window of a clean that ended on a day.
func (st *RestartState) begin(restart int64, day timeline.Day) {
	st.open, st.left, st.len, st.bad, st.steadyLen, st.steadyBad = true, restart, 0, 0, 0, 0
	for _, d := range st.days {
		if d.day >= day-steadyDays && d.day < day {
			st.steadyLen, st.steadyBad = st.steadyLen+d.len, st.steadyBad+d.bad
		}
	}
	if st.steadyLen < steadyWindows*restart {
		st.steadyLen, st.steadyBad = 0, 0
	}
}

// end closes the window and counts its clean.
func (st *RestartState) end(out *Restarts) {
	if st.open && st.len > 0 && st.steadyLen > 0 {
		excess := st.bad - roundHalfEven(new(big.Rat).Mul(big.NewRat(st.len, st.steadyLen), big.NewRat(st.steadyBad, 1)))
		cm := (excess + sign(excess)*5) / 10
		out.Cleans++
		out.Len += st.len
		out.Waste += st.bad
		out.Excess += excess
		out.Squares += cm * cm
	}
	st.open, st.left, st.len, st.bad, st.steadyLen, st.steadyBad = false, 0, 0, 0, 0, 0
}

// forget drops the dates that no clean of a day or later looks at.
func (st *RestartState) forget(day timeline.Day) {
	i := 0
	for i < len(st.days) && st.days[i].day < day-steadyDays {
		i++
	}
	st.days = st.days[i:]
}

func sign(x int64) int64 {
	switch {
	case x < 0:
		return -1
	case x > 0:
		return 1
	}
	return 0
}

// share is a·b/c rounded down; a, b, c >= 0, c > 0.
func share(a, b, c int64) int64 {
	x := new(big.Int).Mul(big.NewInt(a), big.NewInt(b))
	return x.Div(x, big.NewInt(c)).Int64()
}

const restartVersion = 1

// ErrRestartState says that bytes are no state.
var ErrRestartState = errors.New("not a state of the restart estimate")

// Append writes the state.
func (st RestartState) Append(b []byte) []byte {
	if len(st.days) == 0 && !st.open {
		return b
	}
	b = append(b, restartVersion)
	num := func(v int64) { b = binary.AppendVarint(b, v) }
	open := int64(0)
	if st.open {
		open = 1
	}
	for _, v := range []int64{open, st.left, st.len, st.bad, st.steadyLen, st.steadyBad} {
		num(v)
	}
	num(int64(len(st.days)))
	for _, d := range st.days {
		num(int64(d.day))
		num(d.len)
		num(d.bad)
	}
	return b
}

// ParseRestartState reads what Append wrote. Empty bytes are the zero state.
func ParseRestartState(b []byte) (RestartState, error) {
	var st RestartState
	if len(b) == 0 {
		return st, nil
	}
	if b[0] != restartVersion {
		return st, ErrRestartState
	}
	b = b[1:]
	bad := false
	num := func() int64 {
		v, n := binary.Varint(b)
		if n <= 0 {
			bad, b = true, nil
			return 0
		}
		b = b[n:]
		return v
	}
	st.open = num() == 1
	st.left, st.len, st.bad, st.steadyLen, st.steadyBad = num(), num(), num(), num(), num()
	for n := num(); n > 0 && !bad; n-- {
		st.days = append(st.days, steadyDay{timeline.Day(num()), num(), num()})
	}
	if bad || len(b) != 0 {
		return RestartState{}, ErrRestartState
	}
	return st, nil
}
