package web

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// studiesPage lists studies and takes the wish for one.
type studiesPage struct {
	frame
	Rows     []studyRow
	Next     string
	Form     studyForm
	Refused  string // why the form was not taken
	FormHref string
}

type studyRow struct{ Title, Href, State, Asked, About, Error string }

// studyForm is what a study is asked with.
type studyForm struct {
	Title, From, To  string
	Lag, Draws, Seed string
	Scopes           []scopeGroup
	Stations         []option
	Block            string
}

// mostForm bounds what is read of a form, bytes.
const mostForm = 64 << 10

func (s *Site) serveStudies(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/studies", "Studies")
	if !ok {
		return
	}
	s.writeStudies(w, r, http.StatusOK, f, q, newStudyForm(q), "")
}

func newStudyForm(q *query) studyForm {
	form := studyForm{From: q.From.Format(time.DateOnly), To: q.To.Format(time.DateOnly), Lag: "14", Draws: "9999", Seed: "1", Scopes: newPicker("/studies", q).Scopes}
	if q.Last == usualDays && !q.newest.IsZero() { // four weeks are too few for a study
		form.From = q.To.AddDate(0, 0, 1-trendDays).Format(time.DateOnly)
	}
	var slugs []string
	for _, p := range q.plants {
		for _, x := range p.GetPresses() {
			for _, st := range x.GetStations() {
				if !slices.Contains(slugs, st.GetSlug()) {
					slugs = append(slugs, st.GetSlug())
				}
			}
		}
	}
	slices.Sort(slugs)
	for _, x := range slugs {
		form.Stations = append(form.Stations, option{Value: x, Text: q.stationName(x)})
	}
	return form
}

func (s *Site) writeStudies(w http.ResponseWriter, r *http.Request, code int, f frame, q *query, form studyForm, refused string) {
	list, err := s.studies.ListStudies(r.Context(), &pb.ListStudiesRequest{PageSize: 50, PageToken: r.URL.Query().Get("page")})
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	f.Fixed = ""
	p := studiesPage{frame: f, Form: form, Refused: refused}
	for _, x := range list.GetStudies() {
		p.Rows = append(p.Rows, studyRow{Title: named(x.GetSpec().GetTitle(), "without a title"), Href: q.Link("/studies/" + url.PathEscape(x.GetId())), State: studyState(x.GetState()), Asked: x.GetCreatedAt().AsTime().In(q.zone()).Format("Mon 2 Jan 2006 15:04"),
			About: aboutStudy(q, x.GetSpec()), Error: x.GetError()})
	}
	if t := list.GetNextPageToken(); t != "" {
		p.Next = q.Link("/studies", "page", t)
	}
	s.write(w, code, "studies", p)
}

func studyState(st pb.StudyState) string { return enumName(st.String(), "STUDY_STATE_") }

// aboutStudy says of which presses, days and stations a study is.
func aboutStudy(q *query, spec *pb.StudySpec) string {
	one := *q
	one.Scopes, one.Kind = append(slices.Clone(spec.GetScope().GetPlants()), spec.GetScope().GetPresses()...), strings.Join(spec.GetScope().GetKinds(), ", ")
	text := one.Words()
	from, err1 := time.Parse(time.DateOnly, spec.GetPeriod().GetFirstDay())
	to, err2 := time.Parse(time.DateOnly, spec.GetPeriod().GetLastDay())
	if err1 == nil && err2 == nil {
		text += ", " + daysText(from, to)
	}
	if n := len(spec.GetStations()); n > 0 && n < 4 {
		text += ", " + strings.Join(spec.GetStations(), ", ")
	} else if n > 0 {
		text += ", " + strconv.Itoa(n) + " stations"
	}
	return text
}

