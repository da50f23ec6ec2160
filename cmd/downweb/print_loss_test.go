package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/tablefile"
)

// Two currencies, two bases and the longest names still fit: what does not is
// left out and named.
func TestLossTableOfTwoCurrenciesFits(t *testing.T) {
	money := func(a string) []*pb.Money {
		return []*pb.Money{{Currency: "EUR", Amount: a, Basis: "press hour"}, {Currency: "USD", Amount: a, Basis: "contribution hour"}}
	}
	const h = 3_600_000_000
	tree := &pb.LossTree{PlannedBusyUs: 100_000 * h, ProductionUs: 70_000 * h, RatedUs: 64_000 * h, ValuableUs: 60_000 * h, Availability: 0.7, Effectiveness: 64.0 / 70, Quality: 60.0 / 64, Oee: 0.6, Ok: true,
		Leaves: []*pb.LossLeaf{
			{Leaf: "planned_cleaning", Name: "planned cleaning", Share: "cleaning", TimeUs: 30_000 * h, Money: money("12345678.90")},
			{Leaf: "restart_waste", Name: "restart-after-clean waste", Share: "cleaning", TimeUs: 10_000 * h, LengthMm: 123_456_789_000, Money: money("2345678.90")},
		},
		Sum: &pb.LossLeaf{TimeUs: 40_000 * h, Money: money("14691357.80")}, Cleaning: &pb.LossLeaf{Money: money("14691357.80")}, Dirt: &pb.LossLeaf{Money: money("0")},
		Outside:           []*pb.LossLeaf{{Leaf: "cleaning_labour", Name: "labour of cleaning outside planned time", Money: []*pb.Money{{Currency: "EUR", Amount: "7.00"}}}},
		Coverage:          &pb.Coverage{PlannedMs: 1, MeasuredMs: 1, KnownShare: 1},
		RestartEstimateMm: &pb.Estimate{Value: 123_456_000, Low: 100_000_000, High: 150_000_000, N: 42, Ok: true}, DownstreamMm: 5_000}
	var b bytes.Buffer
	printLoss(&b, lossPage{resp: answer(tree), scope: "the fleet", summary: &pb.GetLossSummaryResponse{Sentence: "Maintenance cost the fleet 40.0 points of OEE."}})
	golden(t, "loss_two_currencies.txt", b.String())
	for _, want := range []string{"Maintenance cost the fleet 40.0", "123,456 m (100,000 to 150,000) over 42 restarts", "The estimate is in no sum", "22:00 Europe/Berlin"} {
		if !strings.Contains(strings.Join(strings.Fields(b.String()), " "), want) {
			t.Errorf("%q is missing", want)
		}
	}
	// Over two zones there is no local time: it says so.
	r := answer(tree)
	r.Zones = append(r.Zones, "America/Chicago")
	b.Reset()
	printLoss(&b, lossPage{resp: r, scope: "the fleet"})
	if !strings.Contains(b.String(), "2026-06-15 20:00 UTC") {
		t.Errorf("two zones:\n%s", b.String())
	}
}

func viewOf(t *pb.LossTree) *pb.LossTree {
	const m = 60_000_000
	t.View = []*pb.ViewLine{
		{Line: "aubt", Name: "actual unit busy time (AUBT)", TimeUs: 420 * m, Points: 93.33}, {Line: "aupt", Name: "actual unit processing time (AUPT)", Level: 1, TimeUs: 408 * m},
		{Line: "aust", Name: "actual unit set-up time (AUST)", Level: 2, TimeUs: 78 * m}, {Line: "apt", Name: "actual production time (APT)", Level: 2, TimeUs: 330 * m},
		{Line: "adet", Name: "actual unit delay time (ADET): job open", Level: 1, TimeUs: 12 * m}, {Line: "adot", Name: "actual unit down time (ADOT)", TimeUs: 30 * m},
		{Line: "apmt", Name: "of it cleaning and maintenance (APMT)", Level: 1, TimeUs: 22 * m}}
	return t
}

func TestLossView(t *testing.T) {
	one := viewOf(earlyShift())
	one.Key = "rhein/p1"
	var b bytes.Buffer
	printLoss(&b, lossPage{resp: answer(viewOf(earlyShift()), one), scope: "rhein", as: "iso22400"})
	golden(t, "loss_view.txt", b.String())
	var rows bytes.Buffer
	if err := tablefile.Write(&rows, tablefile.CSV, tablefile.FromRows("loss", lossRows(answer(viewOf(earlyShift())), "iso22400"))); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(rows.String(), "aubt,,,,25200000000,0,,,,93.33,iso22400,0\n") {
		t.Errorf("CSV:\n%s", rows.String())
	}
}

