package main

import (
	"bytes"
	"math"
	"os"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (l *apiLine) losses() pb.LossServiceClient { return pb.NewLossServiceClient(l.conn) }

func press(names ...string) *pb.Scope { return &pb.Scope{Presses: names} }

func days(first, last string) *pb.Period { return &pb.Period{FirstDay: first, LastDay: last} }

var june15 = days("2026-06-15", "2026-06-15")

func nearTo(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s is %.9f, want %.9f", what, got, want)
	}
}

// Views of the worked shifts: top lines add up to planned time whatever the
// grouping; minutes as worked by hand (testdata/scenarios/worked-shifts/story.md).
func (l *apiLine) views(t *testing.T) {
	minutes := func(lines []*pb.ViewLine) map[string]float64 {
		out := map[string]float64{}
		for _, x := range lines {
			out[x.Line] = float64(x.TimeUs) / 60e6
		}
		return out
	}
	// Every grouping once, over the three views.
	groupsOf := map[pb.LossView][]pb.LossGroup{
		pb.LossView_LOSS_VIEW_SEMI_E10:   {pb.LossGroup_LOSS_GROUP_UNSPECIFIED, pb.LossGroup_LOSS_GROUP_PRESS, pb.LossGroup_LOSS_GROUP_DAY},
		pb.LossView_LOSS_VIEW_SIX_LOSSES: {pb.LossGroup_LOSS_GROUP_KIND, pb.LossGroup_LOSS_GROUP_SHIFT, pb.LossGroup_LOSS_GROUP_STATION, pb.LossGroup_LOSS_GROUP_MONTH},
		pb.LossView_LOSS_VIEW_ISO22400:   {pb.LossGroup_LOSS_GROUP_PLANT, pb.LossGroup_LOSS_GROUP_WEEK, pb.LossGroup_LOSS_GROUP_FAMILY},
	}
	for _, view := range []pb.LossView{pb.LossView_LOSS_VIEW_SEMI_E10, pb.LossView_LOSS_VIEW_SIX_LOSSES, pb.LossView_LOSS_VIEW_ISO22400} {
		for _, by := range groupsOf[view] {
			r, err := l.losses().GetLosses(l.ctx, &pb.GetLossesRequest{Period: june, GroupBy: by, View: view})
			if err != nil {
				t.Fatal(err)
			}
			for _, tree := range append(r.Groups, r.Total) {
				var sum int64
				for _, x := range tree.View {
					if x.Level == 0 {
						sum += x.TimeUs
					}
				}
				if sum != tree.PlannedBusyUs || len(tree.View) == 0 {
					t.Errorf("%v by %v, %q: lines add up to %d of %d", view, by, tree.Key, sum, tree.PlannedBusyUs)
				}
			}
		}
	}
	for _, c := range []struct {
		press string
		view  pb.LossView
		want  map[string]float64
	}{
		// Early shift: set-up 78, planned cleaning 22, breakdown 12 without a reason of
		// its own job, waiting 8, production 330.
		{"rhein/p1", pb.LossView_LOSS_VIEW_SEMI_E10, map[string]float64{"prd": 330, "sby": 8, "eng": 0, "sdt": 100, "udt": 12, "no_record": 0}},
		{"rhein/p1", pb.LossView_LOSS_VIEW_SIX_LOSSES, map[string]float64{"breakdown": 12, "setup_adjustment": 78, "minor_stops": 0, "reduced_speed": 33, "valuable": 290.3, "none_of_six": 30, "planned_stops": 22}},
		{"rhein/p1", pb.LossView_LOSS_VIEW_ISO22400, map[string]float64{"apt": 330, "aust": 78, "aupt": 408, "apmt": 22}},
		// Late shift: planned 33 + overrun 12, contamination stop 30, breakdown 5,
		// waiting 10, no record 30.
		{"rhein/p2", pb.LossView_LOSS_VIEW_SEMI_E10, map[string]float64{"prd": 330, "sby": 10, "sdt": 45, "udt": 35, "no_record": 30}},
		{"rhein/p2", pb.LossView_LOSS_VIEW_SIX_LOSSES, map[string]float64{"breakdown": 35, "reduced_speed": 29.25, "valuable": 293.125, "planned_stops": 45, "no_record": 30}},
	} {
		r, err := l.losses().GetLosses(l.ctx, &pb.GetLossesRequest{Scope: press(c.press), Period: june15, View: c.view})
		if err != nil {
			t.Fatal(err)
		}
		got := minutes(r.Total.View)
		for line, want := range c.want {
			nearTo(t, c.press+" "+line, got[line], want, 1e-6)
		}
		if c.view == pb.LossView_LOSS_VIEW_ISO22400 {
			nearTo(t, "AUBT + ADOT", got["aubt"]+got["adot"], 450, 1e-6)
			nearTo(t, "ADET + stops without a job", got["adet"]+got["adot"]-got["apmt"], 20, 1e-6)
		}
	}
}

