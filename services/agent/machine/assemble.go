package machine

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/downweb/downweb/services/agent/counter"
)

// Assembler holds the latest value of each signal and makes samples. Not for
// several goroutines.
type Assembler struct {
	m    *Mapping
	at   map[string][]string // address -> signals
	held map[string]held     // by signal
}

type held struct {
	v   any
	at  int64 // unix ms by the caller's clock
	bad string
}

// NewAssembler of a mapping.
func NewAssembler(m *Mapping) *Assembler {
	a := &Assembler{m: m, at: map[string][]string{}, held: map[string]held{}}
	for _, u := range m.uses() {
		if u.at != "" {
			a.at[u.at] = append(a.at[u.at], u.name)
		}
	}
	return a
}

// Lost forgets every value: the connection is gone, and what it told may no
// longer hold.
func (a *Assembler) Lost() { clear(a.held) }

// Take takes values of one instant in; now is the caller's clock, for what
// carries no time of its own. It returns a sample, or the reason why there is
// none. Values of unknown addresses are passed over.
func (a *Assembler) Take(values []Value, now time.Time) (counter.Sample, string) {
	at := int64(0)
	for _, v := range values {
		for _, name := range a.at[v.Address] {
			h := held{v: v.Value, at: now.UnixMilli()}
			if v.Bad || v.Value == nil {
				h.bad = "not good"
				if v.Why != "" {
					h.bad = v.Why
				}
			}
			a.held[name] = h
		}
		if a.m.Clock == "machine" && !v.At.IsZero() {
			at = max(at, v.At.UnixMilli())
		}
	}
	return a.sample(at, now)
}

// sample of what is held; at 0: the caller's clock stamps it.
func (a *Assembler) sample(at int64, now time.Time) (counter.Sample, string) {
	s := counter.Sample{At: at}
	var missing []string
	get := func(name string) (any, bool) {
		h, ok := a.held[name]
		switch {
		case !ok:
			missing = append(missing, name+": not told yet")
		case h.bad != "":
			missing = append(missing, name+": "+h.bad)
		case a.m.MaxAge > 0 && now.UnixMilli()-h.at > a.m.MaxAge.Milliseconds():
			missing = append(missing, name+": not told for "+a.m.MaxAge.String())
		default:
			return h.v, true
		}
		return nil, false
	}
	fail := func(name string, err error) { missing = append(missing, name+": "+err.Error()) }
	sig := &a.m.Signals
	var err error
	if v, ok := get("speed"); ok {
		if s.Speed, err = sig.Speed.speed(v); err != nil {
			fail("speed", err)
		}
	}
	if v, ok := get("good"); ok {
		if s.Good, err = sig.Good.count(v); err != nil {
			fail("good", err)
		}
	}
	if sig.Waste != nil {
		if v, ok := get("waste"); ok {
			if s.Waste, err = sig.Waste.count(v); err != nil {
				fail("waste", err)
			}
		}
	}
	for _, f := range []struct {
		name string
		f    *Flag
		to   *bool
	}{{"power", sig.Power, &s.Power}, {"fault", sig.Fault, &s.Fault}, {"good_on", sig.GoodOn, &s.GoodOn}, {"job_open", sig.JobOpen, &s.JobOpen}} {
		switch {
		case f.f == nil:
		case f.f.Always:
			*f.to = true
		default:
			if v, ok := get(f.name); ok {
				*f.to = f.f.holds(v)
			}
		}
	}
	if sig.Job != nil && sig.JobOpen == nil {
		if v, ok := get("job"); ok {
			s.Job = sig.Job.job(v)
		}
	}
	if len(missing) > 0 {
		return counter.Sample{}, strings.Join(missing, "; ")
	}
	if sig.Job != nil {
		if h, ok := a.held["job"]; ok && h.bad == "" {
			s.Job = sig.Job.job(h.v)
		}
		if sig.JobOpen == nil {
			s.JobOpen = s.Job != ""
		}
		if !s.JobOpen {
			s.Job = ""
		}
	}
	if sig.Rated != nil && s.JobOpen {
		if h, ok := a.held["rated"]; ok && h.bad == "" {
			if s.Rated, err = sig.Rated.speed(h.v); err != nil || s.Rated > maxRated {
				s.Rated = 0
			}
		}
	}
	return s, ""
}

const maxRated = 2_000_000 // mm/min, as event.proto bounds it

func number(v any) (float64, error) {
	switch v := v.(type) {
	case bool:
		if v {
			return 1, nil
		}
		return 0, nil
	case int64:
		return float64(v), nil
	case uint64:
		return float64(v), nil
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, fmt.Errorf("%v is no number", v)
		}
		return v, nil
	case string:
		f, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
		if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
			return 0, fmt.Errorf("%q is no number", v)
		}
		return f, nil
	}
	return 0, fmt.Errorf("%T is no number", v)
}

func (n *Number) speed(v any) (int64, error) {
	f, err := number(v)
	if err != nil {
		return 0, err
	}
	f = math.Abs(f) * n.MmPerMin // backwards is running too
	if f > 1e9 {
		return 0, fmt.Errorf("%v mm/min is no speed of a web", f)
	}
	return int64(f + 0.5), nil
}

func (l *Length) count(v any) (uint64, error) {
	switch x := v.(type) {
	case int64:
		if x < 0 {
			if l.Bits > 0 && l.Bits < 64 && x >= -(1<<(l.Bits-1)) {
				return uint64(x) & (1<<l.Bits - 1), nil // told as signed
			}
			return 0, fmt.Errorf("%d is below 0", x)
		}
		if !l.Decimal {
			return l.inRange(uint64(x))
		}
	case uint64:
		if !l.Decimal {
			return l.inRange(x)
		}
	case string:
		if u, err := strconv.ParseUint(strings.TrimSpace(x), 10, 64); err == nil && !l.Decimal {
			return l.inRange(u)
		}
	}
	f, err := number(v)
	if err != nil {
		return 0, err
	}
	if !l.Decimal {
		if f != math.Trunc(f) || f < 0 || f >= 1<<53 {
			return 0, fmt.Errorf("%v is no whole count (decimal: true says that it has decimals)", f)
		}
		return l.inRange(uint64(f))
	}
	f = f * float64(l.Mm.Num) / float64(l.Mm.Den)
	if f < 0 || f >= 1<<53 {
		return 0, fmt.Errorf("%v mm is no length", f)
	}
	return uint64(f + 1e-6), nil
}

func (l *Length) inRange(u uint64) (uint64, error) {
	if w := l.meter().Wrap; w > 0 && u >= w {
		return 0, fmt.Errorf("%d is more than the counter can show (%d)", u, w-1)
	}
	return u, nil
}

// holds says whether a value means true.
func (f *Flag) holds(v any) bool {
	t := text(v)
	match := func(list []string) bool {
		return slices.Contains(list, t) || f.Vocabulary != "" && slices.Contains(list, fold(t))
	}
	switch {
	case len(f.is) > 0:
		return match(f.is)
	case len(f.isNot) > 0:
		return !match(f.isNot)
	}
	if b, ok := v.(bool); ok {
		return b
	}
	if n, err := number(v); err == nil {
		return n != 0
	}
	return strings.EqualFold(t, "true") || strings.EqualFold(t, "on")
}

// job is the id, "" for none, cut to what an event may carry.
func (x *Text) job(v any) string {
	t := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, text(v))
	if t == "" || t == "0" || slices.Contains(x.None, t) {
		return ""
	}
	for len(t) > 64 {
		t = t[:len(t)-1]
	}
	return strings.ToValidUTF8(t, "")
}
