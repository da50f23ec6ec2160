package main

import (
	"bytes"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// figuresAndIntervals asks everything that is drawn or reckoned from a kept
// study: figures and report the same twice, no word too strong in them, no
// request to anywhere; and safety work gets no interval, no age and no trial
// from cost, whatever is stated.
func (l *apiLine) figuresAndIntervals(t *testing.T, x *pb.Study) {
	t.Helper()
	for _, f := range []pb.PlotFormat{pb.PlotFormat_PLOT_FORMAT_SVG, pb.PlotFormat_PLOT_FORMAT_PNG} {
		req := &pb.GetStudyPlotRequest{Id: x.Id, Plot: pb.StudyPlot_STUDY_PLOT_FOREST, Format: f}
		a, err := l.studies.GetStudyPlot(l.ctx, req)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := l.studies.GetStudyPlot(l.ctx, req)
		magic := map[string]string{"image/svg+xml": "<svg ", "image/png": "\x89PNG"}[a.MediaType]
		if !bytes.Equal(a.Data, b.GetData()) || magic == "" || !bytes.HasPrefix(a.Data, []byte(magic)) || a.Description == "" {
			t.Errorf("%v: %s, %d and %d bytes", f, a.MediaType, len(a.Data), len(b.GetData()))
		}
	}
	for plot, code := range map[pb.StudyPlot]codes.Code{pb.StudyPlot_STUDY_PLOT_EVENT: codes.InvalidArgument, pb.StudyPlot_STUDY_PLOT_COST: codes.InvalidArgument} {
		if _, err := l.studies.GetStudyPlot(l.ctx, &pb.GetStudyPlotRequest{Id: x.Id, Plot: plot}); status.Code(err) != code {
			t.Errorf("%v without a station: %v", plot, err)
		}
	}
	if _, err := l.studies.GetStudyPlot(l.ctx, &pb.GetStudyPlotRequest{Id: x.Id, Plot: pb.StudyPlot_STUDY_PLOT_DOSE, Station: "no-such"}); status.Code(err) != codes.NotFound {
		t.Errorf("a station that is none: %v", err)
	}
	l.report(t, x)

	costs := &pb.IntervalCosts{Currency: "EUR", Clean: &pb.CostRange{Low: "12", High: "20"}, Meter: &pb.CostRange{Low: "0.35"}}
	rules := func(list []*pb.IntervalRefusal) (out []string) {
		for _, r := range list {
			out = append(out, r.Rule)
		}
		return out
	}
	// corona and static-bar are marked in the plan, uv-1 by its hazards.
	for _, station := range []string{"corona", "static-bar", "uv-1"} {
		a, err := l.studies.EstimateInterval(l.ctx, &pb.EstimateIntervalRequest{StudyId: x.Id, Station: station, Costs: costs, MakerLimitKm: 500, Override: "agreed, J. D., 2026-06-01"})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(rules(a.Refusals), []string{"safety"}) || len(a.Curve) > 0 || a.FromKm != 0 || a.ToKm != 0 || a.BestKm != 0 || a.LowerEndKm != 0 || a.TodayCost != 0 || len(a.Sensitivity) > 0 {
			t.Errorf("%s: %v", station, a)
		}
		if len(a.Notes) == 0 || !strings.Contains(strings.Join(a.Notes, " "), "maker's manual") {
			t.Errorf("%s: no cautions: %q", station, a.Notes)
		}
		if _, err := l.studies.GetStudyPlot(l.ctx, &pb.GetStudyPlotRequest{Id: x.Id, Plot: pb.StudyPlot_STUDY_PLOT_COST, Station: station, Costs: costs}); status.Code(err) != codes.FailedPrecondition {
			t.Errorf("%s: a cost curve: %v", station, err)
		}
		life, err := l.studies.EstimateLife(l.ctx, &pb.EstimateLifeRequest{Period: x.Spec.Period, Station: station, Costs: costs, FailureCost: "900"})
		if err != nil || !slices.Contains(rules(life.Refusals), "safety") || life.ReplaceAt != 0 {
			t.Errorf("%s: lives %v, %v", station, life, err)
		}
		plan, err := l.studies.PlanTrial(l.ctx, &pb.PlanTrialRequest{Plan: &pb.TrialPlan{Period: &pb.Period{FirstDay: "2027-01-04", LastDay: "2027-04-25"}, Station: station, Every: []int32{1, 2}, Seed: 7}})
		if err != nil || len(plan.Assignments) > 0 || len(plan.Refusals) != 1 || !strings.HasPrefix(plan.Refusals[0], "safety: ") {
			t.Errorf("%s: a trial %v, %v", station, plan, err)
		}
	}
	a, err := l.studies.EstimateInterval(l.ctx, &pb.EstimateIntervalRequest{StudyId: x.Id, Station: "web-cleaner", Costs: costs})
	if err != nil || len(a.Refusals) == 0 || slices.Contains(rules(a.Refusals), "safety") || a.BestKm != 0 || a.ToKm != 0 {
		t.Errorf("two weeks give no interval: %v, %v", a, err)
	}
	life, err := l.studies.EstimateLife(l.ctx, &pb.EstimateLifeRequest{Period: x.Spec.Period, Station: "die-station"})
	if err != nil || life.Failures == 0 || len(life.Reasons) == 0 || life.Reasons[len(life.Reasons)-1].CumulativeShare != 1 || !slices.Contains(rules(life.Refusals), "costs") {
		t.Errorf("lives of die-station: %v, %v", life, err)
	}
	l.trials(t)
}

// trials draws a plan once the maker's interval is on record, and refuses one
// that goes beyond it.
func (l *apiLine) trials(t *testing.T) {
	t.Helper()
	req := &pb.PlanTrialRequest{Plan: &pb.TrialPlan{Scope: &pb.Scope{Plants: []string{"linden"}}, Period: &pb.Period{FirstDay: "2027-01-04", LastDay: "2027-04-25"}, Station: "web-cleaner", Every: []int32{1, 2}, Seed: 7}}
	r, err := l.studies.PlanTrial(l.ctx, req)
	if err != nil || len(r.Assignments) > 0 || len(r.Refusals) != 1 || !strings.HasPrefix(r.Refusals[0], "maker: ") {
		t.Fatalf("a limit that is not on record: %v, %v", r, err)
	}
	got, err := l.registry.GetPlant(l.ctx, &pb.GetPlantRequest{Plant: "linden"})
	if err != nil {
		t.Fatal(err)
	}
	plant := got.Revision.Plant
	for _, p := range plant.Plans {
		for _, task := range p.Tasks {
			if task.Station == "web-cleaner" {
				task.MakerLimit = 2
			}
		}
	}
	if _, err := l.registry.ApplyPlant(l.ctx, &pb.ApplyPlantRequest{Plant: plant, ExpectedRev: got.Revision.Rev}); err != nil {
		t.Fatal(err)
	}
	r, err = l.studies.PlanTrial(l.ctx, req)
	if err != nil || len(r.Refusals) > 0 {
		t.Fatal(r, err)
	}
	presses := map[string]int{}
	for _, x := range r.Assignments {
		presses[x.Press]++
		if x.Every != 1 && x.Every != 2 {
			t.Error(x)
		}
	}
	for p, n := range presses {
		if n != 16 {
			t.Errorf("%s has %d weeks of 16", p, n)
		}
	}
	if len(presses) < 2 || len(r.Plan.Scope.Presses) != len(presses) || r.Plan.Seed != 7 || len(r.Notes) < 4 {
		t.Errorf("%v", r)
	}
	// The plan is what a study takes: named presses, the same seed. It is not
	// asked again, and a schedule beyond the maker's interval is refused.
	req.Plan.Every = []int32{1, 3}
	if r, err = l.studies.PlanTrial(l.ctx, req); err != nil || len(r.Assignments) > 0 || !strings.Contains(strings.Join(r.Refusals, " "), "maker: every third window") {
		t.Errorf("beyond the maker's: %v, %v", r, err)
	}
}

var (
	tags    = regexp.MustCompile(`(?s)<style>.*?</style>|<[^>]*>`)
	outside = regexp.MustCompile(`(?i)(src|href|action|srcset)\s*=|url\(|@import|<script|<link|<iframe`)
)

// report reads the page of a study.
func (l *apiLine) report(t *testing.T, x *pb.Study) {
	t.Helper()
	a, err := l.studies.GetStudyReport(l.ctx, &pb.GetStudyReportRequest{Id: x.Id})
	if err != nil {
		t.Fatal(err)
	}
	b, err := l.studies.GetStudyReport(l.ctx, &pb.GetStudyReportRequest{Id: x.Id})
	if err != nil || !bytes.Equal(a.Html, b.Html) {
		t.Errorf("the report is another the second time, %v", err)
	}
	page := string(a.Html)
	if m := outside.FindString(page); m != "" {
		t.Errorf("the report asks something of somewhere: %q", m)
	}
	text := tags.ReplaceAllString(page, " ")
	if bad := study.ForbiddenWords(text); bad != nil {
		t.Errorf("the report says %q", bad)
	}
	for _, want := range []string{x.Id, x.DataSha256, x.ResultSha256, "downweb study rerun " + x.Id, "Cleaning a press can hurt people", "Method", "Checks", "What was not controlled", "humidity", "How often this method is right", "<svg role=\"img\"", "@page{size:A4"} {
		if !strings.Contains(page, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
}