// The night in March against the Monday in June, worked by hand: OEE 951/1300 of
// p3, then (290.3 + 293.125)/900 of p1 and p2. No press ran in both periods, so
// all of the difference is mix.
func (l *apiLine) compareShifts(t *testing.T) {
	march := days("2026-03-28", "2026-03-28")
	r, err := l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{PeriodA: march, PeriodB: june15})
	if err != nil {
		t.Fatal(err)
	}
	if !r.Ok {
		t.Fatalf("refused: %v", r.Notes)
	}
	want := 100 * ((290.3+293.125)/900 - 951.0/1300)
	nearTo(t, "difference", r.OeePoints, want, 1e-6)
	leaves, factors := 0.0, 0.0
	for _, x := range r.Leaves {
		leaves += x.Points
		if x.Leaf == "setup" { // 30 of 390 min, EUR 90; then 78 of 900, EUR 234
			nearTo(t, "set-up", x.Points, 100*(78.0/900-30.0/390), 1e-9)
			nearTo(t, "set-up, min in 100 h", x.MinutesPer_100H, 6000*(78.0/900-30.0/390), 1e-6)
			if len(x.Money) != 1 || x.Money[0].Amount != "144.00" || x.Money[0].Currency != "EUR" {
				t.Errorf("money %v", x.Money)
			}
		}
	}
	for _, x := range r.Factors {
		factors += x.Points
	}
	nearTo(t, "leaves", -leaves, want, 1e-6)
	nearTo(t, "factors", factors, want, 1e-6)
	if len(r.Factors) != 4 || r.Factors[3].Factor != "mix" || r.Factors[0].A != r.A.Availability {
		t.Fatalf("factors %v", r.Factors)
	}
	nearTo(t, "availability", r.Factors[0].Points, 0, 1e-9)
	nearTo(t, "mix", r.Factors[3].Points, want, 1e-6)
	if !strings.Contains(strings.Join(r.Notes, " "), "Planned time differs") {
		t.Errorf("notes %q", r.Notes)
	}
	// The other way round: the same with the other sign. Against itself: nothing.
	back, err := l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{PeriodA: june15, PeriodB: march})
	if err != nil || !back.Ok {
		t.Fatal(err, back.GetNotes())
	}
	zero, err := l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{PeriodA: june15, PeriodB: june15})
	if err != nil || !zero.Ok {
		t.Fatal(err, zero.GetNotes())
	}
	for i := range r.Factors {
		nearTo(t, "exchanged "+r.Factors[i].Factor, back.Factors[i].Points, -r.Factors[i].Points, 1e-9)
		nearTo(t, "against itself "+r.Factors[i].Factor, zero.Factors[i].Points, 0, 0)
	}
	// Two kinds are not compared.
	r, err = l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{ScopeA: press("rhein/p1"), ScopeB: press("rhein/p2"), PeriodA: june15})
	if err != nil || r.Ok || !strings.Contains(strings.Join(r.Notes, " "), "different kinds are not compared (a: early; b: late)") || r.A.GetPlannedBusyUs() == 0 {
		t.Errorf("%v, %v", r, err)
	}
	// Nothing planned on the other side is refused, in words.
	r, err = l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{ScopeA: press("rhein/p1"), PeriodA: june15, PeriodB: days("2020-01-06", "2020-01-06")})
	if err != nil || r.Ok || len(r.Factors) != 0 || !strings.Contains(strings.Join(r.Notes, " "), "Refused: nothing was planned in b") {
		t.Errorf("%v, %v", r, err)
	}
	_, err = l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{PeriodA: june15})
	wantField(t, err, "scope_b")
	_, err = l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{PeriodA: june15, PeriodB: days("2026-06-16", "2026-06-15")})
	wantField(t, err, "period_b.last_day")
	_, err = l.losses().CompareLosses(l.ctx, &pb.CompareLossesRequest{PeriodA: june15, ScopeB: press("rhein/none")})
	wantStatus(t, err, codes.NotFound, "none")
}

