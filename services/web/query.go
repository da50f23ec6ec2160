package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// query is what an address asks: which presses, which production days. Every page reads it and every link carries it.
type query struct {
	Scopes []string // plants and "plant/press"; empty: the fleet
	Kind   string   // press kind; empty: every kind
	Last   int      // days up to the newest data; 0: From and To stand by themselves
	From   time.Time
	To     time.Time // both included, midnight UTC of the date

	plants []*pb.Plant
	newest time.Time // date of the newest data; zero: there is none
}

// mostScopes bounds an address.
const mostScopes = 200

// usualDays is how far a page looks back when its address does not say.
const usualDays = 28

var slug = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// badAddress is a mistake in an address, in words.
type badAddress struct{ text string }

func (e badAddress) Error() string { return e.text }

func badf(format string, a ...any) error { return badAddress{fmt.Sprintf(format, a...)} }

// read reads an address and asks the api for what its answer needs: the registry, and the day of the newest data.
func (s *Site) read(ctx context.Context, v url.Values) (*query, error) {
	q := &query{Kind: v.Get("kind")}
	for _, text := range v["scope"] {
		for one := range strings.SplitSeq(text, ",") {
			if one = strings.TrimSpace(one); one == "" || slices.Contains(q.Scopes, one) {
				continue
			}
			plant, press, both := strings.Cut(one, "/")
			if !slug.MatchString(plant) || both && !slug.MatchString(press) {
				return q, badf("%q names neither a plant nor a press: want rhein or rhein/p1.", one)
			}
			q.Scopes = append(q.Scopes, one)
		}
	}
	if len(q.Scopes) > mostScopes {
		return q, badf("The address names %d plants and presses; it may name %d.", len(q.Scopes), mostScopes)
	}
	if q.Kind != "" && !slug.MatchString(q.Kind) {
		return q, badf("%q is no press kind.", q.Kind)
	}
	from, to := v.Get("from"), v.Get("to")
	for _, d := range []struct {
		text string
		to   *time.Time
	}{{from, &q.From}, {to, &q.To}} {
		if d.text == "" {
			continue
		}
		var err error
		if *d.to, err = time.Parse(time.DateOnly, d.text); err != nil || d.to.Year() < 1970 || d.to.Year() > 2199 {
			return q, badf("%q is no date: want YYYY-MM-DD.", d.text)
		}
	}
	if text := v.Get("last"); text != "" && from == "" && to == "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 3660 {
			return q, badf("last=%q: want a number of days, 1 to 3660.", text)
		}
		q.Last = n
	}
	if from == "" && to == "" && q.Last == 0 {
		q.Last = usualDays
	}
	var plants []*pb.Plant
	var newest time.Time
	g, gctx := errgroup.WithContext(ctx)
	read := func(ctx context.Context) (err error) {
		plants, err = s.allPlants(ctx)
		return err
	}
	// A scope of plants and presses is told only by who knows the plants' presses; every other one is asked about at once.
	if q.mixed() {
		if err := read(ctx); err != nil {
			q.fill(s.now())
			return q, err
		}
		q.plants = plants
	} else {
		g.Go(func() error { return read(gctx) })
	}
	scope := q.scope()
	g.Go(func() (err error) {
		newest, err = s.newest(gctx, scope)
		return err
	})
	err := g.Wait()
	if q.plants = plants; err != nil {
		q.fill(s.now())
		return q, err
	}
	if !newest.IsZero() {
		q.newest = dateIn(newest.Add(-time.Millisecond), q.zone())
	}
	q.fill(s.now())
	if q.To.Before(q.From) {
		return q, badf("The last day, %s, is before the first, %s.", q.To.Format(time.DateOnly), q.From.Format(time.DateOnly))
	}
	return q, nil
}

