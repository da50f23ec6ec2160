package api

import (
	"fmt"
	"math"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	g "maragu.dev/gomponents"
	. "maragu.dev/gomponents/html" //nolint:staticcheck // one word an element

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/services/api/plot"
)

func isNoFigure(err error) bool { return status.Code(err) == codes.FailedPrecondition }

func noFigureText(err error) string {
	return strings.TrimPrefix(status.Convert(err).Message(), "there is nothing to draw: ")
}

// results is one line a station.
func (r *report) results() []g.Node {
	if len(r.res.Findings) == 0 {
		return []g.Node{P(g.Text("There are no results: " + or(r.res.Refused, "no station") + "."))}
	}
	var rows, second [][]string
	for i := range r.res.Findings {
		x := &r.res.Findings[i]
		row := []string{x.Name, "none", "", "", "", "", fmt.Sprint(x.NotCleaned), fmt.Sprint(x.Informative), "", fmt.Sprintf("%d %s", x.Grade, x.GradeName)}
		if e := x.Waste; e != nil {
			row[1] = fmt.Sprintf("%s (%s to %s)", study.Meters(e.Difference), study.Meters(e.Low), study.Meters(e.High))
			row[2] = fmt.Sprintf("%.2f (%.2f to %.2f)", e.Ratio, e.RatioLow, e.RatioHigh)
		}
		if t := x.Test; t != nil {
			row[3], row[4], row[5] = pWord(t.P), pWord(t.Adjusted), pWord(t.Holm)
		}
		if x.Detectable != nil {
			row[8] = study.Meters(x.Detectable.Meters)
		}
		if t := trialOf(r.res, x); t != nil { // one question, one p: nothing to adjust for
			row[1] = fmt.Sprintf("%s (%s to %s), trial", study.Meters(t.Effect), study.Meters(t.Low), study.Meters(t.High))
			row[2] = fmt.Sprintf("%.2f (%.2f to %.2f)", math.Exp(t.Beta), math.Exp(t.BetaLow), math.Exp(t.BetaHigh))
			row[3], row[4], row[5], row[8] = pWord(t.P), "–", "–", study.Meters(t.Detectable)
		}
		rows = append(rows, row)
		for _, o := range []struct{ key, name string }{{"net_waste", "net of restart waste, m"}, {"setup_waste", "set-up waste, m"}, {"contamination_waste", "waste booked to contamination, m"}, {"contamination_minutes", "contamination minutes"}} {
			if e := x.Secondary[o.key]; e != nil && x.Grade >= study.Suggestive {
				second = append(second, []string{x.Name, o.name, fmt.Sprintf("%s (%s to %s)", study.Meters(e.Difference), study.Meters(e.Low), study.Meters(e.High)), fmt.Sprintf("%.2f", e.Ratio)})
			}
		}
	}
	out := []g.Node{
		table([]string{"Station", "Difference, m a run (95 %)", "Rate ratio (95 %)", "p", "p adjusted", "p Holm", "Runs not cleaned", "Presses", "Usually found from, m", "Grade"}, rows),
		P(Class("sub"), g.Text("Difference: waste of a run that started not cleaned, less what the model expects of the same press, job mix and meters had it started clean. p: shift test of the station alone; adjusted: over all stations (step-down max-T); Holm beside it. Usually found from: four of five such studies would find it.")),
	}
	if t := r.res.Trial; t != nil && t.Refusal == "" {
		out = append(out, P(Class("sub"), g.Text(t.Station+": by its trial alone. Its p is of drawing the schedules again, and one question needs no adjustment.")))
	}
	if len(second) > 0 {
		out = append(out, H3(g.Text("Other outcomes")), r.notTheTrial("These outcomes"), table([]string{"Station", "Outcome, a run", "Difference (95 %)", "Rate ratio"}, second))
	}
	return out
}

func pWord(p float64) string {
	switch {
	case p <= 0 || p > 1:
		return ""
	case p < 0.0001:
		return "< 0.0001"
	}
	return fmt.Sprintf("%.4f", p)
}

