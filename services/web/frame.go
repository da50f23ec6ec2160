package web

import (
	"context"
	"errors"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// frame is what stands around every page.
type frame struct {
	Title  string
	Here   string // path of the page's place in the menu
	Menu   []menuItem
	Q      *query
	Picker *picker // nil: the page is about no scope and period
	Fixed  string  // the same view with its days written out
	Live   string  // address of the events that keep parts alive; empty: none do
	Foot   []string
}

type menuItem struct {
	Name, Href string
	Here       bool
}

// places are the menu.
var places = []struct{ path, name string }{{"/", "Losses"}, {"/stations", "Stations"}, {"/duties", "Duties"}, {"/studies", "Studies"}, {"/fleet", "Fleet"}}

// picker is the one form for scope and days.
type picker struct {
	Action string
	Keep   [][2]string // what the page was told beside scope and days
	Scopes []scopeGroup
	Kinds  []option // empty: there is one kind
	From   string
	To     string
	Ranges []rangeLink
}

type scopeGroup struct {
	Label   string // empty: options without a group
	Options []option
}

type option struct {
	Value, Text string
	Chosen      bool
}

type rangeLink struct {
	Text, Href string
	Here       bool
}

var ranges = []struct {
	days int
	text string
}{{7, "7 days"}, {28, "4 weeks"}, {91, "13 weeks"}, {182, "26 weeks"}, {365, "a year"}}

// open reads a request's query and makes the frame of its page; keep names what the page is told beside scope and days.
// When the request cannot be answered, the page says why and ok is false.
func (s *Site) open(w http.ResponseWriter, r *http.Request, here, title string, keep ...string) (f frame, q *query, ok bool) {
	v := r.URL.Query()
	q, err := s.read(r.Context(), v)
	f = s.frame(r, q, here, title)
	if err != nil {
		s.fail(w, r, f, err)
		return f, q, false
	}
	var kept []string
	for _, k := range keep {
		if x := v.Get(k); x != "" {
			kept = append(kept, k, x)
		}
	}
	f.Picker = newPicker(r.URL.Path, q, kept...)
	f.Fixed = q.fixed(r)
	if len(q.plants) == 0 {
		f.Picker = nil
		s.write(w, http.StatusOK, "trouble", troublePage{frame: f, Head: "There is no plant yet",
			Text: "The registry is empty: nothing is known of plants, presses, shifts and cleaning plans.",
			Todo: "Describe a plant in a file and apply it: downweb registry apply plant.yaml. An example stands in testdata/scenarios/worked-shifts."})
		return f, q, false
	}
	return f, q, true
}

func (s *Site) frame(_ *http.Request, q *query, here, title string) frame {
	f := frame{Title: title, Here: here, Q: q}
	for _, p := range places {
		f.Menu = append(f.Menu, menuItem{Name: p.name, Href: q.Link(p.path), Here: p.path == here})
	}
	return f
}

// newPicker is the form with q chosen in it; keep are pairs of name and value that stay with every choice.
func newPicker(path string, q *query, keep ...string) *picker {
	p := &picker{Action: path, From: q.From.Format(time.DateOnly), To: q.To.Format(time.DateOnly)}
	asked := strings.Join(q.Scopes, ",")
	first := scopeGroup{Options: []option{{Value: "", Text: "The fleet, every press", Chosen: asked == ""}}}
	found := asked == ""
	var groups []scopeGroup
	kinds := map[string]bool{}
	for _, plant := range q.plants {
		g := scopeGroup{Label: named(plant.GetName(), plant.GetPlant())}
		add := func(value, text string) {
			g.Options = append(g.Options, option{Value: value, Text: text, Chosen: value == asked})
			found = found || value == asked
		}
		add(plant.GetPlant(), "All of "+g.Label)
		for _, x := range plant.GetPresses() {
			add(plant.GetPlant()+"/"+x.GetPress(), named(x.GetName(), x.GetPress()))
			if k := x.GetKind(); k != "" && !kinds[k] {
				kinds[k] = true
				p.Kinds = append(p.Kinds, option{Value: k, Text: k, Chosen: k == q.Kind})
			}
		}
		groups = append(groups, g)
	}
	if !found {
		first.Options = append(first.Options, option{Value: asked, Text: q.Words(), Chosen: true})
	}
	p.Scopes = append([]scopeGroup{first}, groups...)
	if len(p.Kinds) < 2 {
		p.Kinds = nil
	} else {
		p.Kinds = append([]option{{Text: "Every kind", Chosen: q.Kind == ""}}, p.Kinds...)
	}
	for i := 0; i+1 < len(keep); i += 2 {
		p.Keep = append(p.Keep, [2]string{keep[i], keep[i+1]})
	}
	with := func(pairs ...string) string { return q.Link(path, append(slices.Clone(keep), pairs...)...) }
	for _, x := range ranges {
		p.Ranges = append(p.Ranges, rangeLink{Text: x.text, Href: with("last", strconv.Itoa(x.days)), Here: q.Last == x.days})
	}
	from, to := q.before()
	p.Ranges = append(p.Ranges, rangeLink{Text: "as many days before", Href: with("from", from.Format(time.DateOnly), "to", to.Format(time.DateOnly))})
	if days := int(q.To.Sub(q.From)/(24*time.Hour)) + 1; !q.newest.IsZero() && q.To.Before(q.newest) {
		p.Ranges = append(p.Ranges, rangeLink{Text: "as many days after", Href: with("from", q.To.AddDate(0, 0, 1).Format(time.DateOnly), "to", q.To.AddDate(0, 0, days).Format(time.DateOnly))})
	}
	return p
}

// troublePage says in words what cannot be shown.
type troublePage struct {
	frame
	Head, Text, Todo string
}

// fail writes why a page cannot be shown.
func (s *Site) fail(w http.ResponseWriter, r *http.Request, f frame, err error) {
	code, head, text, todo := trouble(err)
	if code == 0 { // who asked is gone
		return
	}
	if code >= 500 {
		s.log.Warn("a page cannot be shown", "path", r.URL.Path, "err", err)
	}
	f.Title = head
	if len(f.Q.plants) > 0 && f.Picker == nil {
		f.Picker = newPicker(r.URL.Path, f.Q)
	}
	s.write(w, code, "trouble", troublePage{frame: f, Head: head, Text: text, Todo: todo})
}

// trouble is an error in words: what is wrong, and what can be done. Code 0: nobody reads it.
func trouble(err error) (code int, head, text, todo string) {
	if bad := (badAddress{}); errors.As(err, &bad) {
		return http.StatusBadRequest, "This address cannot be read", bad.text, "Choose presses and days below, or take a place from the menu."
	}
	if errors.Is(err, context.Canceled) {
		return 0, "", "", ""
	}
	st := status.Convert(err)
	text = st.Message()
	var fields []string
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				fields = append(fields, v.GetField()+": "+v.GetDescription())
			}
		case *errdetails.ResourceInfo:
			if !strings.Contains(text, d.GetResourceName()) {
				text += " (" + d.GetResourceType() + " " + d.GetResourceName() + ")"
			}
		}
	}
	if len(fields) > 0 {
		text = strings.Join(fields, "; ")
	}
	text = sentence(text)
	switch st.Code() {
	case codes.Canceled:
		return 0, "", "", ""
	case codes.InvalidArgument:
		return http.StatusBadRequest, "This cannot be asked", text, "Change presses or days below."
	case codes.NotFound:
		return http.StatusNotFound, "There is no such thing", text, "The name may have been taken out of the registry, or the address was cut short."
	case codes.FailedPrecondition, codes.Aborted, codes.AlreadyExists:
		return http.StatusConflict, "This cannot be done now", text, "Look again in a while."
	case codes.ResourceExhausted:
		return http.StatusTooManyRequests, "This is too much at once", text, "Ask for fewer presses or fewer days."
	case codes.Unavailable:
		return http.StatusServiceUnavailable, "A part of the line does not answer", text, "Nothing is lost: events wait at the presses. Load this page again in a while; \"downweb status\" says which part is away."
	case codes.DeadlineExceeded:
		return http.StatusGatewayTimeout, "There was no answer in time", text, "Ask for fewer presses or fewer days."
	case codes.Unimplemented:
		return http.StatusNotImplemented, "The api does not know this question", text, "Pages and api may be of two versions."
	}
	return http.StatusInternalServerError, "This went wrong", text, "The log of the api says more."
}

