package projector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

// RulesVersion numbers the accounting rules of this program. Another number
// than the warehouse's means a rebuild.
const RulesVersion = 4

// Dirty is a press that has to be projected again.
type Dirty struct {
	Plant, Press string
	From         int64  // earliest instant touched, unix ms
	UpTo         uint64 // handed back to ClearDirty
}

// Log reads the log of one press and the registry.
type Log interface {
	ReadSlices(ctx context.Context, plant, press string, from, to int64) ([]timeline.Slice, error)
	ReadEvents(ctx context.Context, plant, press string, from, to int64) ([]timeline.Event, error)
	Epochs(ctx context.Context, plant, press string) ([]timeline.EpochRank, error)
	// Repeats names the event that counts of every kind and source key that
	// occurs more than once on the press, whenever that was.
	Repeats(ctx context.Context, plant, press string) ([]timeline.Repeat, error)
	LatestRegistry(ctx context.Context) ([]*pb.RegistryRevision, error)
}

// Store keeps dirty marks and projections.
type Store interface {
	TakeDirty(ctx context.Context) ([]Dirty, error)
	ClearDirty(ctx context.Context, plant, press string, upTo uint64) error
	LastDay(ctx context.Context, plant, press string) (timeline.Day, bool, error)
	ReadPressDay(ctx context.Context, plant, press string, day timeline.Day) (timeline.PressDay, bool, error)
	ReadProjections(ctx context.Context, plant, press string, from timeline.Day) (timeline.Projections, uint64, error)
	WriteProjections(ctx context.Context, changed, gone timeline.Projections, ver uint64) error
}

// Config of a projector.
type Config struct {
	Tick    time.Duration // between looks for dirty presses; default 1 s
	Workers int           // presses at once; default 2
	Log     *slog.Logger
}

// Projector folds dirty presses until its context ends.
type Projector struct {
	cfg   Config
	log   Log
	store Store
	wake  chan struct{}

	unnamed map[string]time.Time // presses the registry does not name: when looked at last

	presses atomic.Int64 // presses folded
	days    atomic.Int64 // press-days folded
	written atomic.Int64 // rows written
	failed  atomic.Int64 // presses that could not be folded, and looks that failed
}

// Counters of what a projector has done since it was made.
type Counters struct{ Presses, Days, Rows int64 }

// Counters returns what the projector has done.
func (p *Projector) Counters() Counters {
	return Counters{p.presses.Load(), p.days.Load(), p.written.Load()}
}

