package api

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// PlanTrial draws a trial: which of several cleaning schedules each press
// follows in each ISO week. Safety work is never varied, and no schedule goes
// beyond the maker's interval; where that is not on record there is no plan.
func (t *studyService) PlanTrial(ctx context.Context, req *pb.PlanTrialRequest) (*pb.PlanTrialResponse, error) {
	p := proto.Clone(req.GetPlan()).(*pb.TrialPlan)
	from, to, err := periodAt("plan.period", p.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := t.s.inScope(ctx, p.GetScope())
	if err != nil {
		return nil, err
	}
	var presses []*timeline.Press
	plan := &study.TrialPlan{Station: p.GetStation(), Mondays: study.Mondays(int32(from), int32(to)), Seed: p.GetSeed()}
	for _, id := range f.scope {
		if x := f.presses[id]; slices.Contains(x.Stations, p.GetStation()) {
			presses, plan.Presses = append(presses, x), append(plan.Presses, id)
		}
	}
	if len(presses) == 0 {
		return nil, notFound("station", p.GetStation())
	}
	for _, n := range p.GetEvery() {
		plan.Every = append(plan.Every, int(n))
	}
	if err := plan.Check(); err != nil {
		field, reason, _ := strings.Cut(strings.TrimPrefix(err.Error(), study.ErrSpec.Error()+": trial."), " ")
		return nil, invalid("plan."+field, reason)
	}
	p.Scope = &pb.Scope{Presses: plan.Presses} // one by one: a plant's list changes, a plan does not
	rules := rulesOf(presses, []string{p.GetStation()}, from, to)
	resp := &pb.PlanTrialResponse{Plan: p, Refusals: trialRefusals(presses, rules, p.GetStation(), slices.Max(plan.Every), from, to)}
	if len(resp.Refusals) > 0 {
		resp.Notes = rules.cautions
		return resp, nil
	}
	table := plan.Assign(plan.Seed, 0)
	for i, press := range plan.Presses {
		for w, monday := range plan.Mondays {
			resp.Assignments = append(resp.Assignments, &pb.TrialAssignment{Press: press, Week: timeline.Day(monday).String(), Every: int32(table[i][w])})
		}
	}
	begun := 0
	today := timeline.Day(t.s.now().UTC().Unix() / int64((24 * time.Hour).Seconds()))
	for _, m := range plan.Mondays {
		if timeline.Day(m) <= today {
			begun++
		}
	}
	if resp.DetectableMeters, err = t.detectable(ctx, plan, min(from-1, today)); err != nil {
		return nil, err
	}
	resp.Notes = append(trialNotes(p, begun, len(plan.Mondays), atShutdown(presses, p.GetStation(), from, to)), rules.cautions...)
	return resp, nil
}

// trialRefusals says why a station's cleaning may not be varied.
func trialRefusals(presses []*timeline.Press, rules *stationRules, station string, most int, from, to timeline.Day) (out []string) {
	if rules.safety != "" {
		return []string{fmt.Sprintf("safety: %s is safety work, which is never left to a draw: %s", station, rules.safety)}
	}
	say := func(format string, a ...any) {
		if s := fmt.Sprintf(format, a...); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	tasks := 0
	for _, p := range presses {
		for _, t := range tasksIn(p, station, from, to) {
			tasks++
			if t.MakerLimit <= 0 {
				say("maker: the maker's longest interval of %s is not on record (maker_limit of the task): no schedule can be shown to stay inside it", t.Slug)
				continue
			}
			for _, g := range t.Triggers {
				each := max(g.Every, 1)
				if g.Cadence == timeline.CadenceWeekly {
					each = 7
				}
				if far := each * float64(most); far > t.MakerLimit {
					say("maker: every %s window of %s is %g, the maker's longest interval %g as the plan counts it", ordinalWord(most), t.Slug, far, t.MakerLimit)
				}
				if days := each * float64(most); days > 7 && (g.Cadence == timeline.CadenceWeekly || g.Cadence == timeline.CadenceDays) {
					say("cadence: every %s window of %s is %g days; schedules change by the week, so it must fit into one", ordinalWord(most), t.Slug, days)
				}
			}
		}
	}
	if tasks == 0 {
		say("plan: no plan asks for %s on %s", station, from)
	}
	return out
}

// tasksIn are a press's tasks of a station in force on any of the days.
func tasksIn(p *timeline.Press, station string, from, to timeline.Day) (out []timeline.Task) {
	for i, plan := range p.Plans {
		if plan.ValidFrom > to || i+1 < len(p.Plans) && p.Plans[i+1].ValidFrom <= from {
			continue
		}
		for _, t := range plan.Tasks {
			if t.Station == station {
				out = append(out, t)
			}
		}
	}
	return out
}

// atShutdown: a task of the station is due at shut-down on some press.
func atShutdown(presses []*timeline.Press, station string, from, to timeline.Day) bool {
	for _, p := range presses {
		for _, t := range tasksIn(p, station, from, to) {
			if slices.ContainsFunc(t.Triggers, func(g timeline.Trigger) bool { return g.Cadence == timeline.CadenceShutdown }) {
				return true
			}
		}
	}
	return false
}

func ordinalWord(n int) string {
	switch n {
	case 1:
		return "single"
	case 2:
		return "second"
	case 3:
		return "third"
	}
	return fmt.Sprintf("%dth", n)
}

// trialNotes are what crews and their manager must know. The study of the trial
// (study.TrialPlan) counts windows by the runs that follow them within an ISO
// week and takes the first as cleaned under every schedule; the crews have to
// know that as it reads at the press. shutdown: some task is due at shut-down.
func trialNotes(p *pb.TrialPlan, begun, weeks int, shutdown bool) []string {
	first := "The first required window of each week must be cleaned, whatever the schedule (washout): the study counts on it, so that no week starts with what the one before left. "
	if shutdown {
		first = "The last required window before the first run of each week must be cleaned, whatever the schedule (washout): the study counts on it, so that no week starts with what the one before left. " +
			"For a clean at shut-down that is the last shut-down of the week before; the shut-down after the week's first run is its second window. "
	}
	out := []string{
		fmt.Sprintf("Keep this: station %s, schedules %v, seed %d. Draw once and follow it; a plan that is drawn until it pleases is no draw.", p.GetStation(), p.GetEvery(), p.GetSeed()),
		first + "\"Every 2nd\" then leaves out the next window, cleans at the one after, and so on to the end of the week; a window left out by plan is signed off as skipped.",
		"The plan never forbids a clean. Whoever sees that it is needed, for quality or for safety, cleans and signs off as on demand.",
		"The manager of the plant and the crews agree to the plan before it starts. Any schedule may be stopped for a press at any time; say so in a note.",
	}
	if begun > 0 {
		out = append(out, fmt.Sprintf("%d of %d weeks have begun: for them this only prints again what was drawn before.", begun, weeks))
	}
	return out
}

const (
	trialHistory  = 26 * 7 // days looked back at
	trialWeekRows = 3      // run days that make a week
	trialWeeks    = 20     // press-weeks needed
	twoSidedPower = 1.959963984540054 + 0.8416212335729143
)

// detectable is the difference per window left out that four of five such
// trials would find: 2.8 standard errors of the slope of weekly mean waste on
// the share of windows left out, with the spread between weeks of a press that
// the half year before last shows. 0: too little is on record.
func (t *studyService) detectable(ctx context.Context, plan *study.TrialPlan, last timeline.Day) (float64, error) {
	days, err := t.s.deps.Reader.PressDays(ctx, plan.Presses, last-trialHistory+1, last)
	if err != nil {
		return 0, err
	}
	spread, ok := weekSpread(days)
	if !ok {
		return 0, nil
	}
	return detectableMeters(plan, spread), nil
}

// detectableMeters with the standard deviation of weekly mean waste, m a run.
func detectableMeters(plan *study.TrialPlan, spread float64) float64 {
	var mean, sq float64
	k := float64(len(plan.Every))
	for _, n := range plan.Every {
		mean += (1 - 1/float64(n)) / k
	}
	for _, n := range plan.Every {
		d := 1 - 1/float64(n) - mean
		sq += d * d / k
	}
	return twoSidedPower * spread / math.Sqrt(sq*float64(len(plan.Presses)*len(plan.Mondays)))
}

// weekSpread is the standard deviation of a press's weekly mean waste around
// its own mean, m a run day; weeks with few run days are left out.
func weekSpread(days []timeline.PressDay) (float64, bool) {
	type week struct {
		press  string
		monday timeline.Day
	}
	type sum struct{ waste, rows float64 }
	weeks := map[week]sum{}
	var keys []week
	for i := range days {
		d := &days[i]
		if d.RunMS < leastRun || d.RunMM <= 0 {
			continue
		}
		k := week{d.Plant + "/" + d.Press, d.Day - timeline.Day(((int64(d.Day)+3)%7+7)%7)}
		s, known := weeks[k]
		if !known {
			keys = append(keys, k)
		}
		s.waste += float64(max(0, d.RunWaste-bothMM(d, loss.RestartWaste))) / 1000
		s.rows++
		weeks[k] = s
	}
	press := map[string]sum{}
	for _, k := range keys {
		if s := weeks[k]; s.rows >= trialWeekRows {
			p := press[k.press]
			press[k.press] = sum{p.waste + s.waste/s.rows, p.rows + 1}
		}
	}
	var sq, free float64
	for _, k := range keys {
		s, p := weeks[k], press[k.press]
		if s.rows >= trialWeekRows && p.rows > 1 {
			d := s.waste/s.rows - p.waste/p.rows
			sq += d * d
			free += 1 - 1/p.rows
		}
	}
	if free < trialWeeks {
		return 0, false
	}
	return math.Sqrt(sq / free), true
}
