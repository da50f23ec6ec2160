package loss

import (
	"fmt"

	"github.com/downweb/downweb/analytics/stats"
)

// Step is one week, day or month of a series.
type Step struct {
	Key     string
	Value   float64 // points of OEE, or a factor in percent
	Known   float64 // share of planned time
	LeftOut string  // why it is left out of limits and rules; empty: it is not
	Signals []string
	Rules   stats.RunRule // that hold at this step
}

// Why a step is left out.
const (
	LeftNothing = "nothing planned"
	LeftUnknown = "less than 90 % known"
	LeftPart    = "only a part of it is in the period or the data"
	LeftOpen    = "not over yet"
)

// SeriesNames are the series that a tree gives, in order: the factors, the two
// halves of the maintenance share, the leaves.
func SeriesNames() []string {
	out := []string{"oee", "availability", "effectiveness", "quality", "cleaning", "dirt"}
	for _, l := range Losses() {
		out = append(out, l.Slug())
	}
	return out
}

// LeafOf a slug.
func LeafOf(slug string) (Leaf, bool) {
	for _, l := range Losses() {
		if l.Slug() == slug {
			return l, true
		}
	}
	return LeafNone, false
}

// SeriesLeaves are the leaves behind a series: all for "oee", those of the half
// for "cleaning" and "dirt"; none for a single factor.
func SeriesLeaves(slug string) []Leaf {
	if l, ok := LeafOf(slug); ok {
		return []Leaf{l}
	}
	var out []Leaf
	for _, l := range Losses() {
		if slug == "oee" || l.Share() == slug {
			out = append(out, l)
		}
	}
	return out
}

// SeriesValue is a step's value: percent for oee and the factors, points of OEE
// lost for the others. Not ok: nothing was planned, or there is no such series.
func SeriesValue(s *Sums, slug string) (float64, bool) {
	f := s.Factors()
	if !f.OK {
		return 0, false
	}
	switch slug {
	case "oee":
		return 100 * f.OEE, true
	case "availability":
		return 100 * f.Availability, true
	case "effectiveness":
		return 100 * f.Effectiveness, s.APT > 0
	case "quality":
		return 100 * f.Quality, s.Rated() > 0
	case "cleaning", "dirt":
		return s.Points(s.Share(slug).US), true
	}
	if l, ok := LeafOf(slug); ok {
		return s.Points(s.In[l].US), true
	}
	return 0, false
}

// SeriesText names a series for people.
func SeriesText(slug string) string {
	if l, ok := LeafOf(slug); ok {
		return l.String()
	}
	if slug == "oee" {
		return "OEE"
	}
	return slug
}

// LimitsMethod says how limits and signals are made.
var LimitsMethod = fmt.Sprintf("individuals chart: mean ± %.4f × mean moving range, ranges up to %.4f × it (exact constants; tables print 2.66 and 3.267); signals: beyond the limits, or 8 on one side (one false alarm in 153 steps of a stable normal series)",
	stats.XmrE2, stats.XmrD4)

// Chart draws the limits of usual variation over the steps that are not left out
// and marks the signals. It is not ok with fewer steps than limits need.
func Chart(steps []Step) (limits stats.Xmr, ok bool) {
	var values []float64
	for _, s := range steps {
		if s.LeftOut == "" {
			values = append(values, s.Value)
		}
	}
	limits, err := stats.Individuals(values)
	if err != nil {
		return stats.Xmr{N: len(values)}, false
	}
	var runs stats.Runs
	for i := range steps {
		s := &steps[i]
		if s.LeftOut != "" {
			continue
		}
		s.Rules = runs.Step(limits.Z(s.Value)) & stats.UsualRules
		if s.Rules&stats.RuleBeyond3 != 0 {
			s.Signals = append(s.Signals, "beyond the limits")
		}
		if s.Rules&stats.RuleEight != 0 {
			s.Signals = append(s.Signals, "8 on one side")
		}
	}
	return limits, true
}

// Change is a signal of a series: of a stretch of steps in a row that carry it
// the last one.
type Change struct {
	Step   int
	Signal string
	Points float64 // value less center
}

// Changes lists the signals of a charted series, in order of time.
func Changes(steps []Step, limits stats.Xmr) []Change {
	var out []Change
	for _, rule := range []stats.RunRule{stats.RuleBeyond3, stats.RuleEight} {
		last, side := -1, false // index into out of the stretch that goes on
		for i, s := range steps {
			if s.LeftOut != "" {
				continue
			}
			if s.Rules&rule == 0 {
				last = -1
				continue
			}
			d := s.Value - limits.Center
			c := Change{Step: i, Points: d, Signal: "beyond the limits"}
			if rule == stats.RuleEight {
				c.Signal = "8 on one side"
			}
			if last >= 0 && side == (d > 0) {
				out[last] = c
				continue
			}
			out = append(out, c)
			last, side = len(out)-1, d > 0
		}
	}
	return out
}
