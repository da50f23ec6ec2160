package main

import (
	"context"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // production days are read in the zones of plants

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// scopeFlags says which presses a command is about.
type scopeFlags struct{ plants, presses, kinds []string }

func (s *scopeFlags) add(c *cobra.Command) {
	c.Flags().StringSliceVar(&s.plants, "plant", nil, "only this plant (may be repeated)")
	c.Flags().StringSliceVar(&s.presses, "press", nil, "only this press, plant/press (may be repeated)")
	c.Flags().StringSliceVar(&s.kinds, "kind", nil, "only presses of this kind (may be repeated)")
}

func (s *scopeFlags) scope() (*pb.Scope, error) {
	for _, p := range s.presses {
		if plant, press, ok := strings.Cut(p, "/"); !ok || !slug.MatchString(plant) || !slug.MatchString(press) {
			return nil, usagef("--press %q: want plant/press, e.g. rhein/p1", p)
		}
	}
	for _, p := range s.plants {
		if !slug.MatchString(p) {
			return nil, usagef("--plant %q: want a plant's slug, e.g. rhein", p)
		}
	}
	return &pb.Scope{Plants: s.plants, Presses: s.presses, Kinds: s.kinds}, nil
}

func (s *scopeFlags) words() string {
	var parts []string
	if len(s.presses) > 0 {
		parts = append(parts, strings.Join(s.presses, ", "))
	}
	if len(s.plants) > 0 {
		parts = append(parts, "plant "+strings.Join(s.plants, ", "))
	}
	if len(s.kinds) > 0 {
		parts = append(parts, "kind "+strings.Join(s.kinds, ", "))
	}
	if len(parts) == 0 {
		return "the fleet"
	}
	return strings.Join(parts, ", ")
}

// periodFlags says which production days a command is about.
type periodFlags struct{ from, to, week, month, since string }

func (p *periodFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&p.from, "from", "", "first production day, YYYY-MM-DD")
	c.Flags().StringVar(&p.to, "to", "", "last production day, YYYY-MM-DD, itself included")
	c.Flags().StringVar(&p.week, "week", "", "ISO week, e.g. 2026-W26")
	c.Flags().StringVar(&p.month, "month", "", "month, e.g. 2026-06")
	c.Flags().StringVar(&p.since, "since", "", "the last days up to the newest data, e.g. 7d, 4w (default 7d)")
}

var isoWeek = regexp.MustCompile(`^(\d{4})-W(\d{2})$`)

// resolve gives the period. What counts back from the newest data asks lastDay for that day.
func (p *periodFlags) resolve(lastDay func() (time.Time, error)) (*pb.Period, error) {
	given := 0
	for _, s := range []string{p.from + p.to, p.week, p.month, p.since} {
		if s != "" {
			given++
		}
	}
	if given > 1 {
		return nil, usagef("give one of --from/--to, --week, --month and --since")
	}
	day := func(flag, text string) (time.Time, error) {
		t, err := time.Parse(time.DateOnly, text)
		if err != nil {
			return t, usagef("--%s %q: want YYYY-MM-DD", flag, text)
		}
		return t, nil
	}
	var first, last time.Time
	var err error
	switch {
	case p.from != "":
		if first, err = day("from", p.from); err != nil {
			return nil, err
		}
		if p.to != "" {
			last, err = day("to", p.to)
		} else {
			last, err = lastDay()
			if last.Before(first) {
				last = first
			}
		}
		if err != nil {
			return nil, err
		}
		if last.Before(first) {
			return nil, usagef("--to %s is before --from %s", p.to, p.from)
		}
	case p.to != "":
		return nil, usagef("--to without --from: say where the period begins")
	case p.week != "":
		m := isoWeek.FindStringSubmatch(p.week)
		if m == nil {
			return nil, usagef("--week %q: want an ISO week such as 2026-W26", p.week)
		}
		year, _ := strconv.Atoi(m[1])
		week, _ := strconv.Atoi(m[2])
		jan4 := time.Date(year, 1, 4, 0, 0, 0, 0, time.UTC) // is in week 1
		monday := jan4.AddDate(0, 0, -(int(jan4.Weekday())+6)%7)
		first = monday.AddDate(0, 0, 7*(week-1))
		if y, w := first.ISOWeek(); y != year || w != week {
			return nil, usagef("--week %q: %d has no week %d", p.week, year, week)
		}
		last = first.AddDate(0, 0, 6)
	case p.month != "":
		if first, err = time.Parse("2006-01", p.month); err != nil {
			return nil, usagef("--month %q: want YYYY-MM", p.month)
		}
		last = first.AddDate(0, 1, -1)
	default:
		text := p.since
		if text == "" {
			text = "7d"
		}
		span, err := parseSpan(text)
		days := int(span / (24 * time.Hour))
		if err != nil || days < 1 || span%(24*time.Hour) != 0 {
			return nil, usagef("--since %q: want whole days or weeks such as 7d or 4w", text)
		}
		if last, err = lastDay(); err != nil {
			return nil, err
		}
		first = last.AddDate(0, 0, 1-days)
	}
	return &pb.Period{FirstDay: first.Format(time.DateOnly), LastDay: last.Format(time.DateOnly)}, nil
}

