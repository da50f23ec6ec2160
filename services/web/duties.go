package web

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// dutiesPage says what was due, what was done, and what is due next.
type dutiesPage struct {
	frame
	Said     string
	Cautions []string
	Due      []duePress
	Shown    string      // which presses' due lists are shown; empty: those of all
	Pages    []rangeLink // the due lists of all presses in scope, some presses at a time; nil: all are shown
	Rule     string
	Map      *heatMap
	NoMap    string
	Stations []rateRow
	Missed   []missedRow
	MoreMiss string
	Outcomes []rangeLink
	Outcome  string
	GapNote  string
}

// heatMap is a table of days.
type heatMap struct {
	Name    string
	Weeks   []heatWeek
	Days    []heatDay
	Rows    []heatRow
	Legend  []heatKey
	Explain string
}

type heatWeek struct {
	Text string
	Span int
}

type heatDay struct {
	Text, Full string
	Monday     bool
}

type heatRow struct {
	Name, Href string
	Cells      []heatCell
	Sum        string
}

// heatCell is one square: a class of colour with its ink, and what stands in it.
type heatCell struct{ Class, Text, Full string }

type heatKey struct{ Class, Text string }

type rateRow struct {
	Name                          string
	Href                          string
	OnTime, Late, Missed, Skipped string
	NotRequired, Unknown, Open    string
	Rate, Interval                string
	X, W, Dot                     string
	Gap                           string
	OK                            bool
}

type missedRow struct{ Press, Day, Station, Task, Due, What, First string }

// dutyOutcomes are what the list of duties can be narrowed to.
var dutyOutcomes = []struct {
	name, text string
	outcome    pb.DutyOutcome
}{{"missed", "missed", pb.DutyOutcome_DUTY_OUTCOME_MISSED}, {"skipped", "skipped", pb.DutyOutcome_DUTY_OUTCOME_SKIPPED}, {"late", "late", pb.DutyOutcome_DUTY_OUTCOME_LATE}, {"unknown", "unknown", pb.DutyOutcome_DUTY_OUTCOME_UNKNOWN}}

func (s *Site) serveDuties(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/duties", "Duties", "outcome")
	if !ok {
		return
	}
	v := r.URL.Query()
	part, err := duePart(q, v)
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	f.Live = part.live(q)
	which := 0
	for i, o := range dutyOutcomes {
		if o.name == v.Get("outcome") {
			which = i
		}
	}
	p := dutiesPage{}
	var comp *pb.GetComplianceResponse
	var due *pb.ListDueDutiesResponse
	var list *pb.ListDutiesResponse
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() (err error) {
		comp, p.NoMap, err = s.compliance(ctx, q)
		return err
	})
	g.Go(func() (err error) {
		due, err = s.duties.ListDueDuties(ctx, &pb.ListDueDutiesRequest{Scope: part.scope, Hours: dueHours})
		return err
	})
	g.Go(func() (err error) {
		list, err = s.duties.ListDuties(ctx, &pb.ListDutiesRequest{Scope: q.scope(), Period: q.period(), Outcome: dutyOutcomes[which].outcome, PageSize: 40, PageToken: v.Get("page")})
		return err
	})
	if err := g.Wait(); err != nil {
		s.fail(w, r, f, err)
		return
	}
	f.Foot = q.pins(comp.GetAsOf())
	p.frame = f
	c := comp.GetTotal().GetCounts()
	p.Said = dutiesSaid(q, c)
	p.tell(q, part, due, comp.GetCautions())
	here := []string{"outcome", v.Get("outcome"), "due", v.Get("due")}
	with := func(pairs ...string) string { return q.Link("/duties", append(slices.Clone(here), pairs...)...) }
	p.Pages = part.pages(func(n string) string { return with("due", n) + "#due-h" })
	if p.NoMap == "" {
		p.Map = newHeatMap(q, comp.GetCells())
	}
	p.GapNote = comp.GetGapNote()
	for _, x := range comp.GetRows() {
		p.Stations = append(p.Stations, rate(q, x))
	}
	for i, o := range dutyOutcomes {
		p.Outcomes = append(p.Outcomes, rangeLink{o.text, with("outcome", o.name) + "#list", i == which})
	}
	p.Outcome = dutyOutcomes[which].text
	for _, x := range list.GetDuties() {
		p.Missed = append(p.Missed, missed(q, x))
	}
	if t := list.GetNextPageToken(); t != "" {
		p.MoreMiss = with("page", t) + "#list"
	}
	s.write(w, http.StatusOK, "duties", p)
}