// fill settles the days that the address leaves open.
func (q *query) fill(now time.Time) {
	last := q.newest
	if last.IsZero() {
		last = dateIn(now, time.UTC)
	}
	switch {
	case q.Last > 0:
		q.To, q.From = last, last.AddDate(0, 0, 1-q.Last)
	case q.To.IsZero():
		q.To = last
		if q.To.Before(q.From) {
			q.To = q.From
		}
	case q.From.IsZero():
		q.From = q.To.AddDate(0, 0, 1-usualDays)
	}
}

// newest is the latest instant that is known of a scope; zero: nothing is.
func (s *Site) newest(ctx context.Context, scope *pb.Scope) (time.Time, error) {
	at, err := s.frontier(ctx, scope)
	if err != nil || at.GetNewest() == nil {
		return time.Time{}, err
	}
	return at.GetNewest().AsTime(), nil
}

// frontier says how far the log goes, and what is known of a scope.
func (s *Site) frontier(ctx context.Context, scope *pb.Scope) (*pb.AsOf, error) {
	// Every answer about losses says it; of a day before there were computers it says little else.
	r, err := s.losses.GetLosses(ctx, &pb.GetLossesRequest{Scope: scope, Period: &pb.Period{FirstDay: "1970-01-01", LastDay: "1970-01-01"}})
	return r.GetAsOf(), err
}