// New makes a projector; it does nothing until Run.
func New(cfg Config, log Log, store Store) *Projector {
	if cfg.Tick <= 0 {
		cfg.Tick = time.Second
	}
	if cfg.Workers <= 0 {
		cfg.Workers = 2
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return &Projector{cfg: cfg, log: log, store: store, wake: make(chan struct{}, 1), unnamed: map[string]time.Time{}}
}

// Wake asks for a look before the next tick.
func (p *Projector) Wake() {
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// Run folds dirty presses until ctx ends. A failure is logged and tried again
// at the next tick: the marks stay until the rows are written. After a long look
// it rests as long as the look took, so that folding again and again what is
// still arriving leaves half a core to those who store it.
func (p *Projector) Run(ctx context.Context) error {
	failed := false
	for {
		began := time.Now()
		if _, err := p.Once(ctx); err != nil && ctx.Err() == nil {
			p.failed.Add(1)
			if !failed {
				p.cfg.Log.Warn("projecting failed, trying again", "error", err)
			}
			failed = true
		} else if failed && err == nil {
			failed = false
			p.cfg.Log.Info("projecting again")
		}
		rest := time.NewTimer(max(p.cfg.Tick, min(time.Since(began), maxRest)))
		select {
		case <-ctx.Done():
			rest.Stop()
			return nil
		case <-rest.C:
		case <-p.wake:
			rest.Stop()
		}
	}
}

// maxRest bounds how long changes wait for the next look.
const maxRest = 5 * time.Second

// Once folds every press that is dirty now and returns how many it folded. A
// press that the registry does not name has no rows; naming it marks it dirty
// since ever. One press's failure does not stop the others. It is not for two
// goroutines at once.
func (p *Projector) Once(ctx context.Context) (int, error) {
	dirty, err := p.store.TakeDirty(ctx)
	if err != nil || len(dirty) == 0 {
		return 0, err
	}
	presses, err := Presses(ctx, p.log)
	if err != nil {
		return 0, err
	}
	var g errgroup.Group
	g.SetLimit(p.cfg.Workers)
	var mu sync.Mutex
	var errs []error
	n := 0
	for _, d := range dirty {
		if ctx.Err() != nil {
			break
		}
		press := presses[d.Plant+"/"+d.Press]
		if press != nil {
			n++
		} else if d.Press != timeline.PlantPress && !p.lookAtUnnamed(d.Plant+"/"+d.Press) {
			continue
		}
		g.Go(func() error {
			if err := p.press(ctx, press, d); err != nil {
				mu.Lock()
				errs = append(errs, fmt.Errorf("project %s/%s: %w", d.Plant, d.Press, err))
				mu.Unlock()
			}
			return nil
		})
	}
	g.Wait()
	return n, errors.Join(errs...)
}

// unnamedEvery is how often a press that the registry does not name is looked
// at: it has no rows to keep up with.
const unnamedEvery = time.Minute

// lookAtUnnamed says whether it is time to look at an unnamed press again.
func (p *Projector) lookAtUnnamed(id string) bool {
	if t, ok := p.unnamed[id]; ok && time.Since(t) < unnamedEvery {
		return false
	}
	p.unnamed[id] = time.Now()
	return true
}

// Presses resolves every press of the latest registry, by "plant/press".
func Presses(ctx context.Context, log Log) (map[string]*timeline.Press, error) {
	revs, err := log.LatestRegistry(ctx)
	if err != nil {
		return nil, err
	}
	return Resolve(revs)
}

// Resolve resolves registry revisions, one per plant.
func Resolve(revs []*pb.RegistryRevision) (map[string]*timeline.Press, error) {
	out := map[string]*timeline.Press{}
	for _, r := range revs {
		list, err := registry.Resolve(r.Plant)
		if err != nil {
			return nil, fmt.Errorf("registry revision %d: %w", r.Rev, err)
		}
		for _, p := range list {
			out[p.ID()] = p
		}
	}
	return out, nil
}

// press folds one press from its first dirty day on and stores what changed;
// press is nil where the registry does not name it.
func (p *Projector) press(ctx context.Context, press *timeline.Press, d Dirty) error {
	var f *Fold
	var err error
	if press != nil {
		if f, err = Load(ctx, p.log, p.store, press, d.From); err != nil {
			return err
		}
	}
	var rows timeline.Projections
	if f != nil {
		if rows, err = f.Run(); err != nil {
			return err
		}
		p.days.Add(int64(len(rows.Days)))
	}
	from := timeline.NoDay
	if f != nil {
		from = f.WriteAt
	}
	old, ver, err := p.store.ReadProjections(ctx, d.Plant, d.Press, from)
	if err != nil {
		return err
	}
	changed, gone := diff(old, rows)
	n := count(changed) + count(gone)
	if n > 0 {
		if err := p.store.WriteProjections(ctx, changed, gone, ver+1); err != nil {
			return err
		}
	}
	p.presses.Add(1)
	p.written.Add(int64(n))
	return p.store.ClearDirty(ctx, d.Plant, d.Press, d.UpTo)
}

func count(r timeline.Projections) int {
	return len(r.Days) + len(r.Facts) + len(r.Visits) + len(r.Duties)
}

// Rows reads what a fold starts from.
type Rows interface {
	LastDay(ctx context.Context, plant, press string) (timeline.Day, bool, error)
	ReadPressDay(ctx context.Context, plant, press string, day timeline.Day) (timeline.PressDay, bool, error)
}

// Load reads what folding a press from an instant on needs. It returns nil when
// the log holds nothing of the press. With rows nil, or where no earlier row
// exists, the fold starts at the press's first event.
func Load(ctx context.Context, log Log, rows Rows, press *timeline.Press, from int64) (*Fold, error) {
	return load(ctx, log, rows, press, from, forEver, 0)
}

// load is Load without what lies at or after until; the frontier is then the
// one given.
func load(ctx context.Context, log Log, rows Rows, press *timeline.Press, from, until, frontier int64) (*Fold, error) {
	epochs, err := log.Epochs(ctx, press.Plant, press.Name)
	if err != nil {
		return nil, err
	}
	repeats, err := log.Repeats(ctx, press.Plant, press.Name)
	if err != nil {
		return nil, err
	}
	f := &Fold{Press: press, WriteAt: timeline.NoDay}
	start := sinceEver
	if rows != nil && from > unboundedFrom {
		ok, err := f.resume(ctx, rows, from)
		if err != nil {
			return nil, err
		}
		if ok {
			start = press.Calendar.Plan(f.First).Span().From - around
		}
	}
	for {
		sl, err := log.ReadSlices(ctx, press.Plant, press.Name, start, until)
		if err != nil {
			return nil, err
		}
		evs, err := log.ReadEvents(ctx, press.Plant, press.Name, start, until)
		if err != nil {
			return nil, err
		}
		evs = timeline.DropRepeats(evs, repeats)
		f.History = timeline.Build(sl, evs, epochs)
		first, ok := f.History.First()
		if f.Frontier = frontier; until == forEver {
			f.Frontier, _ = f.History.Frontier()
		}
		switch {
		case ok && start == sinceEver: // from the beginning
			f.State = State{}
			f.First = press.Calendar.DayAt(first)
			f.WriteAt = timeline.NoDay
			return f, nil
		case ok && f.Frontier >= press.Calendar.Plan(f.First).Span().From:
			return f, nil
		case start == sinceEver:
			return nil, nil
		}
		// Nothing is left after the start (all was taken back): begin anew.
		start = sinceEver
	}
}

// Bounds beyond every instant that can be stored, far from overflow.
const (
	sinceEver = int64(-1) << 55
	forEver   = int64(1) << 55
)

// unboundedFrom and below mean "since ever".
const unboundedFrom = -1 << 50

// resume finds the day to fold from and the state before it. ok is false when
// the fold has to begin at the press's first event.
func (f *Fold) resume(ctx context.Context, rows Rows, from int64) (ok bool, err error) {
	p := f.Press
	last, ok, err := rows.LastDay(ctx, p.Plant, p.Name)
	if err != nil || !ok {
		return false, err
	}
	// The day of the old frontier was cut short there, and what looked past it
	// saw less than it will now.
	changed := min(from, p.Calendar.Plan(last).Span().From)
	f.WriteAt = p.Calendar.DayAt(changed - around)
	f.First = p.Calendar.DayAt(p.Calendar.Plan(f.WriteAt).Span().From - around)
	before, ok, err := rows.ReadPressDay(ctx, p.Plant, p.Name, f.First-1)
	if err != nil || !ok {
		return false, err
	}
	if f.State, err = ParseState([]byte(before.Carry)); err != nil {
		return false, fmt.Errorf("carry of %s: %w", before.Day, err)
	}
	return true, nil
}

// diff compares stored rows with computed ones: rows that are new or different,
// and stored rows whose key vanished.
func diff(old, now timeline.Projections) (changed, gone timeline.Projections) {
	changed.Days, gone.Days = diffRows(old.Days, now.Days, func(r *timeline.PressDay) any { return r.Day })
	type factKey struct {
		day                  timeline.Day
		shift                string
		planned              bool
		leaf, sub            uint8
		state                timeline.State
		reason, station, job string
		rated                int64
		minor                bool
	}
	changed.Facts, gone.Facts = diffRows(old.Facts, now.Facts, func(r *timeline.ShiftFact) any {
		return factKey{r.Day, r.Shift, r.Planned, r.Leaf, r.Sub, r.State, r.Reason, r.Station, r.Job, r.Rated, r.Minor}
	})
	type visitKey struct {
		day     timeline.Day
		from    int64
		session string
		seq     int32
	}
	changed.Visits, gone.Visits = diffRows(old.Visits, now.Visits, func(r *timeline.StationVisit) any {
		return visitKey{r.Day, r.SessionFrom, r.Session, r.Seq}
	})
	type dutyKey struct {
		day     timeline.Day
		task    string
		due     int64
		cadence timeline.Cadence
	}
	changed.Duties, gone.Duties = diffRows(old.Duties, now.Duties, func(r *timeline.DutyRow) any {
		return dutyKey{r.Day, r.Task, r.Due, r.Cadence}
	})
	return changed, gone
}

func diffRows[T any](old, now []T, key func(*T) any) (changed, gone []T) {
	stored := make(map[any]*T, len(old))
	for i := range old {
		stored[key(&old[i])] = &old[i]
	}
	for i := range now {
		k := key(&now[i])
		if o, ok := stored[k]; ok {
			delete(stored, k)
			if reflect.DeepEqual(*o, now[i]) {
				continue
			}
		}
		changed = append(changed, now[i])
	}
	for i := range old {
		if _, ok := stored[key(&old[i])]; ok {
			gone = append(gone, old[i])
		}
	}
	return changed, gone
}