func comparison() *comparePage {
	a, b := earlyShift(), earlyShift()
	b.ValuableUs -= 1_200_000_000 // 20 min more of set-up
	b.Leaves[2].TimeUs += 1_200_000_000
	b.Availability, b.Oee = 310.0/450, 270.3/450
	b.Sum = proto.CloneOf(b.Sum)
	b.Sum.Money = eur("817.24") // each leaf 1.234 more
	r := &pb.CompareLossesResponse{A: a, B: b, Ok: true, OeePoints: 100 * (270.3 - 290.3) / 450,
		Factors: []*pb.FactorShare{{Factor: "availability", A: a.Availability, B: b.Availability, Points: -4.01}, {Factor: "effectiveness", A: 0.9, B: 0.9, Points: 0.0011}, {Factor: "quality", A: a.Quality, B: b.Quality, Points: 0.0051}, {Factor: "mix", Points: -0.44064444}},
		Notes:   []string{"Planned time differs."}, AsOf: answer(a).AsOf}
	for i := range a.Leaves {
		r.Leaves = append(r.Leaves, &pb.LeafDifference{Leaf: a.Leaves[i].Leaf, Name: a.Leaves[i].Name, Money: eur("1.234"), MinutesPer_100H: float64(b.Leaves[i].TimeUs-a.Leaves[i].TimeUs) / 450 / 1e4})
	}
	day := func(d string) *pb.Period { return &pb.Period{FirstDay: d, LastDay: d} }
	return &comparePage{resp: r, scopeA: "rhein/p1", scopeB: "rhein/p1", periodA: day("2026-06-15"), periodB: day("2026-06-16"), zones: []string{"Europe/Berlin"}}
}

func TestCompareTable(t *testing.T) {
	var b bytes.Buffer
	printCompare(&b, comparison())
	golden(t, "compare.txt", b.String())
	refused := comparison()
	refused.resp.Ok, refused.resp.Notes = false, []string{"Refused: presses of different kinds are not compared (a: flexo; b: offset)."}
	b.Reset()
	printCompare(&b, refused)
	if !strings.HasPrefix(b.String(), "Refused: presses of different kinds") || strings.Contains(b.String(), "factor") {
		t.Errorf("refused:\n%s", b.String())
	}
}

