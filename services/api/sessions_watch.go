package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// liveCaution stands with every live view of one session.
const liveCaution = "This shows the work of a few people as it goes on. It is for the plant's own engineer, to help with what is needed, and no measure of anyone. An expected end is no target: the press is handed back when it is safe."

const (
	liveBack   = 2  // days before the newest production day in which a session in progress may have begun
	expectBack = 56 // days of visits behind expected times
)

// WatchSessions sends the sessions in progress whenever they change, the first
// message at once. It reads the projections, woken by notices of what is stored
// and each second without them.
func (c *cleaningService) WatchSessions(req *pb.WatchSessionsRequest, out pb.CleaningService_WatchSessionsServer) error {
	ctx := out.Context()
	wake, stop := c.s.notices()
	defer stop()
	w := &liveSessions{c: c, times: map[timesKey]taskTimes{}}
	var last *pb.WatchSessionsResponse
	for {
		f, err := c.s.inScope(ctx, req.GetScope())
		if err != nil {
			return err
		}
		now, err := w.look(ctx, f)
		if err != nil {
			return err
		}
		if ended := endedSince(last, now); len(ended) > 0 || last == nil || !sameSessions(last, now) {
			last = proto.CloneOf(now) // without what has ended: that is told once
			now.Sessions = append(now.Sessions, ended...)
			sortSessions(now.Sessions)
			if err := out.Send(now); err != nil {
				return err
			}
		}
		if err := c.s.wait(ctx, wake, watchTick); err != nil {
			return err
		}
	}
}

func sortSessions(list []*pb.OpenSession) {
	slices.SortFunc(list, func(a, b *pb.OpenSession) int {
		return cmp.Or(cmp.Compare(a.Press, b.Press), a.From.AsTime().Compare(b.From.AsTime()), cmp.Compare(a.Session, b.Session))
	})
}

// sameSessions says whether two messages show the same, whatever was stored in
// between.
func sameSessions(a, b *pb.WatchSessionsResponse) bool {
	return slices.EqualFunc(a.Sessions, b.Sessions, func(x, y *pb.OpenSession) bool {
		x, y = proto.CloneOf(x), proto.CloneOf(y)
		x.Known, y.Known = nil, nil // passes while nothing changes
		return proto.Equal(x, y)
	}) && slices.Equal(a.Cautions, b.Cautions)
}

// endedSince lists the sessions of the last message that are in progress no
// more.
func endedSince(last, now *pb.WatchSessionsResponse) []*pb.OpenSession {
	var out []*pb.OpenSession
	for _, x := range last.GetSessions() {
		if !slices.ContainsFunc(now.Sessions, func(y *pb.OpenSession) bool {
			return y.Press == x.Press && y.Session == x.Session && y.From.AsTime().Equal(x.From.AsTime())
		}) {
			e := proto.CloneOf(x)
			e.Ended, e.Left, e.ExpectedEnd, e.Method = true, nil, nil, ""
			out = append(out, e)
		}
	}
	return out
}

// liveSessions looks for sessions in progress; it keeps the expected times of
// tasks for a day.
type liveSessions struct {
	c     *cleaningService
	times map[timesKey]taskTimes
}

type timesKey struct {
	press string
	day   timeline.Day
	rev   uint64
}

// taskTimes are expected times of one press.
type taskTimes struct {
	own     map[string]int64 // by task: ms, of tasks with enough visits
	closing int64
	closes  int // sessions behind closing
}

// look gives the sessions in progress. A session is in progress when nothing
// has ended it: its close, a run, or the rule, as far as the plant's newest
// event tells the time.
func (w *liveSessions) look(ctx context.Context, f *fleet) (*pb.WatchSessionsResponse, error) {
	s := w.c.s
	resp := &pb.WatchSessionsResponse{}
	var err error
	if resp.AsOf, err = s.asOf(ctx, f); err != nil {
		return nil, err
	}
	frontiers, err := s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return nil, err
	}
	known := map[string]int64{} // by plant
	for id, t := range frontiers {
		plant, _ := splitPress(id)
		known[plant] = max(known[plant], t)
	}
	// Plants may be in zones of their own: days differ by one at most.
	var first, last timeline.Day
	for _, id := range f.scope {
		p := f.presses[id]
		if t, ok := known[p.Plant]; ok {
			d := p.Calendar.DayAt(t)
			if last == 0 || d-liveBack < first {
				first = d - liveBack
			}
			last = max(last, d+1)
		}
	}
	hazards, isolate := map[uint8]bool{}, false
	if last != 0 {
		rows, err := w.c.visits(ctx, f.narrow(), first, last)
		if err != nil {
			return nil, err
		}
		for _, x := range openSessions(rows, func(press string) int64 { plant, _ := splitPress(press); return known[plant] }) {
			o, tasks, err := w.open(ctx, f, x, known[x[0].Plant])
			if err != nil {
				return nil, err
			}
			resp.Sessions = append(resp.Sessions, o)
			for _, t := range tasks {
				isolate = isolate || t.Isolate
				for _, h := range t.Hazards {
					hazards[h] = true
				}
			}
		}
	}
	sortSessions(resp.Sessions)
	var list []uint8
	for h := range hazards {
		list = append(list, h)
	}
	all := cautions(list, isolate)
	resp.Cautions = append([]string{all[0], liveCaution}, all[1:]...)
	return resp, nil
}

