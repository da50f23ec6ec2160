package api

import (
	"context"
	"slices"
	"sync"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/ops"
)

// watchEvery is how old the figures of pressWatch may be before the next reading of the metrics makes them anew.
const watchEvery = time.Minute

// coverageDays is over how many production days, the one of the newest data included, coverage is told.
const coverageDays = 7

// pressWatch is what a plant would be called about: overdue cleans, presses that went silent, time nobody knows of. It
// is worked out beside the calls, only while somebody reads the metrics, and at most once a minute; a reading gives the
// figures of the one before, with their age.
type pressWatch struct {
	asked chan struct{}

	mu   sync.Mutex
	made time.Time
	by   map[string]pressFigures
}

type pressFigures struct {
	told                  bool // anything is stored of it
	overdue, safety       int
	oldest                float64 // of what is overdue, seconds
	silent, silentPlanned float64 // seconds
	known                 float64 // share
	planned               bool    // there was planned time to know of
}

func newPressWatch() *pressWatch { return &pressWatch{asked: make(chan struct{}, 1)} }

// register adds the figures. Each reading asks for the next ones.
func (w *pressWatch) register(m *ops.Metrics) {
	each := func(name, help string, value func(f pressFigures) (float64, bool)) {
		m.GaugeEach(name, help, []string{"press"}, func(give func(float64, ...string)) {
			for press, f := range w.read() {
				if v, ok := value(f); ok {
					give(v, press)
				}
			}
		})
	}
	each("downweb_press_overdue_duties", "Cleaning duties that are overdue at the newest data of the press.", func(f pressFigures) (float64, bool) { return float64(f.overdue), f.told })
	each("downweb_press_overdue_safety_duties", "Overdue duties that the plan marks as safety tasks.", func(f pressFigures) (float64, bool) { return float64(f.safety), f.told })
	each("downweb_press_oldest_overdue_seconds", "How long the longest overdue duty has been, up to the newest data of the press; 0 where none is.", func(f pressFigures) (float64, bool) { return f.oldest, f.told })
	each("downweb_press_silent_seconds", "Time since the latest instant that anything stored of the press speaks of.", func(f pressFigures) (float64, bool) { return f.silent, f.told })
	each("downweb_press_silent_planned_seconds", "Planned busy time since the latest instant that anything stored of the press speaks of: what it should have told of.", func(f pressFigures) (float64, bool) { return f.silentPlanned, f.told })
	each("downweb_press_known_ratio", "Share of the planned time of the press's latest 7 production days that the press or a person told of.", func(f pressFigures) (float64, bool) { return f.known, f.planned })
	m.Gauge("downweb_api_press_figures_age_seconds", "Age of the figures of presses; -1 before the first.", func() float64 {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.made.IsZero() {
			return -1
		}
		return time.Since(w.made).Seconds()
	})
}

func (w *pressWatch) read() map[string]pressFigures {
	w.mu.Lock()
	defer w.mu.Unlock()
	if time.Since(w.made) >= watchEvery {
		select {
		case w.asked <- struct{}{}:
		default:
		}
	}
	return w.by
}

// watchPresses makes the figures whenever they are asked for, until ctx ends.
func (s *Server) watchPresses(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.watched.asked:
		}
		s.watched.mu.Lock()
		fresh := time.Since(s.watched.made) < watchEvery // asked for again while they were made
		s.watched.mu.Unlock()
		if fresh {
			continue
		}
		by, err := s.pressFigures(ctx)
		if err != nil {
			if ctx.Err() == nil {
				s.log.Warn("figures of presses for the metrics", "error", err) // their age tells
			}
			continue
		}
		s.watched.mu.Lock()
		s.watched.by, s.watched.made = by, time.Now()
		s.watched.mu.Unlock()
	}
}

// pressFigures works the figures out for every press that the registry names.
func (s *Server) pressFigures(ctx context.Context) (map[string]pressFigures, error) {
	f, err := s.inScope(ctx, &pb.Scope{})
	if err != nil {
		return nil, err
	}
	lists, err := s.dueLists(ctx, f, f.scope, 0)
	if err != nil {
		return nil, err
	}
	now := s.now().UnixMilli()
	out := map[string]pressFigures{}
	newest := map[timeline.Day][]string{} // presses by their latest production day
	for id, list := range lists {
		x := pressFigures{}
		if list.GetFrontier() != nil {
			frontier := list.GetFrontier().AsTime().UnixMilli()
			p := f.presses[id]
			d := p.Calendar.DayAt(frontier - 1)
			newest[d] = append(newest[d], id)
			x.told, x.silent, x.silentPlanned = true, float64(max(0, now-frontier))/1000, float64(plannedBetween(p, frontier, now))/1000
		}
		for _, d := range list.GetDuties() {
			if d.GetOverdueMs() <= 0 {
				continue
			}
			x.overdue++
			x.oldest = max(x.oldest, float64(d.GetOverdueMs())/1000)
			if d.GetSafety() {
				x.safety++
			}
		}
		out[id] = x
	}
	for d, presses := range newest { // a press that fell silent is asked about the days before it did
		slices.Sort(presses)
		losses, err := (&lossService{s: s}).GetLosses(ctx, &pb.GetLossesRequest{Scope: &pb.Scope{Presses: presses}, GroupBy: pb.LossGroup_LOSS_GROUP_PRESS,
			Period: &pb.Period{FirstDay: (d - coverageDays + 1).String(), LastDay: d.String()}})
		if err != nil {
			return nil, err
		}
		for _, t := range losses.GetGroups() {
			x := out[t.GetKey()]
			x.known, x.planned = t.GetCoverage().GetKnownShare(), t.GetCoverage().GetPlannedMs() > 0
			out[t.GetKey()] = x
		}
	}
	return out, nil
}

// silentMost bounds the days that are looked through for planned time.
const silentMost = 60

// plannedBetween is the planned busy time of a press between two instants, ms; of the last 60 days at most.
func plannedBetween(p *timeline.Press, from, to int64) (sum int64) {
	last := p.Calendar.DayAt(to)
	for d := max(p.Calendar.DayAt(from), last-silentMost); d <= last; d++ {
		for _, seg := range p.Calendar.Plan(d).Segments {
			if seg.Planned {
				sum += max(0, min(seg.To, to)-max(seg.From, from))
			}
		}
	}
	return sum
}
