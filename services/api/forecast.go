package api

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

const (
	forecastDays    = 7
	forecastPresses = 100  // presses looked at in one answer
	forecastRefold  = 400  // press-days of the past that are folded anew
	forecastChanges = 1000 // changes listed
	forecastFar     = 365  // days after the newest data beyond which nothing is said
)

// dutyForecast says what a proposed document does to the duties of a week to
// come: both documents folded over the calendar from what is known of each
// press. nil: nothing that decides duties changes.
func (s *Server) dutyForecast(ctx context.Context, old, next *pb.Plant, dirty map[string]int64) (*pb.DutyForecast, error) {
	before, err := pressesOf(old)
	if err != nil {
		return nil, err
	}
	after, err := pressesOf(next)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, name := range slices.Sorted(maps.Keys(dirty)) {
		if !dutiesAlike(before[name], after[name]) {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return nil, nil
	}
	w, err := s.forecastWeek(ctx, next, before, after, names, dirty)
	if err != nil {
		return nil, err
	}
	out := w.out
	if w.far {
		return out, nil
	}
	if n := len(names); n > forecastPresses {
		out.Notes = append(out.Notes, fmt.Sprintf("The document changes the duties of %d presses; the first %d by name are looked at.", n, forecastPresses))
		names = names[:forecastPresses]
	}
	lists := make([]pressForecast, len(names))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	for i, name := range names {
		g.Go(func() error {
			var err error
			lists[i], err = s.forecastOf(ctx, w, before[name], after[name], w.from[name])
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	var hazards []uint8
	isolate := false
	for i, name := range names {
		lists[i].put(out, old.GetPlant(), next.GetPlant(), name)
		for _, p := range []*timeline.Press{before[name], after[name]} {
			if p == nil {
				continue
			}
			for _, t := range p.TasksOn(w.first) {
				hazards = append(hazards, t.Hazards...)
				isolate = isolate || t.Isolate
			}
		}
	}
	out.Notes = append(out.Notes, "Nothing signed off meanwhile, presses at their usual pace; job changes are not foreseen.")
	out.Cautions = cautions(hazards, isolate)
	return out, nil
}

func pressesOf(p *pb.Plant) (map[string]*timeline.Press, error) {
	out := map[string]*timeline.Press{}
	if p == nil {
		return out, nil
	}
	list, err := registry.Resolve(p)
	for _, x := range list {
		out[x.Name] = x
	}
	return out, err
}

// dutiesAlike says whether all that decides duties is the same.
func dutiesAlike(a, b *timeline.Press) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Zone.String() == b.Zone.String() && a.Grace == b.Grace && a.ValidFor == b.ValidFor &&
		reflect.DeepEqual(a.Plans, b.Plans) && reflect.DeepEqual(a.Calendar, b.Calendar) && reflect.DeepEqual(a.SkipNotReq, b.SkipNotReq)
}

// forecastWeek is the days looked at.
type forecastWeek struct {
	out         *pb.DutyForecast
	first, last timeline.Day
	from        map[string]int64 // by press: folded anew from there, unix ms
	far         bool             // beyond what can be foreseen
	frontiers   map[string]int64
}

// forecastWeek is the seven production days after the newest data of the
// presses, or from the first day that changes if that is later than those.
func (s *Server) forecastWeek(ctx context.Context, plant *pb.Plant, before, after map[string]*timeline.Press, names []string, dirty map[string]int64) (*forecastWeek, error) {
	frontiers, err := s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return nil, err
	}
	waiting, err := s.deps.Reader.DirtyFrom(ctx)
	if err != nil {
		return nil, err
	}
	any := func(name string) *timeline.Press {
		if p := after[name]; p != nil {
			return p
		}
		return before[name]
	}
	zone := any(names[0]).Zone
	w := &forecastWeek{from: map[string]int64{}, frontiers: frontiers}
	newest, changes := timeline.NoDay, timeline.NoDay
	for _, name := range names {
		p := any(name)
		if at, ok := frontiers[p.ID()]; ok {
			newest = max(newest, p.Calendar.DayAt(at))
		}
		day := timeline.NoDay
		if dirty[name] > registry.SinceEver {
			day = timeline.DayOf(time.UnixMilli(dirty[name]).In(p.Zone)) + 1 // marked from the day before the change
		}
		if changes == timeline.NoDay || day < changes {
			changes = day
		}
	}
	if newest == timeline.NoDay {
		newest = timeline.DayOf(s.now().In(zone))
	}
	w.first = newest + 1
	if changes > newest+forecastDays {
		w.first = changes
	}
	w.last = w.first + forecastDays - 1
	w.out = &pb.DutyForecast{FirstDay: w.first.String(), LastDay: w.last.String(), Zone: zone.String()}
	if w.first-newest > forecastFar {
		w.far = true
		w.out.Notes = []string{"The change begins more than a year after the newest data: what it does to duties cannot be foreseen."}
		w.out.Cautions = cautions(nil, false)
		return w, nil
	}
	budget, left := int64(forecastRefold), 0
	first, err := s.deps.Reader.FirstDays(ctx, idsOf(names, any))
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		p := any(name)
		from := farFuture
		if at, ok := waiting[p.ID()]; ok {
			from = at
		}
		at, known := frontiers[p.ID()]
		day, seen := first[p.ID()]
		if known && seen && dirty[name] < at {
			begin := max(dirty[name], p.Calendar.Plan(day).Span().From)
			if days := max(0, at-begin) / (24 * timeline.Hour); days <= budget {
				budget -= days
				from = min(from, dirty[name])
			} else {
				left++
			}
		}
		w.from[name] = from
	}
	if left > 0 {
		w.out.Notes = append(w.out.Notes, fmt.Sprintf("The change reaches far back: of %d presses the past is not folded anew here, their clocks go on from where they stand today.", left))
	}
	return w, nil
}

func idsOf(names []string, press func(string) *timeline.Press) []string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = press(n).ID()
	}
	return out
}

