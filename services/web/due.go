package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// duePress is what is due on one press.
type duePress struct {
	Name, Href, Known string
	Rows              []dueRow
	JobChange         string
	Notes             []string
}

type dueRow struct {
	Station, Task, Text string
	Due, Over           string
	Minutes, Clock      string
	First               string // what to read before it is begun
	Overdue             bool
}

// mostDue is of how many presses the due lists are shown at once.
const mostDue = 12

// dueHours is how far ahead the due lists look, hours.
const dueHours = 24

// dueTick is how often what the api has sent is passed on.
const dueTick = time.Second

// dueOf is which presses' due lists a page shows.
type dueOf struct {
	scope *pb.Scope
	page  int // from 0
	of    int // presses in scope
}

// duePart reads of which presses the due lists are asked for: of all in scope, or of some at a time, so that each can be
// reached.
func duePart(q *query, v url.Values) (dueOf, error) {
	ids := q.pressIDs()
	d := dueOf{scope: q.scope(), of: len(ids)}
	if text := v.Get("due"); text != "" {
		n, err := strconv.Atoi(text)
		if last := max(1, (d.of+mostDue-1)/mostDue); err != nil || n < 1 || n > last {
			return d, badf("due=%q: the due lists of these presses stand on pages 1 to %d.", text, last)
		}
		d.page = n - 1
	}
	if d.of > mostDue {
		first := d.page * mostDue
		d.scope = &pb.Scope{Presses: ids[first:min(first+mostDue, d.of)]}
	}
	return d, nil
}

// live is the address of the events that keep the lists alive.
func (d dueOf) live(q *query) string {
	n := ""
	if d.page > 0 {
		n = strconv.Itoa(d.page + 1)
	}
	return q.Link("/duties/live", "due", n)
}

// pages leads to the lists of every press in scope; nil where one page holds all.
func (d dueOf) pages(link func(n string) string) []rangeLink {
	if d.of <= mostDue {
		return nil
	}
	var out []rangeLink
	for i := 0; i*mostDue < d.of; i++ {
		n := ""
		if i > 0 {
			n = strconv.Itoa(i + 1)
		}
		out = append(out, rangeLink{Text: d.span(i), Href: link(n), Here: i == d.page})
	}
	return out
}

// span says which presses a page shows, counted from 1.
func (d dueOf) span(page int) string {
	first, last := page*mostDue+1, min((page+1)*mostDue, d.of)
	if first == last {
		return figures.Grouped(int64(first))
	}
	return figures.Grouped(int64(first)) + " to " + figures.Grouped(int64(last))
}

// pressIDs are the presses that the registry has in this scope, "plant/press", in its order.
func (q *query) pressIDs() []string {
	var out []string
	for _, p := range q.plants {
		for _, x := range p.GetPresses() {
			id := p.GetPlant() + "/" + x.GetPress()
			if q.Kind != "" && x.GetKind() != q.Kind {
				continue
			}
			if len(q.Scopes) == 0 || slices.Contains(q.Scopes, p.GetPlant()) || slices.Contains(q.Scopes, id) {
				out = append(out, id)
			}
		}
	}
	return out
}

// tell fills in what an answer about what is due says. Cautions of it come first, after them those of the rest of the page.
func (p *dutiesPage) tell(q *query, part dueOf, due *pb.ListDueDutiesResponse, others []string) {
	p.Cautions = slices.Clone(due.GetCautions())
	for _, c := range others {
		if !slices.Contains(p.Cautions, c) {
			p.Cautions = append(p.Cautions, c)
		}
	}
	p.Rule = due.GetOrderRule()
	if part.of > mostDue {
		p.Shown = "Presses " + part.span(part.page) + " of " + figures.Grouped(int64(part.of)) + "."
	}
	for _, x := range due.GetPresses() {
		p.Due = append(p.Due, duePressOf(q, x))
	}
}

