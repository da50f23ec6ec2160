package api

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

// DutyReader is what answers about duties need beside the projections.
type DutyReader interface {
	// DutyCountsBy counts duties by station, press, plant, task or day (its
	// number) and by outcome.
	DutyCountsBy(ctx context.Context, by string, presses []string, from, to timeline.Day) ([]DutyKeyCount, error)
	// FirstDays is the first projected day of presses, by "plant/press".
	FirstDays(ctx context.Context, presses []string) (map[string]timeline.Day, error)
	// RecentPress is what folding a press around its frontier needs; what came
	// in since an instant (unix ms) is folded anew. nil: nothing is stored.
	RecentPress(ctx context.Context, press *timeline.Press, from int64) (*RecentPress, error)
	// SignOffs are the sign-offs of a press in [from, to), unix ms, that count,
	// in order.
	SignOffs(ctx context.Context, press *timeline.Press, from, to int64) ([]timeline.Event, error)
}

// DutyKeyCount is how many duties of a group had an outcome.
type DutyKeyCount struct {
	Key     string
	Outcome uint8
	N       int64
}

// RecentPress is a press some days before its frontier and since.
type RecentPress struct {
	State    duty.State   // before First
	First    timeline.Day // first day to fold
	History  *timeline.History
	Frontier int64 // unix ms
}

const (
	dueHours  = 24             // looked ahead where nothing is asked
	paceDays  = 28             // days the usual pace is taken from
	atOnce    = 4              // presses folded at a time
	farFuture = int64(1) << 50 // unix ms, beyond all that is stored
	hourMS    = timeline.Hour
)

// orderRule says in words what duty.Ahead.Due does.
const orderRule = "Overdue first: safety tasks, then tasks that need isolation, then tasks with other hazards, then the rest; in each the most intervals missed, then the longest overdue. After them what is to come, by the instant it is due, in working order."

// ListDueDuties lists what is overdue and due next on each press, cautions
// first.
func (d *dutyService) ListDueDuties(ctx context.Context, req *pb.ListDueDutiesRequest) (*pb.ListDueDutiesResponse, error) {
	f, err := d.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	hours := hoursAhead(req.GetHours())
	asOf, err := d.s.asOf(ctx, f)
	if err != nil {
		return nil, err
	}
	lists, err := d.s.dueLists(ctx, f, f.scope, hours)
	if err != nil {
		return nil, err
	}
	return dueAnswer(f, lists, hours, asOf), nil
}

func hoursAhead(asked int32) int32 {
	if asked == 0 {
		return dueHours
	}
	return asked
}

// dueAnswer puts the lists of the presses in scope together.
func dueAnswer(f *fleet, lists map[string]*pb.PressDueDuties, hours int32, asOf *pb.AsOf) *pb.ListDueDutiesResponse {
	out := &pb.ListDueDutiesResponse{AsOf: asOf, OrderRule: orderRule, Hours: hours}
	var hazards []uint8
	isolate := false
	for _, id := range f.scope {
		p := lists[id]
		out.Presses = append(out.Presses, p)
		for _, l := range [][]*pb.DueDuty{p.GetDuties(), p.GetAtJobChange()} {
			for _, x := range l {
				isolate = isolate || x.GetIsolate()
				for _, h := range x.GetHazards() {
					hazards = append(hazards, uint8(h))
				}
			}
		}
	}
	out.Cautions = cautions(hazards, isolate)
	return out
}

