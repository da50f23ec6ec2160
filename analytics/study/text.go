package study

import (
	"fmt"
	"math"
	"strconv"
)

const signOffLine = "sign-offs may not describe the cleaning: the condition found at the next sign-off was not worse after a window without a clean"

// always are the lines under every report.
func always() []string {
	return []string{
		"Not controlled: operator, material lot, humidity, ink age, blade, plate and roll age, and whatever else the record does not hold.",
		"Differences are at the meters actually run: a press that ran slower or stopped is not counted here.",
		"Restart waste is a part of cleaning: the main figure leaves it out, net waste puts it back.",
		"Cleaning can hurt people: the maker's manual, the site's lock-out procedure, local code and trained people come first.",
	}
}

// cannotAnswer is the sentence of grade 0.
func cannotAnswer(reason, would string) string {
	return fmt.Sprintf("This data cannot answer the question: %s. What would: %s.", reason, would)
}

// sentences writes what may be said about a finding: the only templates.
func (s *run) sentences(x *Finding) (out []string) {
	e := x.Waste
	switch x.Grade {
	case NotAssessable:
		would := "a planned schedule"
		if n := minNotCleaned - x.NotCleaned; n > 0 {
			would = "more runs in the record, or a planned schedule; it is no reason to leave a clean out"
		}
		return []string{cannotAnswer(x.Refusal, would)}
	case NoneSeen:
		defer func() { out = append(out, turned(x)...) }()
		out = append(out, fmt.Sprintf("No difference was seen. This study would usually have found %s m or more; differences up to %s m are not ruled out.",
			Meters(x.Detectable.Meters), Meters(max(0, e.High))))
		for _, l := range x.Limits {
			out = append(out, upper(l)+".")
		}
		return out
	}
	word, d, lo, hi := "more", e.Difference, e.Low, e.High
	if d < 0 {
		word, d, lo, hi = "less", -d, -hi, -lo
	}
	out = append(out,
		fmt.Sprintf("Runs that started with %s not cleaned wasted %s m %s (%s to %s m, %.4g %%) than runs of the same press with the same job mix and meters that started clean, over %d such runs on %d presses.",
			x.Name, Meters(d), word, Meters(lo), Meters(hi), 100*(1-s.spec.Alpha), x.NotCleaned, x.Presses),
		"This is a difference that goes with the missed clean; it does not show that the clean would have avoided it.")
	if c := x.Checks; c != nil {
		out = append(out, fmt.Sprintf("An unmeasured driver that goes with both the missed clean and the waste by a rate ratio of %.2f each could explain the difference away; %.2f would do for the interval end nearer to none.",
			c.EValue, c.EValueInterval))
	}
	if y := x.Year; y != nil {
		out = append(out, fmt.Sprintf("If the coming year is like these %d days, such runs come to %s m of waste net of restart waste (%s to %s m), over %.0f windows.",
			y.Days, Meters(y.Meters), Meters(y.Low), Meters(y.High), y.Windows))
	}
	for _, l := range x.Limits {
		out = append(out, "Not graded higher: "+l+".")
	}
	return append(out, turned(x)...)
}

// turned is the line of a pooled figure that points the other way.
func turned(x *Finding) []string {
	if x.Checks != nil && x.Checks.Pooled != nil && x.Checks.Pooled.Turned {
		return []string{x.Checks.Pooled.Line}
	}
	return nil
}

// overview is the first line of a report.
func (s *run) overview() string {
	r := s.result
	n := map[Grade]int{}
	for _, x := range r.Findings {
		n[x.Grade]++
	}
	trial := ""
	if n[Randomised] > 0 {
		trial = fmt.Sprintf("%d shown by a trial, ", n[Randomised])
	}
	stations := "stations"
	if n[Consistent] == 1 && s.variancePower() { // before default-4 the line was kept so
		stations = "station"
	}
	return fmt.Sprintf("%d of %d press-days on %d presses were compared: %s%d %s consistent, %d suggestive, %d with no difference seen, %d not assessable.",
		r.Rows.Fitted, r.Rows.InDataSet, len(r.Presses), trial, n[Consistent], stations, n[Suggestive], n[NoneSeen], n[NotAssessable])
}

// warnings are lines about the whole study.
func (s *run) warnings() (out []string) {
	r := s.result
	if len(r.Presses) < 6 {
		out = append(out, fmt.Sprintf("Only %d presses: intervals are wide.", len(r.Presses)))
	}
	if r.Rows.CrossPress > 0.1 {
		out = append(out, fmt.Sprintf("Presses of a plant moved together on the same day (mean correlation %.2f): look at the p-value of plant shifts too.", r.Rows.CrossPress))
	}
	if r.Rows.TopShare > 0.2 {
		out = append(out, fmt.Sprintf("The top 1 %% of rows hold %.0f %% of the waste: look at the figure without them.", 100*r.Rows.TopShare))
	}
	if s.spec.Controls != (Controls{}) {
		out = append(out, "Some controls of the default study are switched off: not the default study.")
	}
	for _, x := range r.Findings {
		if len(x.Stations) > 1 {
			out = append(out, fmt.Sprintf("%s are nearly always cleaned or left together: one answer for all of them.", x.Name))
		}
	}
	return out
}

// Meters prints meters for people: no decimals from 100 on, one from 10 on,
// else two.
func Meters(v float64) string {
	switch a := math.Abs(v); {
	case a > 1e9:
		return "more than 1000000000"
	case a >= 99.95:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case a >= 9.995:
		return strconv.FormatFloat(v, 'f', 1, 64)
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}

// upper puts a capital at the start.
func upper(s string) string {
	if s != "" && s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-32) + s[1:]
	}
	return s
}