// sentence begins with a capital and ends with a stop.
func sentence(text string) string {
	text = strings.TrimSpace(text)
	if text == "" {
		return ""
	}
	first, n := utf8.DecodeRuneInString(text) // a press may be called Überdruck
	text = string(unicode.ToUpper(first)) + text[n:]
	if !strings.ContainsAny(text[len(text)-1:], ".!?") {
		text += "."
	}
	return text
}

func (s *Site) serveNothing(w http.ResponseWriter, r *http.Request) {
	if strings.HasPrefix(r.URL.Path, "/v1/") {
		http.NotFound(w, r)
		return
	}
	q := &query{Last: usualDays}
	q.fill(s.now())
	f := s.frame(r, q, "", "No such page")
	s.write(w, http.StatusNotFound, "trouble", troublePage{frame: f, Head: "There is no page here", Text: "Nothing stands at this address.", Todo: "Take a place from the menu."})
}

// plantCache keeps the registry's documents for a moment: every page names plants and presses.
type plantCache struct {
	mu     sync.Mutex
	at     time.Time
	plants []*pb.Plant
}

// plantsFor is how long a document of the registry may be behind on a page.
const plantsFor = 2 * time.Second

// allPlants are the latest documents of all plants. What it gives is not changed.
func (s *Site) allPlants(ctx context.Context) ([]*pb.Plant, error) {
	c := &s.plants
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := time.Now(); c.at.IsZero() || now.Sub(c.at) > plantsFor {
		r, err := s.registry.ListPlants(ctx, &pb.ListPlantsRequest{})
		if err != nil {
			return nil, err
		}
		c.plants = nil
		for _, rev := range r.GetRevisions() {
			c.plants = append(c.plants, rev.GetPlant())
		}
		c.at = now
	}
	return c.plants, nil
}