// dueLists looks ahead of the given presses.
func (s *Server) dueLists(ctx context.Context, f *fleet, presses []string, hours int32) (map[string]*pb.PressDueDuties, error) {
	dirty, err := s.deps.Reader.DirtyFrom(ctx)
	if err != nil {
		return nil, err
	}
	lists := make([]*pb.PressDueDuties, len(presses))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	for i, id := range presses {
		g.Go(func() error {
			from, waiting := dirty[id]
			if !waiting {
				from = farFuture
			}
			var err error
			lists[i], err = s.dueOf(ctx, f, id, hours, from)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	out := make(map[string]*pb.PressDueDuties, len(presses))
	for i, id := range presses {
		out[id] = lists[i]
	}
	return out, nil
}

// dueOf looks ahead of one press.
func (s *Server) dueOf(ctx context.Context, f *fleet, id string, hours int32, from int64) (*pb.PressDueDuties, error) {
	p := f.presses[id]
	words := pressOf(f.plants[p.Plant], p.Name)
	out := &pb.PressDueDuties{Press: id, Name: words.GetName(), Zone: p.Zone.String()}
	recent, err := s.deps.Reader.RecentPress(ctx, p, from)
	if err != nil {
		return nil, err
	}
	if recent == nil {
		out.Cautions = cautions(nil, false)
		out.Notes = []string{"Nothing is stored of this press yet: what is due cannot be said."}
		return out, nil
	}
	pace, err := s.pace(ctx, p, recent.Frontier)
	if err != nil {
		return nil, err
	}
	a := &duty.Ahead{Press: p, State: recent.State, First: recent.First, History: recent.History, Frontier: recent.Frontier,
		Pace: pace, Until: recent.Frontier + int64(hours)*hourMS}
	due, atJob := a.Due()
	day := p.Calendar.DayAt(recent.Frontier)
	tasks := registry.TasksOn(f.plants[p.Plant], p.Name, day)
	out.Frontier = stamp(recent.Frontier)
	out.Duties, out.AtJobChange = dueDuties(p, words, tasks, due, recent.Frontier), dueDuties(p, words, tasks, atJob, recent.Frontier)
	var hazards []uint8
	isolate, expected := false, false
	for _, l := range [][]duty.Item{due, atJob} {
		for i := range l {
			hazards = append(hazards, l[i].Task.Hazards...)
			isolate = isolate || l[i].Task.Isolate
			expected = expected || l[i].Expected
		}
	}
	out.Cautions = cautions(hazards, isolate)
	out.Notes = paceNotes(pace, expected)
	return out, nil
}

// pace is how the press ran in the weeks before its frontier.
func (s *Server) pace(ctx context.Context, p *timeline.Press, frontier int64) (duty.Pace, error) {
	day := p.Calendar.DayAt(frontier)
	days, err := s.deps.Reader.PressDays(ctx, []string{p.ID()}, day-paceDays, day)
	return duty.PaceOf(days), err
}

func paceNotes(pace duty.Pace, expected bool) []string {
	if pace.RunShare == 0 {
		return []string{"The press's usual pace is not known: when clocks of run hours and kilometers come due cannot be foreseen."}
	}
	if !expected {
		return nil
	}
	return []string{fmt.Sprintf("Expected instants come from the calendar and the press's pace of the last %d days: %.0f %% of planned time in production, %.1f m/min.",
		paceDays, 100*pace.RunShare, 60*pace.MMPerMS)}
}

func pressOf(p *pb.Plant, slug string) *pb.Press {
	for _, x := range p.GetPresses() {
		if x.GetPress() == slug {
			return x
		}
	}
	return nil
}

// dueDuties words what is due.
func dueDuties(p *timeline.Press, words *pb.Press, tasks []*pb.Task, items []duty.Item, frontier int64) []*pb.DueDuty {
	var out []*pb.DueDuty
	for i := range items {
		it := &items[i]
		x := &pb.DueDuty{Task: it.Task.Slug, Station: it.Task.Station, Cadence: pb.Cadence(it.Row.Cadence), Expected: it.Expected, OverdueMs: it.Overdue,
			StandardMinutes: float64(it.Task.Standard) / float64(timeline.Minute), Isolate: it.Task.Isolate, Safety: it.Task.Safety, Order: int32(it.Order),
			Clock: clockWords(&it.Task, it.Clock, frontier), GraceMs: duty.Grace(p, &it.Task), MissedInRow: int32(it.Clock.Missed),
			AlsoDischarges: it.Task.AlsoDischarges, Risk: int32(it.Risk)}
		if it.Row.Due == 0 {
			x.Cadence = pb.Cadence_CADENCE_JOB_CHANGE
		} else {
			x.DueAt, x.OpensAt, x.Day = stamp(it.Row.Due), stamp(it.Row.Opens), it.Row.Day.String()
		}
		if it.Clock.LastAt != 0 {
			x.LastDoneAt = stamp(it.Clock.LastAt)
		}
		for _, h := range it.Task.Hazards {
			x.Hazards = append(x.Hazards, pb.Hazard(h))
		}
		for _, t := range tasks {
			if t.GetSlug() == it.Task.Slug {
				x.Text, x.Outcomes = t.GetText(), t.GetOutcomes()
			}
		}
		for _, st := range words.GetStations() {
			if st.GetSlug() == it.Task.Station {
				x.StationName = st.GetName()
			}
		}
		out = append(out, x)
	}
	return out
}

// clockWords says what of the clocks of a task is used up: run hours,
// kilometers and days since the last sign-off.
func clockWords(t *timeline.Task, c duty.Clock, frontier int64) string {
	var parts []string
	say := func(used, of float64, unit string) {
		text := fmt.Sprintf("%s of %s %s", short(used), short(of), unit)
		if c.AtLeast && unit != "days" {
			text = "at least " + text
		}
		parts = append(parts, text)
	}
	for _, tr := range t.Triggers {
		switch tr.Cadence {
		case timeline.CadenceRunHours:
			say(float64(c.RunMS)/float64(timeline.Hour), tr.Every, "run h")
		case timeline.CadenceRunKm:
			say(float64(c.WebMM)/1e6, tr.Every, "km")
		case timeline.CadenceDays:
			if c.LastAt != 0 {
				say(float64(frontier-c.LastAt)/float64(24*timeline.Hour), tr.Every, "days")
			}
		case timeline.CadenceWeekly:
			if c.LastAt != 0 && tr.AnchorDay == 0 {
				say(float64(frontier-c.LastAt)/float64(24*timeline.Hour), 7, "days")
			}
		}
	}
	return strings.Join(parts, ", ")
}

// short writes a number with one digit after the point at most.
func short(v float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
}

const (
	watchedInserts = 200                  // more since the last look: all presses are looked at again
	watchQuiet     = time.Minute          // small changes are sent no more often
	watchMoves     = 10 * timeline.Minute // an expected instant that moved by this much is news
)

// WatchDueDuties sends the list, and again when it changes: at once where a
// task comes, goes, becomes overdue, or an instant moves; what only counts on
// is sent once a minute at most.
func (d *dutyService) WatchDueDuties(req *pb.WatchDueDutiesRequest, out pb.DutyService_WatchDueDutiesServer) error {
	ctx := out.Context()
	hours := hoursAhead(req.GetHours())
	wake, stop := d.s.notices()
	defer stop()
	w := dueWatch{s: d.s, scope: req.GetScope(), hours: hours, lists: map[string]*pb.PressDueDuties{}}
	for {
		began := time.Now()
		list, err := w.look(ctx)
		if err != nil {
			return err
		}
		rest := watchRest(time.Since(began))
		if list != nil {
			if err := out.Send(&pb.WatchDueDutiesResponse{Due: list}); err != nil {
				return err
			}
		}
		if err := d.s.wait(ctx, nil, rest); err != nil {
			return err
		}
		if err := d.s.wait(ctx, wake, watchTick); err != nil {
			return err
		}
	}
}

// watchRest is how long a watch rests after a look that took so long: on a
// busy line something is stored of every press all the time, and a watch must
// not take more than a fifth of it for itself.
func watchRest(took time.Duration) time.Duration { return min(4*took, watchQuiet/2) }

// dueWatch keeps the lists of one stream.
type dueWatch struct {
	s     *Server
	scope *pb.Scope
	hours int32

	started bool
	pos     uint64
	rev     uint64
	lists   map[string]*pb.PressDueDuties
	sent    *pb.ListDueDutiesResponse
	news    string
	sentAt  time.Time
}

// look brings the lists up to date and returns them if they are to be sent.
func (w *dueWatch) look(ctx context.Context) (*pb.ListDueDutiesResponse, error) {
	f, err := w.s.inScope(ctx, w.scope)
	if err != nil {
		return nil, err
	}
	top, err := w.s.deps.Reader.MaxPos(ctx)
	if err != nil {
		return nil, err
	}
	stale := f.scope
	if w.started && f.rev == w.rev {
		if stale, err = w.touched(ctx, f, top); err != nil {
			return nil, err
		}
	}
	if len(stale) > 0 || !w.started {
		lists, err := w.s.dueLists(ctx, f, stale, w.hours)
		if err != nil {
			return nil, err
		}
		for id, l := range lists {
			w.lists[id] = l
		}
	}
	w.started, w.pos, w.rev = true, top, f.rev
	asOf, err := w.s.asOf(ctx, f)
	if err != nil {
		return nil, err
	}
	list := dueAnswer(f, w.lists, w.hours, asOf)
	news, now := newsOf(list), w.s.now()
	switch {
	case w.sent == nil, news != w.news:
	case now.Sub(w.sentAt) < watchQuiet, proto.Equal(&pb.ListDueDutiesResponse{Presses: list.Presses}, &pb.ListDueDutiesResponse{Presses: w.sent.Presses}):
		return nil, nil
	}
	w.sent, w.news, w.sentAt = list, news, now
	return list, nil
}

// touched are the presses in scope of which something was stored since the last
// look.
func (w *dueWatch) touched(ctx context.Context, f *fleet, top uint64) ([]string, error) {
	if top > w.pos+watchedInserts {
		return f.scope, nil
	}
	seen := map[string]bool{}
	for at := w.pos; at < top; {
		evs, next, err := w.s.deps.Reader.EventsAfter(ctx, at, top, watchBatch)
		if err != nil {
			return nil, err
		}
		for _, e := range evs {
			seen[e.GetEvent().GetPlant()+"/"+e.GetEvent().GetPress()] = true
		}
		if next <= at {
			return f.scope, nil
		}
		at = next
	}
	var out []string
	for _, id := range f.scope {
		if seen[id] {
			out = append(out, id)
		}
	}
	return out, nil
}

// newsOf is what a person would want to be told at once: which tasks are due
// and when, which of them are overdue.
func newsOf(list *pb.ListDueDutiesResponse) string {
	var b strings.Builder
	for _, p := range list.GetPresses() {
		for _, x := range p.GetDuties() {
			at := x.GetDueAt().AsTime().UnixMilli()
			if x.GetExpected() {
				at = (at + watchMoves/2) / watchMoves * watchMoves
			}
			fmt.Fprintf(&b, "%s %s %d %d %t %d %d\n", p.GetPress(), x.GetTask(), x.GetCadence(), at, x.GetOverdueMs() > 0, x.GetMissedInRow(), x.GetLastDoneAt().AsTime().UnixMilli())
		}
		fmt.Fprintf(&b, "%s %d\n", p.GetPress(), len(p.GetAtJobChange()))
	}
	return b.String()
}
