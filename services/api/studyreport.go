package api

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	. "maragu.dev/gomponents/html" //nolint:staticcheck // one word an element

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api/plot"
)

// GetStudyReport is a finished study as one page of HTML that asks nothing of
// anywhere: figures are inside. The same study gives the same bytes.
func (t *studyService) GetStudyReport(ctx context.Context, req *pb.GetStudyReportRequest) (*pb.GetStudyReportResponse, error) {
	x, err := t.s.doneStudy(ctx, req.GetId())
	if err != nil {
		return nil, err
	}
	res, err := keptResult(x)
	if err != nil {
		return nil, err
	}
	d, err := t.s.keptData(ctx, x)
	if err != nil {
		return nil, err
	}
	rules, err := t.s.stationRules(ctx, x, d.Stations)
	if err != nil {
		return nil, err
	}
	r := &report{x: x, res: res, data: d, cautions: rules.cautions}
	if r.honesty, err = MethodHonesty(res); err != nil {
		return nil, err
	}
	if r.money, err = t.s.moneyLines(ctx, x, res); err != nil {
		return nil, err
	}
	page, err := r.page(ctx)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := page.Render(&b); err != nil {
		return nil, fmt.Errorf("write a report: %w", err)
	}
	return &pb.GetStudyReportResponse{Html: b.Bytes()}, nil
}

// report is the page of one study.
type report struct {
	x        *pb.Study
	res      *study.Result
	data     *study.DataSet
	cautions []string
	honesty  []string          // how often the method is right
	money    map[string]string // by finding: what its difference comes to
	figures  int
}

func (r *report) page(ctx context.Context) (g.Node, error) {
	figures, err := r.stationFigures(ctx)
	if err != nil {
		return nil, err
	}
	overview, err := r.overviewFigures()
	if err != nil {
		return nil, err
	}
	title := or(r.x.GetSpec().GetTitle(), "Missed cleans and waste")
	return Doctype(HTML(Lang("en"),
		Head(Meta(Charset("utf-8")), Meta(Name("viewport"), Content("width=device-width, initial-scale=1")),
			g.El("title", g.Text(title)), StyleEl(g.Raw(reportStyle))),
		Body(
			Header(H1(g.Text(title)), P(Class("sub"), g.Text(r.what()))),
			section("What was found", r.found()),
			Section(Class("caution"), H2(g.Text("Before anything is done about it")), list(r.cautions)),
			Section(g.Group(overview)),
			section("Results", r.results()...),
			g.Group(r.trial()),
			g.Group(figures),
			section("Checks", r.checks()...),
			section("Data", r.dataUsed()...),
			section("Method", r.method()...),
			section("What was not controlled", list(r.x.GetCautions())),
			section("How to run it again", r.again()...),
		))), nil
}

func section(head string, body ...g.Node) g.Node {
	return Section(H2(g.Text(head)), g.Group(body))
}

func list(lines []string) g.Node {
	return Ul(g.Map(lines, func(s string) g.Node { return Li(g.Text(s)) }))
}

func table(head []string, rows [][]string) g.Node {
	return Table(THead(Tr(g.Map(head, func(s string) g.Node { return Th(g.Text(s)) }))),
		TBody(g.Map(rows, func(row []string) g.Node {
			return Tr(g.Map(row, func(s string) g.Node { return Td(g.Text(s)) }))
		})))
}

// what the study is of, in a line.
func (r *report) what() string {
	p := r.x.GetSpec().GetPeriod()
	scope := r.x.GetSpec().GetScope()
	where := "all presses"
	if names := slices.Concat(scope.GetPlants(), scope.GetPresses(), scope.GetKinds()); len(names) > 0 {
		where = strings.Join(names, ", ")
	}
	return fmt.Sprintf("Study %s of %s, production days %s to %s, asked %s UTC", r.x.Id, where, p.GetFirstDay(), p.GetLastDay(), r.x.GetCreatedAt().AsTime().UTC().Format("2006-01-02 15:04"))
}