// serveAskStudy takes the form. What is wrong in it is said beside it, and what was given stays.
func (s *Site) serveAskStudy(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/studies", "Studies")
	if !ok {
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, f, badf("The form could not be read."))
		return
	}
	v := r.PostForm
	form := newStudyForm(q)
	form.Title, form.From, form.To, form.Lag, form.Draws, form.Seed, form.Block = v.Get("title"), v.Get("from"), v.Get("to"), v.Get("lag"), v.Get("draws"), v.Get("seed"), v.Get("block")
	for i := range form.Stations {
		form.Stations[i].Chosen = slices.Contains(v["station"], form.Stations[i].Value)
	}
	for i := range form.Scopes {
		for j := range form.Scopes[i].Options {
			form.Scopes[i].Options[j].Chosen = form.Scopes[i].Options[j].Value == v.Get("scope")
		}
	}
	refuse := func(text string) {
		s.writeStudies(w, r, http.StatusBadRequest, f, q, form, sentence(text))
	}
	spec := &pb.StudySpec{Title: strings.TrimSpace(v.Get("title")), Stations: v["station"], Period: &pb.Period{FirstDay: v.Get("from"), LastDay: v.Get("to")}, Block: v.Get("block")}
	if spec.Title == "" {
		refuse("A study needs a title, so that it is found again")
		return
	}
	one := *q
	one.Scopes, one.Kind = nil, ""
	if x := v.Get("scope"); x != "" {
		one.Scopes = strings.Split(x, ",")
	}
	spec.Scope = one.scope()
	for _, n := range []struct {
		name, text string
		least, top int64
		to         func(int64)
	}{{"lag", v.Get("lag"), 0, 60, func(n int64) { l := int32(n); spec.MaxLag = &l }}, {"draws", v.Get("draws"), 1, 1_000_000, func(n int64) { spec.Permutations = int32(n) }}, {"seed", v.Get("seed"), 1, 1 << 53, func(n int64) { spec.Seed = uint64(n) }}} {
		x, err := strconv.ParseInt(strings.TrimSpace(n.text), 10, 64)
		if err != nil || x < n.least || x > n.top {
			refuse("The field \"" + n.name + "\" wants a whole number from " + strconv.FormatInt(n.least, 10) + " to " + strconv.FormatInt(n.top, 10))
			return
		}
		n.to(x)
	}
	made, err := s.studies.CreateStudy(r.Context(), &pb.CreateStudyRequest{Spec: spec})
	switch c := status.Code(err); {
	case c == codes.InvalidArgument || c == codes.NotFound || c == codes.FailedPrecondition || c == codes.ResourceExhausted:
		_, _, text, _ := trouble(err)
		refuse(text)
		return
	case err != nil:
		s.fail(w, r, f, err)
		return
	}
	http.Redirect(w, r, q.Link("/studies/"+url.PathEscape(made.GetStudy().GetId())), http.StatusSeeOther)
}

// studyPage is one study: how far it is, or what it found.
type studyPage struct {
	frame
	Head      string
	About     string
	State     string
	Going     *progress
	Error     string
	Sentences []string
	Findings  []findingRow
	Words     []said // what is said of each station, those with a difference first
	Scale     string
	Plots     []plotFigure
	Stations  []rangeLink
	Report    string
	Cautions  []string
	Data      []string
	Before    []piece
}

// progress is how far a study is.
type progress struct {
	Said  string
	Done  int64
	Total int64
}

// findingRow is one station's difference, as a range.
type findingRow struct {
	Station, Meters, Ratio, P, Grade, Runs, Presses, Least, Sentence string
	X, W, Dot, Zero                                                  string
	OK                                                               bool
}

// said is what is said of a station.
type said struct{ Of, Text string }

// plotFigure is a picture of the study with its description.
type plotFigure struct{ Name, Src, Said string }

var plotKinds = []struct {
	name, text string
	plot       pb.StudyPlot
	station    bool
}{{"forest", "Differences of all stations", pb.StudyPlot_STUDY_PLOT_FOREST, false}, {"lags", "Station by lag", pb.StudyPlot_STUDY_PLOT_LAG_MAP, false},
	{"dose", "Waste by distance since clean", pb.StudyPlot_STUDY_PLOT_DOSE, true}, {"event", "Before and after a missed clean", pb.StudyPlot_STUDY_PLOT_EVENT, true}, {"shifts", "What shifting gave, and what was seen", pb.StudyPlot_STUDY_PLOT_SHIFTS, true}}

