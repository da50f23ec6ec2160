package interval

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/downweb/downweb/analytics/stats"
)

// Limits of what may be answered.
const (
	MinGaps         = 10   // between cleans, of about the interval asked about
	MinPresses      = 4    // on which they lie
	MinSizes        = 3    // distinct lengths of gaps
	MaxOnDemand     = 0.20 // share of gaps that ended on demand
	MaxRival        = 0.80 // correlation of the clock with another one
	MinGrade        = 2    // of the study behind the growth
	FlatWithin      = 1.05 // costs within this of the least count as the same
	lowShare        = 0.05 // ages at clean outside these shares of them ...
	highShare       = 0.95 // ... are no data to speak from
	gapTolerance    = 0.25 // a gap backs an interval that it is within this share of
	curvePoints     = 60
	sizesAreDistant = 0.05 // gaps within this share of each other are one size
)

// Gap between two cleans of a station on a press.
type Gap struct {
	Press string
	Km    float64
	// OnDemand: it was ended because something was wrong, not by plan.
	OnDemand bool
}

// Range is a value that is only known to lie between two ends.
type Range struct{ Low, High float64 }

// Question about a station's cleaning interval.
type Question struct {
	Station string
	// Clean is the marginal cost of one clean of this station alone (hands-on
	// minutes, restart waste, materials), Meter the money of a meter wasted, in
	// one currency; Low and High are stated, not estimated. 0: not known.
	Clean, Meter Range
	Growth       Growth
	// Other is the growth in another shape, for the sensitivity; zero: none.
	Other Growth
	// Step is the web between two cleaning sessions, km: a station alone can only
	// be left out of some of them. 0: not known.
	Step float64
	// Grade of the study that the growth is from.
	Grade int
	Gaps  []Gap
	// Rivals are the within-press correlations of the clock with others that
	// run beside it (job age, ink, plate), by name.
	Rivals map[string]float64
	// Safety: a task of safety; nothing is answered.
	Safety bool
	// MakerLimit is the maker's longest interval, km; 0: not known, and nothing
	// beyond today's practice is answered. Override is
	// what the caller said in writing to go beyond it; empty: nothing.
	MakerLimit float64
	Override   string
}

// Refusal is a rule that fired, with the number that fired it.
type Refusal struct {
	Rule, Text string
}

// Point of the cost curve: money per km of web when cleaning every Km; Low and
// High over the interval of the growth and the ranges of the costs.
type Point struct{ Km, Cost, Low, High float64 }

// Answer to a question.
type Answer struct {
	// Refused, one line a rule that fired; nothing below but the curve, and
	// Lower where there is one, may be read then.
	Refused []Refusal
	// Optimum km, and its interval by inverting that of the growth with the
	// ranges of the costs; +Inf: beyond the data.
	Optimum, Low, High float64
	// Best is the cost at Optimum.
	Best float64
	// From, To: every interval between them costs at most 5 % more than the
	// best that was run. A single figure would be false precision.
	From, To float64
	// Today is the median of the gaps run, and its cost.
	Today Point
	// Longest interval that the data speaks of, km, and its cost: "never before
	// that".
	Longest Point
	Curve   []Point
	// Lower end of the optimum where no growth was seen, or where it lies beyond
	// the data, never beyond what was run or the maker's interval; 0: none, also
	// where any other rule fired.
	Lower float64
	// Sensitivity says how far the optimum moves with each of what it rests on.
	Sensitivity []string
	// Notes for the reader.
	Notes []string
}