// found are the study's own sentences, those with a difference first.
func (r *report) found() g.Node {
	if r.res.Refused != "" {
		return list(r.res.Summary[:1])
	}
	var out []g.Node
	if len(r.res.Summary) > 0 {
		out = append(out, P(g.Text(r.res.Summary[0])))
	}
	order := slices.Clone(r.res.Findings)
	slices.SortStableFunc(order, func(a, b study.Finding) int { return int(b.Grade) - int(a.Grade) })
	for _, f := range order {
		out = append(out, P(Strong(g.Text(f.Name)), g.Text(fmt.Sprintf(" (grade %d, %s). ", f.Grade, f.GradeName)+strings.Join(withoutSchedules(f.Sentences), " "))))
		if line := r.money[f.Name]; line != "" {
			out = append(out, P(g.Text(line)))
		}
	}
	return g.Group(out)
}

// figure is one drawing with its number; nil where there is nothing to draw.
func (r *report) figure(f plot.Figure) (g.Node, error) {
	svg, err := plot.SVG(f)
	if err != nil {
		return nil, err
	}
	r.figures++
	return Figure(g.Raw(string(svg)), FigCaption(g.Text(fmt.Sprintf("Figure %d. %s", r.figures, f.Description())))), nil
}

func (r *report) overviewFigures() ([]g.Node, error) {
	var out []g.Node
	for _, make := range []func(*study.Result) (plot.Figure, error){forestFigure, mapFigure} {
		f, err := make(r.res)
		if err != nil {
			continue // nothing to draw: the sentences say why
		}
		n, err := r.figure(f)
		if err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, nil
}

// stationFigures are the figures of stations with a difference.
func (r *report) stationFigures(ctx context.Context) ([]g.Node, error) {
	var out []g.Node
	r.figures = 2 // those of the overview come first on the page
	if len(r.res.Map) == 0 {
		r.figures = 1
	}
	if len(r.res.Findings) == 0 {
		r.figures = 0
	}
	for i := range r.res.Findings {
		x := &r.res.Findings[i]
		if x.Grade < study.Suggestive {
			continue
		}
		body := []g.Node{H2(g.Text("Figures of " + x.Name))}
		if trialOf(r.res, x) != nil {
			body = append(body, r.notTheTrial("These figures"))
		}
		for _, make := range []func(*study.DataSet, *study.Result, *study.Finding) (plot.Figure, error){eventFigure, doseFigure, shiftsFigure} {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			f, err := make(r.data, r.res, x)
			if isNoFigure(err) {
				body = append(body, P(Class("sub"), g.Text("Not drawn: "+noFigureText(err)+".")))
				continue
			}
			if err != nil {
				return nil, err
			}
			n, err := r.figure(f)
			if err != nil {
				return nil, err
			}
			body = append(body, n)
		}
		out = append(out, Section(g.Group(body)))
	}
	r.figures = 0
	return out, nil
}

// again says how to get the same page and figures, and what they rest on.
func (r *report) again() []g.Node {
	x := r.x
	lines := [][]string{
		{"Run again from the kept data set, to the bit", "downweb study rerun " + x.Id},
		{"Fold the log again as of the pins and compare the data set", "downweb study verify " + x.Id},
		{"The data set", "downweb study export " + x.Id + " > rows.csv"},
		{"This page", "downweb study report " + x.Id + " -o study.html"},
	}
	pins := [][]string{
		{"Data set, SHA-256", x.DataSha256}, {"Result, SHA-256", x.ResultSha256},
		{"Log up to insert", fmt.Sprint(x.GetAsOf().GetPos())}, {"Registry revision", fmt.Sprint(x.GetAsOf().GetRegistryRev())},
		{"Accounting rules", fmt.Sprint(x.GetAsOf().GetRulesVersion())}, {"Method", r.res.Method}, {"Program", x.GetVersion()},
		{"Seed, shifts, largest lag", fmt.Sprintf("%d, %d, %d", r.res.Spec.Seed, r.res.Spec.Permutations, r.res.Spec.MaxLag)},
	}
	if t := x.GetAsOf().GetThrough(); t != nil {
		pins = append(pins, []string{"Data through", t.AsTime().UTC().Format(time.DateTime) + " UTC"})
	}
	out := []g.Node{table([]string{"What", "Command"}, lines), table([]string{"Pin", "Value"}, pins)}
	if p := x.GetPredecessors(); len(p) > 0 {
		out = append(out, P(g.Text("Studies asked before of the same data: "+strings.Join(p, ", ")+". Each look is one more chance to be misled; this one counts only its own.")))
	} else {
		out = append(out, P(g.Text("No study was asked before of the same data.")))
	}
	return out
}