// checks is a column a check, a line a station.
func (r *report) checks() []g.Node {
	var rows [][]string
	line := func(l *study.Line) string {
		if l == nil {
			return "–"
		}
		return fmt.Sprintf("%+.3f (p %s)", l.Beta, plot.Small(l.P))
	}
	beta := func(b *float64) string {
		if b == nil {
			return "–"
		}
		return fmt.Sprintf("%.2f", math.Exp(*b))
	}
	for i := range r.res.Findings {
		x := &r.res.Findings[i]
		c := x.Checks
		if c == nil || x.Waste == nil {
			continue
		}
		rows = append(rows, []string{x.Name, fmt.Sprintf("%.2f", x.Waste.Ratio), line(c.Lead), line(c.CarryOver), line(c.Unrelated), line(c.ConditionFound),
			beta(c.Alone), beta(c.NoLaggedWaste), beta(c.NoTopRows), beta(c.DoubtfulAsNot),
			fmt.Sprintf("%.2f to %.2f", math.Exp(c.WithoutOneLow), math.Exp(c.WithoutOneHigh)), fmt.Sprintf("%.0f %%", 100*c.MaxInformation), fmt.Sprintf("%.2f; %.2f", c.EValue, c.EValueInterval)})
	}
	if len(rows) == 0 {
		return []g.Node{P(g.Text("No station had a number to check."))}
	}
	return []g.Node{
		r.notTheTrial("These checks"),
		Div(Class("wide"), table([]string{"Station", "Ratio", "Next window", "Carry-over", "Unrelated waste", "Condition found", "Alone", "No lagged waste", "No top 1 %", "Doubtful recoded", "Each press left out", "Most on one press", "E-value; of the interval"}, rows)),
		list([]string{
			"Next window: waste should not go with whether the next window is cleaned. Carry-over: cleaned now, not cleaned the window before. Both: coefficient and shift-test p.",
			"Unrelated waste: booked splice and material waste, which cleaning should not go with.",
			"Condition found: steps worse at the next sign-off after a window without a clean; it should be above 0, or sign-offs may not describe the cleaning.",
			"The columns from Alone to Each press left out are rate ratios to set beside Ratio. Most on one press: its share of the information.",
			"E-value: an unmeasured driver that goes with both the missed clean and the waste by this ratio each could explain the difference away; the second figure is for the interval end nearer to none.",
		}),
	}
}

// dataUsed says which rows were used and which were not.
func (r *report) dataUsed() []g.Node {
	var rows [][]string
	for _, p := range r.res.Presses {
		in := "yes"
		if !p.Shifts {
			in = "no"
		}
		rows = append(rows, []string{p.Press, fmt.Sprint(p.Rows), fmt.Sprint(p.Fitted), fmt.Sprintf("%.0f", p.KM), fmt.Sprintf("%.0f", p.Waste), in})
	}
	rs := &r.res.Rows
	lines := append([]string{}, r.x.GetDataNotes()...)
	lines = append(lines,
		fmt.Sprintf("%d rows shape the model; the first %d rows in all are seen by the shift test only.", rs.Fitted, rs.BurnIn),
		fmt.Sprintf("%.1f %% of the planned time of the kept rows is covered by the record. The top 1 %% of rows hold %.0f %% of the waste.", 100*rs.Coverage, 100*rs.TopShare))
	if rs.Pairs > 0 {
		lines = append(lines, fmt.Sprintf("Presses of a plant on the same day: mean correlation of what the model leaves, %.2f over %d pairs.", rs.CrossPress, rs.Pairs))
	}
	out := []g.Node{list(lines)}
	if len(rows) > 0 {
		out = append(out, table([]string{"Press", "Run days", "In the model", "km run", "Waste, m", "In the shift test"}, rows))
	}
	var over [][]string
	for _, o := range r.res.Overlaps {
		if math.Abs(o.Phi) >= 0.3 {
			over = append(over, []string{o.A, o.B, fmt.Sprintf("%.2f", o.Phi), fmt.Sprint(o.Rows)})
		}
	}
	if len(over) > 0 {
		out = append(out, H3(g.Text("Stations that are cleaned or left together")), table([]string{"Station", "Station", "Correlation", "Rows that tell them apart"}, over))
	}
	return out
}

// varianceText is what the standard errors say of the rows' variance beside CR2.
func (r *report) varianceText() string {
	if m := r.res.Model; m != nil && m.VariancePower > 0 {
		return fmt.Sprintf(", the standard error multiplied so that it is right on average where the variance of waste goes as its mean to the power of %.2f, estimated from the residuals", m.VariancePower)
	}
	return ""
}