func TestOtherPeriod(t *testing.T) {
	week := &pb.Period{FirstDay: "2026-06-22", LastDay: "2026-06-28"}
	for text, want := range map[string]string{"before": "2026-06-15 to 2026-06-21", "2026-W25": "2026-06-15 to 2026-06-21", "2026-02": "2026-02-01 to 2026-02-28", "2026-06-01..2026-06-03": "2026-06-01 to 2026-06-03", "2026-06-01": "2026-06-01"} {
		p, err := otherPeriod(text, week)
		if err != nil || periodText(p) != want {
			t.Errorf("%s is %v, %v, want %s", text, p, err, want)
		}
	}
	for _, bad := range []string{"", "..", "2026-06-01..", "yesterday", "2026-W60", "2026-06-03..2026-06-01"} {
		var usage usageError
		if _, err := otherPeriod(bad, week); !errors.As(err, &usage) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if _, err := otherScope("rhein/P 1"); err == nil {
		t.Error("a press without a slug is taken")
	}
}

func lossTrend() *pb.ListLossSeriesResponse {
	s := func(slug, name string, values ...float64) *pb.LossSeries {
		out := &pb.LossSeries{Series: slug, Name: name, Limits: &pb.XmrLimits{Ok: true, Center: 5, Low: 3, High: 7, MeanRange: 0.75, N: 8, Method: "individuals chart"}}
		for i, v := range values {
			p := &pb.SeriesPoint{Key: fmt.Sprintf("2026-W%02d", 10+i), Value: v, KnownShare: 0.991}
			if v > 7 {
				p.Signals = []string{"beyond the limits"}
			}
			out.Points = append(out.Points, p)
		}
		out.Points[0].LeftOut, out.Points[0].LeftOutWhy = true, "less than 90 % known"
		return out
	}
	return &pb.ListLossSeriesResponse{Series: []*pb.LossSeries{s("oee", "OEE", 4, 5, 6, 5, 4, 5, 6, 5, 4), s("dirt", "dirt", 4, 5, 6, 5, 4, 5, 9, 5, 2.5)},
		Changes: []*pb.SeriesChange{{Series: "dirt", Name: "dirt", Key: "2026-W16", Signal: "beyond the limits", Points: 4, Money: eur("1234.5")}},
		Period:  &pb.Period{FirstDay: "2026-03-02", LastDay: "2026-05-03"}, AsOf: answer(nil).AsOf}
}

func TestLossTrendTable(t *testing.T) {
	var b bytes.Buffer
	printLossTrend(&b, lossTrend(), "the fleet", []string{"Europe/Berlin"}, []string{"the date it starts on"})
	golden(t, "loss_trend.txt", b.String())
	one := lossTrend()
	one.Series = one.Series[1:]
	b.Reset()
	printLossTrend(&b, one, "the fleet", []string{"Europe/Berlin"}, nil)
	golden(t, "loss_trend_dirt.txt", b.String())
	short := lossTrend()
	short.Changes = nil
	for _, s := range short.Series {
		s.Limits = &pb.XmrLimits{Method: "too short a history: limits need 8 steps"}
	}
	b.Reset()
	printLossTrend(&b, short, "the fleet", nil, nil)
	if !strings.HasPrefix(b.String(), "Too short a history") {
		t.Errorf("short:\n%s", b.String())
	}
}

func TestIndicatorsTable(t *testing.T) {
	set := func(key string) *pb.IndicatorSet {
		return &pb.IndicatorSet{Key: key, Indicators: []*pb.Indicator{
			{Indicator: "oee", Name: "OEE index", Unit: "ratio", Formula: "availability · effectiveness · quality ratio", Source: "ISO 22400-2:2014", Value: &pb.Estimate{Ok: true, Value: 0.65, Low: 0.65, High: 0.65, N: 7, Method: "ratio of sums"}},
			{Indicator: "mtbf", Name: "mean operating time between failures", Unit: "minutes", Formula: "Σ TBF / failures; long", Source: "ISO 22400-2:2014; limits: e-Handbook", Value: &pb.Estimate{Ok: true, Value: 7400, Low: 5000, High: 12000, N: 12, Method: "chi-square"}},
			{Indicator: "mttr", Name: "mean time to restoration", Unit: "minutes", Formula: "Σ TTR / failures", Source: "ISO 22400-2:2014; limits: e-Handbook", Value: &pb.Estimate{Ok: true, Value: 21.04, Low: 12, High: 40, N: 12, Method: "exact"}},
			{Indicator: "rework_ratio", Name: "rework ratio", Unit: "ratio", Formula: "RQ / PQ", Source: "ISO 22400-2:2014", Value: &pb.Estimate{Method: "rework is not recorded"}},
		}}
	}
	r := &pb.GetIndicatorsResponse{Sets: []*pb.IndicatorSet{set(""), set("rhein/p1")}, Period: &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-21"}, AsOf: answer(nil).AsOf}
	var b bytes.Buffer
	printIndicators(&b, r, "the fleet", []string{"Europe/Berlin"}, nil)
	golden(t, "indicators.txt", b.String())
}

// A watch writes once per change of the figures, in blocks where there is no
// terminal, waits while the api is away, and ends with its context.
func TestWatch(t *testing.T) {
	var out, errs bytes.Buffer
	a := &app{out: &out, err: &errs}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	n := 0
	one := func(context.Context) (proto.Message, func(io.Writer) error, error) {
		n++
		if n == 4 || n == 5 {
			return nil, nil, status.Error(codes.Unavailable, "away")
		}
		if n == 8 {
			cancel()
		}
		r := answer(earlyShift())
		r.AsOf.Pos = uint64(n) // other presses' events: no change
		if n >= 3 {
			r.Total.ClosedByRule = 1
		}
		return r, func(w io.Writer) error { _, err := fmt.Fprintf(w, "block %d\n", n); return err }, nil
	}
	if err := a.watchAt(ctx, time.Millisecond, one); err != nil {
		t.Fatal(err)
	}
	if out.String() != "block 1\n\nblock 3\n" {
		t.Errorf("out %q", out.String())
	}
	if strings.Count(errs.String(), "away") != 1 {
		t.Errorf("errors %q", errs.String())
	}
	// An error at the start is no wait.
	if err := a.watchAt(t.Context(), time.Millisecond, func(context.Context) (proto.Message, func(io.Writer) error, error) {
		return nil, nil, status.Error(codes.Unavailable, "away")
	}); err == nil {
		t.Error("nobody home at the start is no error")
	}
}

func TestLossFlags(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"loss --as isa95", "want iso22400, semi-e10, six-losses"},
		{"loss --compare-to before --by press", "stand without"},
		{"loss --watch -o csv", "writes tables or JSON"},
		{"loss trend --step hour", "want day, month, week"},
		{"loss indicators --by day", "want kind, plant, press"},
	} {
		code, _, errs := command(t, strings.Fields(c.args)...)
		if code != 2 || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit %d, %s", c.args, code, errs)
		}
	}
}