// words are the functions of the templates.
var words = template.FuncMap{
	"upper": func(text string) string { return strings.TrimSuffix(sentence(text), ".") },
}

// pins say what an answer was made from.
func (q *query) pins(a *pb.AsOf) []string {
	var out []string
	if a == nil {
		return nil
	}
	zone := q.zone()
	text := "Production days " + q.Days() + "; a shift belongs to " + q.dayOf() + "."
	out = append(out, text)
	text = "As of insert " + strconv.FormatUint(a.GetPos(), 10) + ", registry revision " + strconv.FormatUint(a.GetRegistryRev(), 10) + ", rules " + strconv.FormatUint(uint64(a.GetRulesVersion()), 10)
	if a.GetThrough() != nil {
		text += "; data of every press through " + a.GetThrough().AsTime().In(zone).Format("Mon 2 January 2006 15:04") + " (" + zone.String() + ")"
	}
	out = append(out, text+".")
	if n := len(a.GetBehind()); n > 0 {
		var names []string
		for _, b := range a.GetBehind()[:min(n, 3)] {
			names = append(names, q.pressName(b.GetPress()))
		}
		text = "Behind the newest data: " + strings.Join(names, "; ")
		if n > 3 {
			text += " and " + strconv.Itoa(n-3) + " more"
		}
		out = append(out, text+".")
	}
	return out
}

// dayOf says to which date shifts belong.
func (q *query) dayOf() string {
	first, second := false, false
	for _, p := range q.inScope() {
		if p.GetDayOf() == pb.DayOf_DAY_OF_END {
			second = true
		} else {
			first = true
		}
	}
	switch {
	case first && second:
		return "the date it starts on, in some plants to that it ends on"
	case second:
		return "the date it ends on"
	}
	return "the date it starts on"
}