func (s *Site) serveStudy(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/studies", "A study", "station")
	if !ok {
		return
	}
	f.Fixed = ""
	got, err := s.studies.GetStudy(r.Context(), &pb.GetStudyRequest{Id: r.PathValue("id")})
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	x := got.GetStudy()
	p := studyPage{frame: f, Head: named(x.GetSpec().GetTitle(), "Study without a title"), About: aboutStudy(q, x.GetSpec()), State: studyState(x.GetState()), Error: sentence(x.GetError()), Sentences: x.GetSentences(), Cautions: x.GetCautions(), Data: x.GetDataNotes()}
	p.Title = p.Head
	base := "/studies/" + url.PathEscape(x.GetId())
	switch x.GetState() {
	case pb.StudyState_STUDY_STATE_QUEUED, pb.StudyState_STUDY_STATE_RUNNING:
		p.Live = q.Link(base + "/live")
		p.Going = &progress{Said: "It is " + p.State + "."}
	case pb.StudyState_STUDY_STATE_DONE:
		p.Report = base + "/report"
		p.Findings, p.Scale = findings(q, x.GetFindings())
		p.Sentences, p.Words = stationWords(q, x)
		station := r.URL.Query().Get("station")
		if station == "" { // the one with the most to see
			if best := byGrade(x.GetFindings()); len(best) > 0 {
				station = best[0].GetStation()
			}
		}
		for _, y := range x.GetFindings() {
			p.Stations = append(p.Stations, rangeLink{q.stationName(y.GetStation()), q.Link(base, "station", y.GetStation()) + "#plots", y.GetStation() == station})
		}
		p.Plots = s.plots(r.Context(), x.GetId(), station)
	}
	p.Foot = append(p.Foot, "Study "+x.GetId()+", program "+x.GetVersion()+", data set SHA-256 "+named(x.GetDataSha256(), "not made yet")+", result SHA-256 "+named(x.GetResultSha256(), "not made yet")+".")
	for _, id := range x.GetPredecessors() {
		p.Before = append(p.Before, piece{id, q.Link("/studies/" + url.PathEscape(id))})
	}
	s.write(w, http.StatusOK, "study", p)
}

// byGrade puts findings in order, the surest first.
func byGrade(list []*pb.StationFinding) []*pb.StationFinding {
	out := slices.Clone(list)
	slices.SortStableFunc(out, func(a, b *pb.StationFinding) int { return int(b.GetGrade()) - int(a.GetGrade()) })
	return out
}

// stationWords parts a study's sentences: those of a station stand under its name, since many of them do not say it; the
// rest is of the whole study.
func stationWords(q *query, x *pb.Study) (whole []string, stations []said) {
	for _, text := range x.GetSentences() {
		if !slices.ContainsFunc(x.GetFindings(), func(y *pb.StationFinding) bool { return strings.Contains(y.GetSentence(), text) }) {
			whole = append(whole, text)
		}
	}
	for _, y := range byGrade(x.GetFindings()) {
		if text := y.GetSentence(); text != "" {
			stations = append(stations, said{Text: text, Of: q.stationName(y.GetStation()) + ", grade " + strconv.Itoa(int(y.GetGrade())) + "."})
		}
	}
	return whole, stations
}

// findings lays the differences out on one scale of meters.
func findings(q *query, list []*pb.StationFinding) ([]findingRow, string) {
	low, high := 0.0, 0.0
	for _, x := range list {
		if e := x.GetMeters(); e.GetOk() {
			low, high = min(low, e.GetLow()), max(high, e.GetHigh())
		}
	}
	at := func(v float64) string {
		if high <= low {
			return "0%"
		}
		return pct((v - low) / (high - low) * 98)
	}
	var out []findingRow
	for _, x := range list {
		row := findingRow{Station: q.stationName(x.GetStation()), Meters: "too few", Ratio: "–", P: "–", Grade: strconv.Itoa(int(x.GetGrade())), Runs: figures.Grouped(x.GetNotCleanedRows()), Presses: figures.Grouped(x.GetPresses()), Sentence: x.GetSentence(), Zero: at(0)}
		if e := x.GetMeters(); e.GetOk() {
			row.OK = true
			row.Meters = minus(figures.Number(e.GetValue(), 1)) + " (" + minus(figures.Number(e.GetLow(), 1)) + " to " + minus(figures.Number(e.GetHigh(), 1)) + ")"
			row.X, row.W, row.Dot = at(e.GetLow()), pct(max(leastBar, (e.GetHigh()-e.GetLow())/max(high-low, 1e-9)*98)), at(e.GetValue())
			row.P = strconv.FormatFloat(x.GetPAdjusted(), 'f', 4, 64)
		}
		if e := x.GetRateRatio(); e.GetOk() {
			row.Ratio = figures.Number(e.GetValue(), 2) + " (" + figures.Number(e.GetLow(), 2) + " to " + figures.Number(e.GetHigh(), 2) + ")"
		}
		if d := x.GetDetectableMeters(); d > 0 {
			row.Least = figures.Number(d, 1)
		}
		out = append(out, row)
	}
	return out, minus(figures.Number(low, 0)) + " to " + figures.Number(high, 0) + " m"
}

