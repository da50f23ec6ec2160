package api

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	. "maragu.dev/gomponents/html" //nolint:staticcheck // one word an element

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
)

// trialOf is the trial that answers a finding, with or without a difference; nil
// where the comparison of runs does.
func trialOf(res *study.Result, f *study.Finding) *study.Trial {
	if t := res.Trial; t != nil && t.Refusal == "" && f.Name == t.Station {
		return t
	}
	return nil
}

var scheduleLine = regexp.MustCompile(`^Every (\d+) windows: `)

// said are a finding's sentences as people read them. What a result says of the
// schedules of a trial is "Every 1 windows"; it is kept to the bit and put right
// here.
func said(lines []string) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = l
		if m := scheduleLine.FindStringSubmatch(l); m != nil {
			n, _ := strconv.Atoi(m[1])
			out[i] = "Schedule of " + everyWord(n) + ": " + l[len(m[0]):]
		}
	}
	return out
}

// withoutSchedules leaves out what stands in the table of the trial.
func withoutSchedules(lines []string) (out []string) {
	for _, l := range lines {
		if !scheduleLine.MatchString(l) {
			out = append(out, l)
		}
	}
	return out
}

func everyWord(n int) string {
	if n == 1 {
		return "every window"
	}
	return "every " + ordinalWord(n) + " window"
}

// trial is what was assigned at random, how it was followed and what came of it;
// nothing where the study is none.
func (r *report) trial() []g.Node {
	t := r.res.Trial
	if t == nil {
		return nil
	}
	var body []g.Node
	if p := r.res.Spec.Trial; p != nil && len(p.Mondays) > 0 {
		var every []string
		for _, n := range p.Every {
			every = append(every, everyWord(n))
		}
		body = append(body, P(g.Text(fmt.Sprintf("Drawn: for each of %d presses and each of %d ISO weeks from %s on, whether %s is cleaned at %s; seed %d. The first window of a week is cleaned under every schedule.",
			len(p.Presses), len(p.Mondays), timeline.Day(p.Mondays[0]), t.Station, strings.Join(every, " or at "), p.Seed))))
	}
	if t.Refusal != "" {
		body = append(body, P(g.Text(strings.Join(t.Sentences, " "))))
	}
	var rows [][]string
	for _, a := range t.Arms {
		rows = append(rows, []string{"clean at " + everyWord(a.Every), fmt.Sprint(a.PressWeeks), fmt.Sprint(a.Rows), fmt.Sprintf("%.0f %%", 100*a.NotCleaned), study.Meters(a.Waste)})
	}
	if len(rows) > 0 {
		body = append(body, table([]string{"Schedule", "Weeks of presses", "Runs", "Started not cleaned", "Mean waste, m a run"}, rows))
	}
	if t.Refusal == "" {
		body = append(body,
			P(g.Text(fmt.Sprintf("How it was followed: %.0f %% of the runs after a window to leave out started not cleaned, and %.0f %% of those after a window to clean.", 100*t.LeftAsPlanned, 100*t.LeftAnyway))),
			P(g.Text(fmt.Sprintf("What it showed: p %s over the plan and %d other assignments that might have been drawn; %s m a run that started not cleaned (%s to %s m, %.4g %%). Such a trial would usually have found %s m.",
				pWord(t.P), t.Draws, study.Meters(t.Effect), study.Meters(t.Low), study.Meters(t.High), 100*(1-r.res.Spec.Alpha), study.Meters(t.Detectable)))),
			P(Class("sub"), g.Text("The mean waste of the schedules need not differ by that much: under each only some of the runs started not cleaned. The difference is per such run, with job mix and meters held.")))
	}
	return []g.Node{section("The trial of "+t.Station, body...)}
}

// notTheTrial says of what stands below that it compares runs as they came.
func (r *report) notTheTrial(what string) g.Node {
	t := r.res.Trial
	if t == nil || t.Refusal != "" {
		return nil
	}
	return P(Class("sub"), g.Text(fmt.Sprintf("%s compare runs as they came, for %s too: its trial does not rest on them, and they may differ from it.", what, t.Station)))
}

// trialMethod is the method of a trial, in words.
func (r *report) trialMethod() []string {
	if r.res.Trial == nil {
		return nil
	}
	return []string{
		"Trial: the schedules are drawn again as often as there are shifts, as the plan might have drawn them. The statistic is the waste above what the controls expect in the runs whose window the schedule leaves out; p is the share of draws in which it is as far from its mean as in the plan, the plan counted. It asks nothing of what drives the waste.",
		"The trial's ratio is the one that, taken out of the runs that started not cleaned, leaves the statistic of the plan at its mean; its interval holds every ratio that is not rejected. Crews that did not follow a schedule make it wider, not wrong, as long as the schedule changes waste through this station's cleaning only. Windows are counted by the runs that follow them, from the first run of the press's week on.",
	}
}