// Answer works the question out. It returns ErrInput for figures that
// contradict each other; a refusal is an answer.
func (q Question) Answer() (Answer, error) {
	var a Answer
	g := q.Growth
	if err := g.check(); err != nil {
		return a, err
	}
	for name, r := range map[string]Range{"cost of a clean": q.Clean, "money of a meter": q.Meter} {
		if r.Low < 0 || r.High < r.Low || math.IsInf(r.High, 0) || math.IsNaN(r.Low+r.High) {
			return a, fmt.Errorf("%w: %s %v to %v", stats.ErrInput, name, r.Low, r.High)
		}
	}
	var ages []float64
	demand := 0
	for _, x := range q.Gaps {
		if !(x.Km > 0) || math.IsInf(x.Km, 0) {
			return a, fmt.Errorf("%w: a gap of %v km", stats.ErrInput, x.Km)
		}
		ages = append(ages, x.Km)
		if x.OnDemand {
			demand++
		}
	}
	slices.Sort(ages)
	refuse := func(rule, format string, v ...any) {
		a.Refused = append(a.Refused, Refusal{rule, fmt.Sprintf(format, v...)})
	}
	if q.Safety {
		refuse("safety", "%s is a safety task: its interval is never a question of cost", q.Station)
		return a, nil
	}
	if q.Clean.High == 0 || q.Meter.High == 0 {
		refuse("costs", "the cost of a clean or of a wasted meter is not known")
	}
	if q.Grade < MinGrade {
		refuse("grade", "the study behind it has grade %d; at least %d is asked for", q.Grade, MinGrade)
	}
	if len(ages) < MinGaps {
		refuse("gaps", "%d gaps between cleans; at least %d are asked for", len(ages), MinGaps)
		return a, nil
	}
	if n := sizes(ages); n < MinSizes {
		refuse("sizes", "the gaps have %d distinct lengths; at least %d are asked for", n, MinSizes)
	}
	if share := float64(demand) / float64(len(ages)); share > MaxOnDemand {
		refuse("on demand", "%.0f %% of the gaps ended on demand; at most %.0f %% may: gaps that a bad run ended make long ones look good", 100*share, 100*MaxOnDemand)
	}
	var rivals []string
	for name, r := range q.Rivals {
		if math.Abs(r) >= MaxRival {
			rivals = append(rivals, fmt.Sprintf("%s (%.2f)", name, r))
		}
	}
	if slices.Sort(rivals); len(rivals) > 0 {
		refuse("rival clocks", "the clock runs beside %s: what grows with one cannot be told from the other", strings.Join(rivals, ", "))
	}
	lo, hi := quantile(ages, lowShare), quantile(ages, highShare)
	if q.Clean.High > 0 && q.Meter.High > 0 {
		q.curve(&a, lo, hi, quantile(ages, 0.5))
	}
	if g.Low <= 0 {
		text := fmt.Sprintf("no growth of waste was seen up to %.1f km: its interval (%.4g to %.4g) holds 0", hi, g.Low, g.High)
		if len(a.Refused) > 0 {
			a.Lower = 0
		} else if a.Lower = q.known(a.Lower, hi); a.Lower > 0 {
			text += fmt.Sprintf("; the best interval is at least %.1f km", a.Lower)
		}
		refuse("growth", "%s", text)
	}
	if len(a.Refused) > 0 {
		return a, nil
	}
	if q.backed(&a, lo, hi, refuse); len(a.Refused) == 0 {
		a.Best = q.Growth.Cost(a.Optimum, mid(q.Clean), mid(q.Meter))
		a.Sensitivity = q.sensitivity()
		q.sessions(&a)
	}
	return a, nil
}

func (g Growth) check() error {
	if !(g.Low <= g.B && g.B <= g.High) || math.IsInf(g.Low, 0) || math.IsInf(g.High, 0) {
		return fmt.Errorf("%w: growth %v (%v to %v)", stats.ErrInput, g.B, g.Low, g.High)
	}
	if g.Shape >= Exponential && !(g.Base >= 0 && g.BaseLow >= 0 && g.BaseHigh >= 0 && g.Base+g.BaseLow+g.BaseHigh < math.Inf(1)) {
		return fmt.Errorf("%w: rate at age 0 %v (%v to %v)", stats.ErrInput, g.Base, g.BaseLow, g.BaseHigh)
	}
	return nil
}