func (l *apiLine) series(t *testing.T) {
	r, err := l.losses().ListLossSeries(l.ctx, &pb.ListLossSeriesRequest{Scope: press("rhein/p1", "rhein/p2"), Period: days("2026-06-14", "2026-06-16"), Step: pb.SeriesStep_SERIES_STEP_DAY, Series: []string{"oee", "cleaning", "setup"}})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Series) != 3 || len(r.Series[0].Points) != 3 || r.Series[0].Limits.Ok || !strings.Contains(r.Series[0].Limits.Method, "too short") || len(r.Changes) != 0 {
		t.Fatalf("%v", r)
	}
	p := r.Series[0].Points
	if p[0].Key != "2026-06-14" || !p[0].LeftOut || p[0].LeftOutWhy != "nothing planned" || p[1].Key != "2026-06-15" {
		t.Errorf("points %v", p)
	}
	nearTo(t, "OEE of the day", p[1].Value, 100*(290.3+293.125)/900, 1e-6)
	nearTo(t, "cleaning", r.Series[1].Points[1].Value, 100*(22.0+45)/900, 1e-6)
	nearTo(t, "set-up", r.Series[2].Points[1].Value, 100*78.0/900, 1e-6)
	nearTo(t, "known", p[1].KnownShare, 870.0/900, 1e-9)
	// A week of which only Monday was reported is not a whole week.
	r, err = l.losses().ListLossSeries(l.ctx, &pb.ListLossSeriesRequest{Period: days("2026-06-15", "2026-06-30")})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Series) < 20 || len(r.Series[0].Points) != 3 {
		t.Fatalf("%d series of %d weeks", len(r.Series), len(r.Series[0].Points))
	}
	for _, x := range r.Series[0].Points {
		if !x.LeftOut || x.LeftOutWhy == "" {
			t.Errorf("week %v", x)
		}
	}
	_, err = l.losses().ListLossSeries(l.ctx, &pb.ListLossSeriesRequest{Period: june15, Series: []string{"oee", "nonsense"}})
	wantField(t, err, "series[1]")
}

func (l *apiLine) indicators(t *testing.T) {
	r, err := l.losses().GetIndicators(l.ctx, &pb.GetIndicatorsRequest{Scope: press("rhein/p1", "rhein/p2"), Period: june15, GroupBy: pb.LossGroup_LOSS_GROUP_PRESS})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Sets) != 3 || r.Sets[0].Key != "" || r.Sets[1].Key != "rhein/p1" {
		t.Fatalf("%d sets", len(r.Sets))
	}
	by := map[string]*pb.Indicator{}
	for _, i := range r.Sets[1].Indicators {
		by[i.Indicator] = i
		if i.Formula == "" || i.Source == "" || i.Value.Method == "" {
			t.Errorf("%v", i)
		}
	}
	// The early shift: set-up 78, production 330 of 450; rated 297, valuable 290.3;
	// one breakdown of 12 min.
	nearTo(t, "OEE", by["oee"].Value.Value, 2903.0/4500, 1e-9)
	nearTo(t, "NEE", by["nee"].Value.Value, 408.0/450*0.9*290.3/297, 1e-9)
	nearTo(t, "set-up ratio", by["setup_ratio"].Value.Value, 78.0/408, 1e-9)
	nearTo(t, "scrap ratio", by["scrap_ratio"].Value.Value, 6.7/297, 1e-9)
	nearTo(t, "MTTR", by["mttr"].Value.Value, 12, 1e-9)
	nearTo(t, "MTBF", by["mtbf"].Value.Value, 408, 1e-9)
	// One failure, 95 %: factors 0.179480259204 and 39.49789020521 (mtbf_factors.csv).
	nearTo(t, "MTBF from", by["mtbf"].Value.Low, 408*0.179480259204, 1e-5)
	nearTo(t, "MTBF to", by["mtbf"].Value.High, 408*39.49789020521, 1e-3)
	if by["mtbf"].Value.N != 1 || by["rework_ratio"].Value.Ok || by["mtbf_dirt"].Value.Ok {
		t.Errorf("%v, %v, %v", by["mtbf"], by["rework_ratio"], by["mtbf_dirt"])
	}
	_, err = l.losses().GetIndicators(l.ctx, &pb.GetIndicatorsRequest{Period: june15, GroupBy: pb.LossGroup_LOSS_GROUP_DAY})
	wantField(t, err, "group_by")
}