// serveDutiesLive sends the due lists anew whenever the api's own watch says that they changed.
func (s *Site) serveDutiesLive(w http.ResponseWriter, r *http.Request) {
	q, ok := s.readLive(w, r)
	if !ok {
		return
	}
	part, err := duePart(q, r.URL.Query())
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	newest := newestOf[*pb.ListDueDutiesResponse]{}
	ctx, stop := context.WithCancel(r.Context())
	defer stop()
	go newest.follow(ctx, func(ctx context.Context) (func() (*pb.ListDueDutiesResponse, error), error) {
		watch, err := s.duties.WatchDueDuties(ctx, &pb.WatchDueDutiesRequest{Scope: part.scope, Hours: dueHours})
		return func() (*pb.ListDueDutiesResponse, error) {
			m, err := watch.Recv()
			return m.GetDue(), err
		}, err
	})
	var others []string // cautions of the rest of the page: the box of cautions is sent whole
	asked := false
	s.live(w, r, dueTick, func(ctx context.Context) (string, bool, error) {
		due, err := newest.get()
		if err != nil || due == nil {
			return "", false, err
		}
		if !asked {
			c, err := s.duties.GetCompliance(ctx, &pb.GetComplianceRequest{Scope: q.scope(), Period: q.period(), GroupBy: pb.ComplianceGroup_COMPLIANCE_GROUP_STATION})
			if err != nil {
				return "", false, err
			}
			others, asked = c.GetCautions(), true
		}
		p := &dutiesPage{}
		p.tell(q, part, due, others)
		text, err := s.part("duties", "due", p)
		return text, false, err
	})
}

func duePressOf(q *query, x *pb.PressDueDuties) duePress {
	zone := q.zoneOf(x.GetPress())
	d := duePress{Name: q.pressName(x.GetPress()), Href: q.Link("/duties", "scope", x.GetPress(), "kind", ""), Notes: x.GetNotes()}
	if x.GetFrontier() == nil {
		return d
	}
	now := x.GetFrontier().AsTime().In(zone)
	d.Known = now.Format("Mon 2 Jan 15:04") + " (" + zone.String() + ")"
	for _, y := range x.GetDuties() {
		row := dueRow{Station: named(y.GetStationName(), y.GetStation()), Task: y.GetTask(), Text: y.GetText(), Due: moment(y.GetDueAt().AsTime().In(zone), now),
			Minutes: figures.Number(y.GetStandardMinutes(), 0), Clock: y.GetClock(), First: readFirst(y.GetHazards(), y.GetIsolate(), y.GetSafety())}
		switch {
		case y.GetOverdueMs() > 0:
			row.Overdue, row.Over = true, spanWords(time.Duration(y.GetOverdueMs())*time.Millisecond)
			if n := y.GetMissedInRow(); n > 0 {
				row.Over += ", " + figures.Plural(int64(n), "interval", "intervals") + " missed before"
			}
		case y.GetExpected():
			row.Due = "about " + row.Due
		}
		d.Rows = append(d.Rows, row)
	}
	var names []string
	for _, y := range x.GetAtJobChange() {
		text := named(y.GetStationName(), y.GetStation()) + ", " + y.GetTask()
		if first := readFirst(y.GetHazards(), y.GetIsolate(), y.GetSafety()); first != "" {
			text += " (" + first + ")"
		}
		names = append(names, text)
	}
	d.JobChange = strings.Join(names, "; ")
	return d
}

// readFirst names what can hurt, isolation first.
func readFirst(hazards []pb.Hazard, isolate, safety bool) string {
	var out []string
	if safety {
		out = append(out, "safety task")
	}
	if isolate {
		out = append(out, "isolate")
	}
	for _, h := range hazards {
		name := enumName(h.String(), "HAZARD_")
		if h == pb.Hazard_HAZARD_UV {
			name = "UV light"
		}
		out = append(out, name)
	}
	return strings.Join(out, ", ")
}