// curve fills the cost curve and the optimum.
func (q Question) curve(a *Answer, lo, hi, today float64) {
	g, k, m := q.Growth, mid(q.Clean), mid(q.Meter)
	at := func(t float64) Point {
		return Point{t, g.Cost(t, k, m), g.low().cost(t, q.Clean.Low, q.Meter.Low), g.high().cost(t, q.Clean.High, q.Meter.High)}
	}
	for i := range curvePoints {
		a.Curve = append(a.Curve, at(lo+(hi-lo)*float64(i)/(curvePoints-1)))
	}
	a.Today, a.Longest = at(today), at(hi)
	a.Optimum = g.mid().optimum(k, m)
	a.Low = min(a.Optimum, g.high().optimum(q.Clean.Low, q.Meter.High))
	a.High = max(a.Optimum, g.low().optimum(q.Clean.High, q.Meter.Low))
	if q.Meter.Low == 0 {
		a.High = math.Inf(1)
	}
	if g.Low <= 0 && a.Low < math.Inf(1) {
		a.Lower = a.Low
	}
	best := math.Inf(1)
	for _, p := range a.Curve {
		best = min(best, p.Cost)
	}
	for _, p := range a.Curve {
		if p.Cost <= best*FlatWithin {
			if a.From == 0 {
				a.From = p.Km
			}
			a.To = p.Km
		}
	}
}

// known cuts a lower end to what was run and what the maker allows.
func (q Question) known(km, longest float64) float64 {
	if km = min(km, longest); q.MakerLimit > 0 {
		km = min(km, q.MakerLimit)
	}
	return km
}

// backed checks the optimum against what was run and what the maker allows.
func (q Question) backed(a *Answer, lo, hi float64, refuse func(rule, format string, v ...any)) {
	if a.Optimum > hi {
		a.Lower = q.known(a.Low, hi)
		refuse("support", "the least cost lies beyond the longest interval that was run often enough (%.1f km); the best interval is at least %.1f km as far as this data tells", hi, a.Lower)
		return
	}
	if a.Optimum < lo {
		refuse("support", "the least cost lies at %.1f km, below the shortest interval that was run often enough (%.1f km)", a.Optimum, lo)
		return
	}
	t := a.Optimum
	n, presses := 0, map[string]bool{}
	for _, x := range q.Gaps {
		if math.Abs(x.Km-t) <= gapTolerance*t {
			n++
			presses[x.Press] = true
		}
	}
	if n < MinGaps || len(presses) < MinPresses {
		refuse("support", "about %.1f km is backed by %d gaps on %d presses; at least %d on %d are asked for", t, n, len(presses), MinGaps, MinPresses)
	}
	if q.MakerLimit == 0 && q.Override == "" && a.To > a.Today.Km {
		// Nothing says that longer than today is allowed.
		if a.From > a.Today.Km {
			refuse("maker", "what costs least begins at %.1f km, longer than today's %.1f km, and the maker's interval is not on record: look it up in the manual and state it", a.From, a.Today.Km)
			return
		}
		a.To, a.Optimum, a.Low, a.High = a.Today.Km, min(a.Optimum, a.Today.Km), min(a.Low, a.Today.Km), min(a.High, a.Today.Km)
		a.Notes = append(a.Notes, fmt.Sprintf("Cut at today's %.1f km: the maker's interval is not on record.", a.Today.Km))
	}
	if q.MakerLimit > 0 && a.From > q.MakerLimit {
		if q.Override == "" {
			refuse("maker", "what costs least begins at %.1f km, over the maker's %.1f km", a.From, q.MakerLimit)
		} else {
			a.Notes = append(a.Notes, fmt.Sprintf("Over the maker's interval of %.1f km, as the caller said in writing: %s", q.MakerLimit, q.Override))
		}
	} else if q.MakerLimit > 0 && a.To > q.MakerLimit && q.Override == "" {
		a.To, a.Optimum, a.Low, a.High = q.MakerLimit, min(a.Optimum, q.MakerLimit), min(a.Low, q.MakerLimit), min(a.High, q.MakerLimit)
		a.Notes = append(a.Notes, fmt.Sprintf("Cut at the maker's interval of %.1f km.", q.MakerLimit))
	}
}

func mid(r Range) float64 { return (r.Low + r.High) / 2 }

// quantile of sorted values, type 7 (Hyndman & Fan, American Statistician 50
// (1996) 361–365).
func quantile(sorted []float64, p float64) float64 {
	h := p * float64(len(sorted)-1)
	i := int(h)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// sizes counts lengths that differ by more than a twentieth.
func sizes(sorted []float64) int {
	n, last := 0, 0.0
	for _, x := range sorted {
		if n == 0 || x > last*(1+sizesAreDistant) {
			n, last = n+1, x
		}
	}
	return n
}