// openSessions are the sessions in progress: each as its head and visits, from
// rows in order of their key.
func openSessions(rows []timeline.StationVisit, known func(press string) int64) [][]timeline.StationVisit {
	var out [][]timeline.StationVisit
	in := false
	for i := range rows {
		r := &rows[i]
		if r.Seq < 0 {
			in = r.Checks&timeline.CheckStated == 0 && r.ClosedByRule && r.SessionTo > known(r.Plant+"/"+r.Press)
			if in {
				out = append(out, nil)
			}
		}
		if in {
			out[len(out)-1] = append(out[len(out)-1], *r)
		}
	}
	return out
}

// open describes one session in progress, and the tasks of its plan that are
// left.
func (w *liveSessions) open(ctx context.Context, f *fleet, rows []timeline.StationVisit, known int64) (*pb.OpenSession, []timeline.Task, error) {
	head := &rows[0]
	id := head.Plant + "/" + head.Press
	p := f.presses[id]
	o := &pb.OpenSession{Press: id, Session: head.Session, Occasion: pb.Occasion(head.Occasion), From: stamp(head.SessionFrom), Zone: f.zoneOf(id), Known: stamp(known)}
	crews, last := map[string]bool{}, head.SessionFrom
	for i := range rows[1:] {
		v := &rows[i+1]
		o.Done = append(o.Done, visitOf(v))
		crews[v.Crew] = true
		last = max(last, v.To)
	}
	o.Chains = int32(max(1, len(crews)))
	tasks, err := w.left(ctx, p, head, known)
	if err != nil {
		return nil, nil, err
	}
	times, err := w.expected(ctx, f, p, head.Day)
	if err != nil {
		return nil, nil, err
	}
	var left []int64
	visits := 0
	for _, t := range tasks {
		x := &pb.OpenTask{Task: t.Slug, Station: t.Station, ExpectedMs: t.Standard}
		if ms, ok := times.own[t.Slug]; ok {
			x.ExpectedMs, x.FromVisits = ms, true
			visits++
		}
		o.Left = append(o.Left, x)
		left = append(left, x.ExpectedMs)
	}
	o.ExpectedClosingMs = times.closing
	o.ExpectedEnd = stamp(cleaning.ExpectedEnd(last, known, left, int(o.Chains), times.closing))
	o.Method = fmt.Sprintf("from the last sign-off: %d left, %d by the median of the press's last %d days (at least %d visits), %d by standard; shared by %d at work; then the median time to close (%d sessions)",
		len(left), visits, expectBack, cleaning.Small, len(left)-visits, o.Chains, times.closes)
	return o, tasks, nil
}

// left are the tasks that are due on the press and not signed off, in working
// order. Tasks of the other end of the day are not this session's.
func (w *liveSessions) left(ctx context.Context, p *timeline.Press, head *timeline.StationVisit, known int64) ([]timeline.Task, error) {
	rows, err := w.c.s.deps.Reader.Duties(ctx, []string{p.ID()}, head.Day-liveBack, head.Day+1)
	if err != nil {
		return nil, err
	}
	due := map[string]bool{}
	for i := range rows {
		r := &rows[i]
		if duty.Outcome(r.Outcome) != duty.Open || r.Opens > known || r.Closes != 0 && r.Closes <= known ||
			head.Occasion == timeline.OccasionStartup && r.Cadence == timeline.CadenceShutdown ||
			head.Occasion == timeline.OccasionShutdown && r.Cadence == timeline.CadenceStartup {
			continue
		}
		due[r.Task] = true
	}
	var out []timeline.Task
	for _, t := range p.TasksOn(head.Day) {
		if due[t.Slug] {
			out = append(out, t)
		}
	}
	return out, nil
}

// expected reads the visits of the press's last weeks, once a day.
func (w *liveSessions) expected(ctx context.Context, f *fleet, p *timeline.Press, day timeline.Day) (taskTimes, error) {
	k := timesKey{p.ID(), day, f.rev}
	if t, ok := w.times[k]; ok {
		return t, nil
	}
	rows, err := w.c.visits(ctx, []string{p.ID()}, day-expectBack, day-1)
	if err != nil {
		return taskTimes{}, err
	}
	by := map[string][]cleaning.Visit{}
	var closings []cleaning.Visit
	for i := range rows {
		r := &rows[i]
		if r.Seq >= 0 {
			by[r.Task] = append(by[r.Task], f.visit(r))
		} else if r.Checks&timeline.CheckStated != 0 {
			closings = append(closings, cleaning.Visit{Own: r.Closing})
		}
	}
	t := taskTimes{own: map[string]int64{}}
	for task, list := range by {
		if ms, ok := cleaning.Expected(list); ok {
			t.own[task] = ms
		}
	}
	if ms, ok := cleaning.Expected(closings); ok {
		t.closing, t.closes = ms, len(closings)
	}
	for old := range w.times {
		if old.press == k.press {
			delete(w.times, old)
		}
	}
	w.times[k] = t
	return t, nil
}