// plots asks what each figure shows. A figure that cannot be drawn says why.
func (s *Site) plots(ctx context.Context, id, station string) []plotFigure {
	out := make([]plotFigure, len(plotKinds))
	var g errgroup.Group
	for i, k := range plotKinds {
		g.Go(func() error {
			req := &pb.GetStudyPlotRequest{Id: id, Plot: k.plot, Format: pb.PlotFormat_PLOT_FORMAT_SVG}
			src := "/studies/" + url.PathEscape(id) + "/plot/" + k.name
			if k.station {
				req.Station = station
				src += "?station=" + url.QueryEscape(station)
			}
			out[i].Name = k.text
			r, err := s.studies.GetStudyPlot(ctx, req)
			if err != nil {
				_, _, text, _ := trouble(err)
				out[i].Said = "This figure cannot be drawn: " + text
				return nil
			}
			out[i].Src, out[i].Said = src, r.GetDescription()
			return nil
		})
	}
	_ = g.Wait()
	return out
}

func (s *Site) servePlot(w http.ResponseWriter, r *http.Request) {
	for _, k := range plotKinds {
		if k.name != r.PathValue("kind") {
			continue
		}
		req := &pb.GetStudyPlotRequest{Id: r.PathValue("id"), Plot: k.plot, Format: pb.PlotFormat_PLOT_FORMAT_SVG}
		if k.station {
			req.Station = r.URL.Query().Get("station")
		}
		got, err := s.studies.GetStudyPlot(r.Context(), req)
		if err != nil {
			code, head, _, _ := trouble(err)
			if code != 0 {
				http.Error(w, head, code)
			}
			return
		}
		// The picture styles itself, and may do nothing else even where it is opened alone.
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; sandbox")
		w.Header().Set("Content-Type", got.GetMediaType())
		w.Header().Set("Cache-Control", "private, max-age=3600")
		_, _ = w.Write(got.GetData())
		return
	}
	http.NotFound(w, r)
}

func (s *Site) serveReport(w http.ResponseWriter, r *http.Request) {
	got, err := s.studies.GetStudyReport(r.Context(), &pb.GetStudyReportRequest{Id: r.PathValue("id")})
	if err != nil {
		q := &query{Last: usualDays}
		q.fill(s.now())
		s.fail(w, r, s.frame(r, q, "/studies", "Report"), err)
		return
	}
	// The report is one page with its style and figures inside: it runs no script and asks nobody.
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(got.GetHtml())
}

// serveStudyLive tells how far a study is until it ends.
func (s *Site) serveStudyLive(w http.ResponseWriter, r *http.Request) {
	watch, err := s.studies.WatchStudy(r.Context(), &pb.WatchStudyRequest{Id: r.PathValue("id")})
	s.live(w, r, 100*time.Millisecond, func(context.Context) (string, bool, error) {
		if err != nil {
			return "", false, err
		}
		m, e := watch.Recv()
		if errors.Is(e, io.EOF) {
			return "", true, nil
		}
		if e != nil {
			err = e
			return "", false, err
		}
		p := &progress{Done: m.GetDone(), Total: m.GetTotal(), Said: "It is " + studyState(m.GetState()) + "."}
		if m.GetTotal() > 0 {
			p.Said = "It is " + studyState(m.GetState()) + ": " + figures.Grouped(m.GetDone()) + " of " + figures.Plural(m.GetTotal(), "step", "steps") + "."
		}
		over := m.GetState() == pb.StudyState_STUDY_STATE_DONE || m.GetState() == pb.StudyState_STUDY_STATE_FAILED
		text, e := s.part("study", "going", p)
		return text, over, e
	})
}