// compliance asks for rates by station with the cells of the map; without them where there are too many.
func (s *Site) compliance(ctx context.Context, q *query) (r *pb.GetComplianceResponse, noMap string, err error) {
	req := &pb.GetComplianceRequest{Scope: q.scope(), Period: q.period(), GroupBy: pb.ComplianceGroup_COMPLIANCE_GROUP_STATION, Cells: true}
	r, err = s.duties.GetCompliance(ctx, req)
	if status.Code(err) == codes.ResourceExhausted {
		noMap = sentence(status.Convert(err).Message())
		req.Cells = false
		r, err = s.duties.GetCompliance(ctx, req)
	}
	return r, noMap, err
}

func dutiesSaid(q *query, c *pb.DutyCounts) string {
	n := c.GetOnTime() + c.GetLate() + c.GetMissed() + c.GetSkipped()
	if n == 0 {
		if c.GetOpen()+c.GetNotRequired()+c.GetUnknown() > 0 {
			return "No duty of " + q.Words() + " can be judged in these days: " + figures.Grouped(c.GetOpen()) + " still open, " + figures.Grouped(c.GetNotRequired()) + " not required, " + figures.Grouped(c.GetUnknown()) + " unknown."
		}
		return "Nothing was due of " + q.Words() + " in these days."
	}
	rate := ""
	if e := c.GetCompliance(); e.GetOk() {
		rate = figures.Number(100*e.GetValue(), 1) + " % on time (" + figures.Number(100*e.GetLow(), 1) + " to " + figures.Number(100*e.GetHigh(), 1) + ") "
	}
	return rate + "of " + figures.Plural(n, "duty", "duties") + ": " + figures.Grouped(c.GetLate()) + " late, " + figures.Grouped(c.GetMissed()) + " missed, " + figures.Grouped(c.GetSkipped()) + " skipped."
}

func rate(q *query, x *pb.ComplianceRow) rateRow {
	c := x.GetCounts()
	n := figures.Grouped
	row := rateRow{Name: q.stationName(x.GetKey()), Href: q.Link("/stations", "station", x.GetKey()), OnTime: n(c.GetOnTime()), Late: n(c.GetLate()), Missed: n(c.GetMissed()), Skipped: n(c.GetSkipped()),
		NotRequired: n(c.GetNotRequired()), Unknown: n(c.GetUnknown()), Open: n(c.GetOpen())}
	if e := c.GetCompliance(); e.GetOk() {
		row.OK = true
		row.Rate = figures.Number(100*e.GetValue(), 1)
		row.Interval = figures.Number(100*e.GetLow(), 1) + " to " + figures.Number(100*e.GetHigh(), 1)
		row.X, row.W, row.Dot = pct(98*e.GetLow()), pct(max(leastBar, 98*(e.GetHigh()-e.GetLow()))), pct(98*e.GetValue())
	}
	if h := x.GetLongestGapHours(); h > 0 {
		row.Gap = spanWords(time.Duration(h*float64(time.Hour))) + " on " + q.pressName(x.GetGapPress())
		if x.GetGapCut() {
			row.Gap = "at least " + row.Gap
		}
	}
	return row
}

func missed(q *query, x *pb.Duty) missedRow {
	zone := q.zoneOf(x.GetPress())
	row := missedRow{Press: q.pressName(x.GetPress()), Day: x.GetDay(), Station: q.stationName(x.GetStation()), Task: x.GetTask(), First: readFirst(x.GetHazards(), x.GetIsolate(), false)}
	if d, err := time.Parse(time.DateOnly, x.GetDay()); err == nil {
		row.Day = d.Format("Mon 2 Jan 2006")
		row.Due = moment(x.GetDueAt().AsTime().In(zone), d)
	}
	switch {
	case x.GetThirdSkip():
		row.What = "the third skip in a row"
	case x.GetReason() != "":
		row.What = x.GetReason()
	case x.GetDoneAt() != nil:
		row.What = "done " + moment(x.GetDoneAt().AsTime().In(zone), x.GetDueAt().AsTime().In(zone))
	}
	return row
}

// heatOutcomes are the squares of one press's map: a class, the word in it, and the word in full.
var heatOutcomes = map[pb.DutyOutcome]heatCell{
	pb.DutyOutcome_DUTY_OUTCOME_ON_TIME: {"h1", "ok", "on time"}, pb.DutyOutcome_DUTY_OUTCOME_LATE: {"h2", "late", "late"}, pb.DutyOutcome_DUTY_OUTCOME_SKIPPED: {"h4", "skip", "skipped"},
	pb.DutyOutcome_DUTY_OUTCOME_MISSED: {"h5", "miss", "missed"}, pb.DutyOutcome_DUTY_OUTCOME_UNKNOWN: {"h0", "?", "unknown"}, pb.DutyOutcome_DUTY_OUTCOME_NOT_REQUIRED: {"h0", "–", "not required"},
	pb.DutyOutcome_DUTY_OUTCOME_OPEN: {"h0", "open", "open"},
}