// pressForecast is the week of one press with both documents.
type pressForecast struct {
	before, after []duty.Row
	changes       []duty.Change
	expected      func(duty.Row) bool
}

// forecastOf folds one press over the week with both documents; nil where it
// is not in one.
func (s *Server) forecastOf(ctx context.Context, w *forecastWeek, before, after *timeline.Press, from int64) (pressForecast, error) {
	p := after
	if p == nil {
		p = before
	}
	recent, err := s.deps.Reader.RecentPress(ctx, p, from)
	if err != nil {
		return pressForecast{}, err
	}
	var pace duty.Pace
	if recent == nil {
		day := w.first - 1
		recent = &RecentPress{First: day, History: &timeline.History{}, Frontier: p.Calendar.Plan(w.first).Span().From}
	} else if pace, err = s.pace(ctx, p, recent.Frontier); err != nil {
		return pressForecast{}, err
	}
	week := timeline.Interval{From: p.Calendar.Plan(w.first).Span().From, To: p.Calendar.Plan(w.last).Span().To}
	a := duty.Ahead{State: recent.State, First: recent.First, History: recent.History, Frontier: recent.Frontier, Pace: pace, Until: week.To}
	rows := func(p *timeline.Press) []duty.Row {
		if p == nil {
			return nil
		}
		a := a
		a.Press = p
		return slices.DeleteFunc(a.Rows(), func(r duty.Row) bool { return !week.Has(r.Due) })
	}
	out := pressForecast{before: rows(before), after: rows(after), expected: a.Expected}
	out.changes = duty.Compare(out.before, out.after)
	return out, nil
}

// put adds the press's counts and changes to the answer.
func (f *pressForecast) put(out *pb.DutyForecast, oldPlant, newPlant, press string) {
	plant := newPlant
	if plant == "" {
		plant = oldPlant
	}
	id := plant + "/" + press
	counts := map[string]*pb.DutyChangeCount{}
	for _, c := range f.changes {
		r := c.After
		if c.Kind == duty.Gone {
			r = c.Before
		}
		n := counts[r.Task]
		if n == nil {
			n = &pb.DutyChangeCount{Press: id, Task: r.Task}
			counts[r.Task] = n
		}
		x := &pb.DutyChange{Press: id, Task: r.Task, Station: r.Station, Kind: pb.DutyChangeKind(c.Kind), Cadence: pb.Cadence(r.Cadence), Expected: f.expected(r)}
		switch c.Kind {
		case duty.Added:
			n.Added++
		case duty.Gone:
			n.Gone++
		case duty.Moved:
			n.Moved++
		}
		if c.Kind != duty.Added {
			x.DueBefore = stamp(c.Before.Due)
			x.Expected = x.Expected || f.expected(c.Before)
		}
		if c.Kind != duty.Gone {
			x.DueAfter = stamp(c.After.Due)
		}
		if len(out.Changes) < forecastChanges {
			out.Changes = append(out.Changes, x)
		} else {
			out.LeftOff++
		}
	}
	for _, r := range f.before {
		if n := counts[r.Task]; n != nil {
			n.Before++
		}
	}
	for _, r := range f.after {
		if n := counts[r.Task]; n != nil {
			n.After++
		}
	}
	for _, task := range slices.Sorted(maps.Keys(counts)) {
		out.Counts = append(out.Counts, counts[task])
	}
}

// currentPlant is a plant's latest document; nil: none.
func (s *Server) currentPlant(ctx context.Context, plant string) (*pb.Plant, error) {
	rev, err := s.deps.Registry.Get(ctx, plant, 0)
	if errors.Is(err, registry.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return rev.GetPlant(), nil
}