func dateIn(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// mixed: plants and presses are named beside each other.
func (q *query) mixed() bool {
	press := func(one string) bool { return strings.Contains(one, "/") }
	plant := func(one string) bool { return !press(one) }
	return slices.ContainsFunc(q.Scopes, press) && slices.ContainsFunc(q.Scopes, plant)
}

func (q *query) scope() *pb.Scope {
	sc := &pb.Scope{}
	for _, one := range q.Scopes {
		if strings.Contains(one, "/") {
			sc.Presses = append(sc.Presses, one)
		} else {
			sc.Plants = append(sc.Plants, one)
		}
	}
	// Lists narrow each other; a plant beside presses means all of its presses, too.
	if len(sc.Plants) > 0 && len(sc.Presses) > 0 {
		for _, p := range q.plants {
			if slices.Contains(sc.Plants, p.GetPlant()) {
				for _, x := range p.GetPresses() {
					sc.Presses = append(sc.Presses, p.GetPlant()+"/"+x.GetPress())
				}
			}
		}
		slices.Sort(sc.Presses)
		sc.Plants, sc.Presses = nil, slices.Compact(sc.Presses)
	}
	if q.Kind != "" {
		sc.Kinds = []string{q.Kind}
	}
	return sc
}

func (q *query) period() *pb.Period {
	return &pb.Period{FirstDay: q.From.Format(time.DateOnly), LastDay: q.To.Format(time.DateOnly)}
}

// before is the period of as many days right before.
func (q *query) before() (from, to time.Time) {
	days := int(q.To.Sub(q.From)/(24*time.Hour)) + 1
	return q.From.AddDate(0, 0, -days), q.From.AddDate(0, 0, -1)
}

// inScope are the plants that the scope can touch, of all when it names none.
func (q *query) inScope() []*pb.Plant {
	var out []*pb.Plant
	for _, p := range q.plants {
		touches := len(q.Scopes) == 0
		for _, one := range q.Scopes {
			plant, _, _ := strings.Cut(one, "/")
			touches = touches || plant == p.GetPlant()
		}
		if touches {
			out = append(out, p)
		}
	}
	return out
}

// zone is that of the first plant in scope.
func (q *query) zone() *time.Location {
	for _, p := range q.inScope() {
		if z, err := time.LoadLocation(p.GetZone()); err == nil {
			return z
		}
	}
	return time.UTC
}

// zoneOf is the zone of a press's plant.
func (q *query) zoneOf(press string) *time.Location {
	plant, _, _ := strings.Cut(press, "/")
	for _, p := range q.plants {
		if p.GetPlant() == plant {
			if z, err := time.LoadLocation(p.GetZone()); err == nil {
				return z
			}
		}
	}
	return time.UTC
}

// pressName is what people call a press, with its plant where there are several.
func (q *query) pressName(id string) string {
	plant, press, _ := strings.Cut(id, "/")
	for _, p := range q.plants {
		if p.GetPlant() != plant {
			continue
		}
		for _, x := range p.GetPresses() {
			if x.GetPress() == press && x.GetName() != "" {
				press = x.GetName()
			}
		}
		if len(q.plants) > 1 {
			return named(p.GetName(), plant) + ", " + press
		}
		return press
	}
	return id
}

// stationName is what people call a station in this scope; the slug where presses differ or nobody says.
func (q *query) stationName(slug string) string {
	name := ""
	for _, p := range q.inScope() {
		for _, x := range p.GetPresses() {
			for _, st := range x.GetStations() {
				if st.GetSlug() != slug || st.GetName() == "" {
					continue
				}
				if name != "" && name != st.GetName() {
					return slug
				}
				name = st.GetName()
			}
		}
	}
	return named(name, slug)
}

func named(name, slug string) string {
	if name == "" {
		return slug
	}
	return name
}

// Words say the scope.
func (q *query) Words() string {
	var parts []string
	for _, one := range q.Scopes {
		if strings.Contains(one, "/") {
			parts = append(parts, q.pressName(one))
			continue
		}
		name := one
		for _, p := range q.plants {
			if p.GetPlant() == one {
				name = named(p.GetName(), one)
			}
		}
		parts = append(parts, "plant "+name)
	}
	text := "the fleet"
	if n := len(parts); n > 4 {
		text = fmt.Sprintf("%s and %d more", strings.Join(parts[:3], "; "), n-3)
	} else if n > 0 {
		text = strings.Join(parts, "; ")
	}
	if q.Kind != "" {
		text += ", presses of kind " + q.Kind
	}
	return text
}

// Days says the period for people.
func (q *query) Days() string { return daysText(q.From, q.To) }

func daysText(from, to time.Time) string {
	switch {
	case from.Equal(to):
		return from.Format("Mon 2 January 2006")
	case from.Year() == to.Year() && from.Month() == to.Month():
		return from.Format("2") + " to " + to.Format("2 January 2006")
	case from.Year() == to.Year():
		return from.Format("2 January") + " to " + to.Format("2 January 2006")
	}
	return from.Format("2 January 2006") + " to " + to.Format("2 January 2006")
}

// Link is the address of a page with this query and more; pairs with an empty value are left out. A pair that names a
// part of the query stands in its place.
func (q *query) Link(path string, pairs ...string) string {
	v := url.Values{}
	if len(q.Scopes) > 0 {
		v.Set("scope", strings.Join(q.Scopes, ","))
	}
	if q.Kind != "" {
		v.Set("kind", q.Kind)
	}
	if q.Last > 0 {
		if q.Last != usualDays {
			v.Set("last", strconv.Itoa(q.Last))
		}
	} else {
		v.Set("from", q.From.Format(time.DateOnly))
		v.Set("to", q.To.Format(time.DateOnly))
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		switch pairs[i] {
		case "from", "to":
			v.Del("last")
		case "last":
			v.Del("from")
			v.Del("to")
		}
		if v.Del(pairs[i]); pairs[i+1] != "" {
			v.Set(pairs[i], pairs[i+1])
		}
	}
	if text := strings.ReplaceAll(strings.ReplaceAll(v.Encode(), "%2F", "/"), "%2C", ","); text != "" {
		return path + "?" + text
	}
	return path
}

// fixed is the address with its days written out, so that it shows the same days tomorrow.
func (q *query) fixed(r *http.Request) string {
	v := r.URL.Query()
	v.Del("last")
	v.Set("from", q.From.Format(time.DateOnly))
	v.Set("to", q.To.Format(time.DateOnly))
	return r.URL.Path + "?" + strings.ReplaceAll(strings.ReplaceAll(v.Encode(), "%2F", "/"), "%2C", ",")
}

// HasData says whether anything is known of the presses in scope.
func (q *query) HasData() bool { return !q.newest.IsZero() }