// newHeatMap is the calendar: of one press its stations with the worst outcome of the day; of several, presses with how
// many stations were not cleaned that day. Nil: there is nothing in it.
func newHeatMap(q *query, cells []*pb.DutyCell) *heatMap {
	if len(cells) == 0 {
		return nil
	}
	var presses []string
	for _, c := range cells {
		if !slices.Contains(presses, c.GetPress()) {
			presses = append(presses, c.GetPress())
		}
	}
	m := &heatMap{Name: "Duties by station and day", Explain: "The worst outcome of the day. An empty square: nothing was due.",
		Legend: []heatKey{{"h1", "ok: on time"}, {"h2", "late"}, {"h4", "skip: left out with a reason"}, {"h5", "miss: not done"}, {"h0", "?: unknown, –: not required, open"}}}
	if len(presses) > 1 {
		m.Name, m.Explain = "Stations not cleaned, by press and day", "How many stations were missed or skipped. Stronger colour is more; an empty square: nothing was due; ?: not known."
		m.Legend = []heatKey{{"h1", "0"}, {"h2", "1"}, {"h3", "2"}, {"h4", "3"}, {"h5", "4 or more"}}
	}
	at := map[string]int{}
	for d := q.From; !d.After(q.To); d = d.AddDate(0, 0, 1) {
		at[d.Format(time.DateOnly)] = len(m.Days)
		year, week := d.ISOWeek()
		if d.Weekday() == time.Monday || len(m.Weeks) == 0 {
			m.Weeks = append(m.Weeks, heatWeek{Text: "W" + twoDigits(week)})
			if len(m.Weeks) == 1 {
				m.Weeks[0].Text = strconv.Itoa(year) + " W" + twoDigits(week)
			}
		}
		m.Weeks[len(m.Weeks)-1].Span++
		m.Days = append(m.Days, heatDay{Text: strconv.Itoa(d.Day()), Full: d.Format("Mon 2 Jan"), Monday: d.Weekday() == time.Monday})
	}
	for i := range m.Weeks {
		if m.Weeks[i].Span < 3 {
			m.Weeks[i].Text = ""
		}
	}
	key := func(c *pb.DutyCell) string { return c.GetStation() }
	if len(presses) > 1 {
		key = func(c *pb.DutyCell) string { return c.GetPress() }
	}
	type tally struct{ bad, good, doubt int }
	rows, order := map[string][]heatCell{}, []string{}
	counts := map[string][]tally{}
	for _, c := range cells {
		k := key(c)
		i, ok := at[c.GetDay()]
		if !ok {
			continue
		}
		if rows[k] == nil {
			rows[k], counts[k], order = make([]heatCell, len(m.Days)), make([]tally, len(m.Days)), append(order, k)
		}
		x := heatOutcomes[c.GetOutcome()]
		rows[k][i] = x
		switch c.GetOutcome() {
		case pb.DutyOutcome_DUTY_OUTCOME_MISSED, pb.DutyOutcome_DUTY_OUTCOME_SKIPPED:
			counts[k][i].bad++
		case pb.DutyOutcome_DUTY_OUTCOME_UNKNOWN:
			counts[k][i].doubt++
		case pb.DutyOutcome_DUTY_OUTCOME_ON_TIME, pb.DutyOutcome_DUTY_OUTCOME_LATE:
			counts[k][i].good++
		}
	}
	for _, k := range order {
		row := heatRow{Name: q.stationName(k), Href: q.Link("/stations", "station", k), Cells: rows[k]}
		sum := 0
		for i, t := range counts[k] {
			sum += t.bad
			if len(presses) == 1 {
				continue
			}
			switch {
			case t.bad+t.good > 0:
				row.Cells[i] = heatCell{"h" + strconv.Itoa(min(t.bad, 4)+1), strconv.Itoa(t.bad), figures.Plural(int64(t.bad), "station", "stations") + " not cleaned"}
			case t.doubt > 0:
				row.Cells[i] = heatCell{"h0", "?", "unknown"}
			default:
				row.Cells[i] = heatCell{}
			}
		}
		if len(presses) > 1 {
			row.Name, row.Href = q.pressName(k), q.Link("/duties", "scope", k, "kind", "")
		}
		row.Sum = figures.Grouped(int64(sum))
		m.Rows = append(m.Rows, row)
	}
	return m
}