// newestDay is the local date of the newest data in scope, in its plant's zone; today's where there is none.
func newestDay(ctx context.Context, conn *grpc.ClientConn, scope *pb.Scope) (time.Time, error) {
	st, err := pb.NewStatusServiceClient(conn).GetStatus(ctx, &pb.GetStatusRequest{Scope: scope})
	if err != nil {
		return time.Time{}, err
	}
	newest, plant := time.Time{}, ""
	for _, p := range st.GetPresses() {
		if p.GetFrontier() != nil && !p.GetUnknown() && p.GetFrontier().AsTime().After(newest) {
			newest = p.GetFrontier().AsTime()
			plant, _, _ = strings.Cut(p.GetPress(), "/")
		}
	}
	zone := time.Local
	if newest.IsZero() {
		newest = time.Now()
	} else {
		plants, err := plantsInScope(ctx, conn, &pb.Scope{Plants: []string{plant}})
		if err != nil {
			return time.Time{}, err
		}
		for _, p := range plants {
			if z, err := time.LoadLocation(p.GetZone()); err == nil {
				zone = z
			}
		}
	}
	// A night shift's last hours belong to the date it began on; a frontier at midnight to the day before.
	y, m, d := newest.Add(-time.Millisecond).In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC), nil
}

// plantsInScope gives the latest documents of the plants a scope can touch.
func plantsInScope(ctx context.Context, conn *grpc.ClientConn, scope *pb.Scope) ([]*pb.Plant, error) {
	r, err := pb.NewRegistryServiceClient(conn).ListPlants(ctx, &pb.ListPlantsRequest{})
	if err != nil {
		return nil, err
	}
	want := map[string]bool{}
	for _, p := range scope.GetPlants() {
		want[p] = true
	}
	for _, p := range scope.GetPresses() {
		plant, _, _ := strings.Cut(p, "/")
		want[plant] = true
	}
	var out []*pb.Plant
	for _, rev := range r.GetRevisions() {
		if p := rev.GetPlant(); len(want) == 0 || want[p.GetPlant()] {
			out = append(out, p)
		}
	}
	return out, nil
}

// dayOfWords says to which date each plant's shifts belong, once where they all agree.
func dayOfWords(plants []*pb.Plant) []string {
	word := func(p *pb.Plant) string {
		if p.GetDayOf() == pb.DayOf_DAY_OF_END {
			return "the date it ends on"
		}
		return "the date it starts on"
	}
	var out []string
	alike := true
	for _, p := range plants {
		alike = alike && word(p) == word(plants[0])
		out = append(out, fmt.Sprintf("%s (%s)", word(p), p.GetPlant()))
	}
	if len(plants) > 0 && alike {
		return []string{word(plants[0])}
	}
	return out
}

// query is a scope and a period, as most questions have.
type query struct {
	scopeFlags
	periodFlags
}

func (q *query) add(c *cobra.Command) {
	q.scopeFlags.add(c)
	q.periodFlags.add(c)
}

// resolve turns the flags into a scope and a period.
func (q *query) resolve(ctx context.Context, conn *grpc.ClientConn) (*pb.Scope, *pb.Period, error) {
	scope, err := q.scope()
	if err != nil {
		return nil, nil, err
	}
	period, err := q.periodFlags.resolve(func() (time.Time, error) { return newestDay(ctx, conn, scope) })
	return scope, period, err
}
