package study

import (
	"fmt"
	"math"
)

// conclude grades every finding and writes its sentences.
func (s *run) conclude() {
	r := s.result
	for k := range r.Findings {
		x := &r.Findings[k]
		s.grade(x)
		s.gradeTrial(x)
		x.GradeName = x.Grade.String()
		if x.Grade >= Suggestive && !s.spec.SkipChecks {
			x.Dose, x.Year = s.dose(k, 0), s.year(x, k)
		}
		x.Sentences = s.sentences(x)
		if t := s.trialOf(x); t != nil {
			x.Sentences = t.Sentences
		}
	}
	r.Summary = append([]string{s.overview()}, always()...)
	r.Warnings = s.warnings()
}

// trialOf is the trial's answer for a finding; nil where there is none.
func (s *run) trialOf(x *Finding) *Trial {
	if t := s.result.Trial; t != nil && t.Refusal == "" && x.Name == t.Station {
		return t
	}
	return nil
}

// gradeTrial grades a station whose windows were assigned at random by its
// trial alone.
func (s *run) gradeTrial(x *Finding) {
	t := s.trialOf(x)
	if t == nil {
		return
	}
	x.Refusal, x.Limits = "", nil
	if x.Grade = NoneSeen; t.P <= s.spec.Alpha {
		x.Grade = Randomised
	}
}

// grade applies the rules of Grade.
func (s *run) grade(x *Finding) {
	limit := func(format string, a ...any) { x.Limits = append(x.Limits, fmt.Sprintf(format, a...)) }
	if x.Refusal != "" || x.Waste == nil || x.Test == nil {
		x.Grade = NotAssessable
		if x.Refusal == "" {
			x.Refusal = "no test was possible"
		}
		return
	}
	e, c := x.Waste, x.Checks
	found := x.Test.Adjusted <= s.spec.Alpha
	hint := found || x.Test.Q <= 0.10
	signOffs := c != nil && c.ConditionFound != nil && !holds(c.ConditionFound)
	if signOffs {
		limit(signOffLine)
		if hint {
			x.Grade, x.Refusal = NotAssessable, signOffLine
			return
		}
	}
	if !hint {
		if e.excludesZero() {
			limit("its interval by itself (%s to %s m) leaves 0 out, the shift test over all stations does not call it", Meters(e.Low), Meters(e.High))
		}
		x.Grade = NoneSeen
		return
	}
	if !found {
		limit("adjusted p %.3f is above %.2f; only the false discovery rate points to it", x.Test.Adjusted, s.spec.Alpha)
	}
	if !e.excludesZero() {
		limit("shift test and interval disagree")
	}
	if e.FewPresses {
		limit("very few presses carry it (%.1f degrees of freedom)", e.DF)
	}
	s.checkLimits(x, limit)
	x.Grade = Suggestive
	if len(x.Limits) == 0 {
		x.Grade = Consistent
	}
}

// checkLimits names every check that keeps a finding below "consistent".
func (s *run) checkLimits(x *Finding, limit func(string, ...any)) {
	e, c := x.Waste, x.Checks
	if c == nil {
		limit("the checks were not run")
		return
	}
	switch {
	case c.Lead == nil:
		limit("the state of the next window could not be checked")
	case c.Lead.P <= 0.10 || math.Abs(c.Lead.Beta) >= math.Abs(e.Beta)/2:
		limit("waste also goes with the state of the next window (p %.3f)", c.Lead.P)
	}
	switch {
	case c.Unrelated == nil:
		limit("splice and material waste could not be checked")
	case c.Unrelated.P <= 0.10:
		limit("splice and material waste differ as well (p %.3f)", c.Unrelated.P)
	}
	if c.ConditionFound == nil {
		limit("condition found at the next sign-off is not recorded often enough")
	}
	if c.MaxInformation > 0.4 {
		limit("one press carries %.0f %% of the information", 100*c.MaxInformation)
	}
	if c.WithoutOneLow <= 0 && c.WithoutOneHigh >= 0 {
		limit("leaving one press out turns the sign")
	}
	if c.Alone == nil || e.Beta == 0 || *c.Alone/e.Beta < 0.5 || *c.Alone/e.Beta > 2 {
		limit("the station alone and together with the others differ by more than a factor 2")
	}
	if x.NotCleaned < 30 || x.Presses < 6 {
		limit("%d not-cleaned runs on %d presses; 30 on 6 are wanted", x.NotCleaned, x.Presses)
	}
	if s.result.Rows.Coverage < 0.95 {
		limit("%.0f %% of the planned time is covered; 95 are wanted", 100*s.result.Rows.Coverage)
	}
}

// holds reports whether the positive control does: worse after a not-cleaned
// window, one-sided p at most 5 %.
func holds(l *Line) bool { return l.Beta > 0 && l.P <= 0.10 }