// method is the default study in words, with the choices of this one.
func (r *report) method() []g.Node {
	s := r.res.Spec
	lines := []string{
		fmt.Sprintf("A row is a press on a production day with at least %.0f m of production and at least %.0f %% of its planned time on record. The outcome is counted waste in production and unplanned stops, less restart waste after cleans; set-up waste, matrix and edge trim are not in it.", float64(s.MinRunMM)/1000, 100*s.MinCoverage),
		"A row counts as not cleaned for a station where, at its first production, the latest required window had closed without a clean, missed and skipped alike. It is frozen at that moment; cleans later in the day do not change it.",
		"Model: expected waste = km × exp(press level + linear trend of the press + weekday + free slope of log km + log waste rate of the run before + job mix + one term per station). Job mix: planned km, jobs, shifts, product families, first run after idle days; plant × week levels with three or more presses in a plant. Poisson pseudo-likelihood, which asks only that the mean is right.",
		"Difference in meters: mean waste of the not-cleaned rows × (1 − 1 / rate ratio). Interval: cluster-robust (CR2) by press with Satterthwaite degrees of freedom" + r.varianceText() + ".",
		fmt.Sprintf("p: shift test. Each of %d shifts (seed %d) turns every press's cleaning record by a random number of runs against its waste, all stations together; the statistic is studentised by blocks. Over the stations: step-down max-T. Over stations × lags: false discovery rate, to look at only.", s.Permutations, s.Seed),
		"Grades. 3 consistent: adjusted p at most 0.05, the interval leaves 0 out, and every check holds, on at least 30 not-cleaned runs of 6 presses. 2 suggestive: one of these fails. 1 none seen. 0 not assessable. Only a trial with schedules drawn at random may be graded above 3.",
		"Small fleets find little: with 12 presses and 130 run days a 15 % difference is found about one time in four, 6 % of the time after the adjustment over stations (simulated).",
		"Events: distributed leads and lags over 7 runs with the ends binned, on the first not-cleaned run after three cleaned ones and on the first cleaned run after; the band over all points keeps 95 % together. Waste by km: bins of the km since clean in place of the station's term.",
	}
	lines = append(lines, r.trialMethod()...)
	if m := r.res.Model; m != nil {
		lines = append(lines, fmt.Sprintf("This fit: %d rows, %d absorbed levels, dispersion %.1f m, %d iterations.", r.res.Rows.Fitted, m.Absorbed, m.Dispersion, m.Iterations))
	}
	out := []g.Node{list(lines)}
	if len(r.honesty) > 0 {
		out = append(out, H3(g.Text("How often this method is right")), list(r.honesty))
	}
	if m := r.res.Model; m != nil && len(m.Controls) > 0 {
		var rows [][]string
		for _, c := range m.Controls {
			rows = append(rows, []string{c.Name, fmt.Sprintf("%+.3f (%+.3f to %+.3f)", c.Beta, c.Low, c.High)})
		}
		out = append(out, H3(g.Text("Controls")), table([]string{"Control", "Coefficient (95 %)"}, rows),
			P(Class("sub"), g.Text("A coefficient of log km other than 0 means that waste is not in proportion to the km run.")))
	}
	return out
}

// reportStyle prints on A4; screen and paper look alike.
const reportStyle = `
:root{color-scheme:light}
*{box-sizing:border-box}
body{font:15px/1.5 "Liberation Sans",Arial,Helvetica,sans-serif;color:#222;background:#fff;max-width:54rem;margin:0 auto;padding:1.5rem 1rem}
h1{font-size:1.6rem;line-height:1.2;margin:0 0 .3rem}
h2{font-size:1.15rem;margin:1.8rem 0 .5rem;border-bottom:1px solid #bbb;padding-bottom:.2rem}
h3{font-size:1rem;margin:1.2rem 0 .3rem}
p,ul{margin:.4rem 0}
ul{padding-left:1.2rem}
.sub{color:#555;font-size:.87rem}
.caution{border:2px solid #222;padding:.2rem 1rem .6rem;margin-top:1.5rem}
.caution h2{border:0;margin-top:.6rem}
table{border-collapse:collapse;width:100%;font-size:.8rem;margin:.6rem 0;font-variant-numeric:tabular-nums}
th,td{text-align:left;vertical-align:top;padding:.22rem .4rem;border-bottom:1px solid #ddd;overflow-wrap:break-word}
th{border-bottom:1px solid #555;font-weight:700;overflow-wrap:normal}
.wide{overflow-x:auto}.wide table{font-size:.7rem}
figure{margin:1rem 0;break-inside:avoid}
figure svg{display:block;max-width:100%;height:auto}
figcaption{color:#555;font-size:.82rem}
@page{size:A4;margin:15mm}
@media print{body{font-size:10pt;max-width:none;padding:0}tr,.caution,h2,h3{break-inside:avoid}h2,h3{break-after:avoid}thead{display:table-header-group}.wide{overflow:visible}.wide table{font-size:6.6pt}table{font-size:8pt}}
`