func (l *apiLine) summary(t *testing.T) {
	r, err := l.losses().GetLossSummary(l.ctx, &pb.GetLossSummaryRequest{Scope: press("rhein/p2"), Period: june15})
	if err != nil {
		t.Fatal(err)
	}
	// The late shift: cleaning 45 min, EUR 135.00, 10 points; dirt 34.625 min, EUR
	// 124.875, 7.6944 points; together EUR 259.875, half to even.
	for _, want := range []string{"Maintenance cost rhein/p2 17.7 points of OEE, 80 min and EUR 259.88: cleaning 10.0 (45 min), dirt 7.7 (35 min); most put down to one station: uv-1 (",
		"93.3 % of the time known", "less than a week"} {
		if !strings.Contains(r.Sentence, want) {
			t.Errorf("%q is not in %q", want, r.Sentence)
		}
	}
	nearTo(t, "cleaning", r.CleaningPoints, 10, 1e-9)
	nearTo(t, "dirt", r.DirtPoints, 100*34.625/450, 1e-9)
	if len(r.Parts) != 7 || r.Parts[3].Key != "uv-1" || len(r.Money) != 1 || r.Money[0].Amount != "259.88" || r.Duties == nil {
		t.Errorf("%v", r)
	}
	if r, err = l.losses().GetLossSummary(l.ctx, &pb.GetLossSummaryRequest{Period: days("2026-06-15", "2026-06-21")}); err != nil || !strings.Contains(r.Sentence, "too few weeks before it to say what is usual") && !strings.Contains(r.Sentence, "too little is known") {
		t.Errorf("%v, %v", r, err)
	}
	if r, err = l.losses().GetLossSummary(l.ctx, &pb.GetLossSummaryRequest{Period: days("2020-01-06", "2020-01-12")}); err != nil || !strings.HasPrefix(r.Sentence, "Nothing was planned for the fleet in 2020-01-06 to 2020-01-12") || len(r.Money) != 0 {
		t.Errorf("%v, %v", r, err)
	}
	// The commands over the same api.
	for _, c := range []struct{ args, want string }{
		{"loss --press rhein/p2 --from 2026-06-15 --to 2026-06-15 --as semi-e10", "unscheduled downtime (UDT)"},
		{"loss --press rhein/p2 --from 2026-06-15 --to 2026-06-15 --against rhein/p1", "Refused: presses of different kinds"},
		{"loss --from 2026-06-15 --to 2026-06-15 --compare-to before", "Refused: nothing was planned in a"},
		{"loss trend --from 2026-06-15 --to 2026-06-30", "Too short a history"},
		{"loss indicators --from 2026-06-15 --to 2026-06-15 --by press", "MTTR min"},
	} {
		var out, errs bytes.Buffer
		if code := run(l.ctx, os.Environ(), append(strings.Fields(c.args), "--addr", l.conn.Target()), strings.NewReader(""), &out, &errs); code != 0 || !strings.Contains(out.String(), c.want) {
			t.Errorf("%s: exit %d, %s\n%s", c.args, code, errs.String(), out.String())
		}
	}
}
