package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// Records that go to the warehouse and come from it. They are aliases so that the warehouse's are the same types.
type (
	// Dirty says that a press has to be projected again from an instant on, unix ms.
	Dirty = struct {
		Plant, Press string
		From         int64
	}
	// SeqRange is a range of sequence numbers, both ends included.
	SeqRange = struct{ First, Last uint64 }
	// MarkRow says what is stored of one epoch of a press.
	MarkRow = struct {
		Plant, Press string
		Epoch        uint64
		Mark         uint64
		Above        []SeqRange
		Elsewhere    []SeqRange
	}
	// Span is a stretch of one epoch and the instants, unix ms and inclusive, between which its events lie.
	Span = struct {
		Plant, Press string
		Epoch        uint64
		First, Last  uint64
		From, To     int64
	}
	// Dead is an event or frame that could not be accepted; seq 0: a frame.
	Dead = struct {
		Plant, Press string
		Epoch, Seq   uint64
		Payload      []byte
		Subject      string
		Field        string
		Reason       string
		Clone        bool // another event is stored under its identity: two disks carry the epoch
		At           time.Time
	}
	// DeadSeqs are letters of one epoch; seq 0: frames. Hash, if not empty, is how the SHA-256 of the payload begins.
	DeadSeqs = struct {
		Plant, Press string
		Epoch        uint64
		Seqs         []uint64
		Hash         string
	}
	// Gap is a range of seqs that an agent has given up for good.
	Gap = struct {
		Plant, Press string
		Epoch        uint64
		First, Last  uint64
		Reason       string
		At           time.Time
	}
	// EpochOf names an epoch of a press.
	EpochOf = struct {
		Plant, Press string
		Epoch        uint64
	}
	// EpochLow is the lowest seq known of an epoch and when it was recorded, unix ms.
	EpochLow = struct {
		Plant, Press string
		Epoch, Seq   uint64
		Recorded     int64
	}
)

// Inserter is the warehouse as ingest needs it. An error of InsertEvents says nothing about whether the events are
// stored: StoredSeqs does.
type Inserter interface {
	WarehouseID() uint64
	LoadMarks(ctx context.Context) ([]MarkRow, error)
	EpochLows(ctx context.Context) ([]EpochLow, error)
	// Fence shuts out every writer before this one and gives the number above which this one's inserts count.
	Fence(ctx context.Context) (pos uint64, err error)
	NotePos(ctx context.Context, pos uint64) error
	InsertEvents(ctx context.Context, evs []*pb.Event, pos uint64) error
	StoredSeqs(ctx context.Context, s Span) (map[uint64]bool, error)
	// CompareStored says, by index, which events are stored as they are, and under which identities another is.
	CompareStored(ctx context.Context, evs []*pb.Event) (same, other map[int]bool, err error)
	InsertEpochs(ctx context.Context, lows []EpochLow) error
	InsertDead(ctx context.Context, dead []Dead) error
	ResolveDead(ctx context.Context, of []DeadSeqs) error
	ReconcileDead(ctx context.Context) error
	Quarantined(ctx context.Context) ([]EpochOf, error)
	InsertGaps(ctx context.Context, gaps []Gap) error
	// Undecoded are events kept raw by an older program that this one can read, at most limit; DropUndecoded removes the
	// raw ones once they are stored anew.
	Undecoded(ctx context.Context, limit int) ([]*pb.Event, error)
	DropUndecoded(ctx context.Context, evs []*pb.Event) error
	BeginDirty(ctx context.Context, marks []Dirty) (done func(), err error)
	PurgeDirty(ctx context.Context) error
	JobStart(ctx context.Context, plant, press, job string) (ms int64, ok bool, err error)
	VoidedJobStart(ctx context.Context, plant, press string, epoch, first, last uint64) (ms int64, ok bool, err error)
	InsertRegistry(ctx context.Context, r *pb.RegistryRevision) error
	LatestRegistry(ctx context.Context) ([]*pb.RegistryRevision, error)
	MaxRegistryRev(ctx context.Context) (uint64, error)
}

// Deps are what ingest works with.
type Deps struct {
	NC        *nats.Conn // of the core account
	JS        jetstream.JetStream
	Warehouse Inserter
	// DirtyFor says which presses a new document changes and from when on, unix ms. old is nil for a plant's first.
	DirtyFor func(old, new *pb.Plant) map[string]int64
	// Beside runs under the same lease, from when the marks are loaded: the projector. nil: nothing.
	Beside func(ctx context.Context) error
	Log    *slog.Logger // nil: discarded
}

// Ingest is one candidate for the work.
type Ingest struct {
	cfg     Config
	deps    Deps
	wh      Inserter
	log     *slog.Logger
	metrics Metrics

	mu       sync.Mutex
	progress map[epochKey]*progress // nil: not loaded
	pos      uint64                 // last insert number given
	since    time.Time              // when this tenure began
	heldBack map[string]int64       // frames of a newer version since then, by "plant/press"
	lost     map[Gap]bool           // ranges that agents gave up and that are not stored yet; At is zero
	lostCame chan struct{}          // lost is not empty

	retryFirst, retryMax time.Duration
}

// New makes an ingest that does nothing until Run.
func New(cfg Config, deps Deps) *Ingest {
	if deps.Log == nil {
		deps.Log = slog.New(slog.DiscardHandler)
	}
	return &Ingest{cfg: cfg, deps: deps, wh: deps.Warehouse, log: deps.Log, retryFirst: 100 * time.Millisecond, retryMax: 10 * time.Second,
		lostCame: make(chan struct{}, 1)}
}

// Run campaigns for the lease, works while it is held, and campaigns again, until ctx ends.
func (in *Ingest) Run(ctx context.Context) (err error) {
	if in.cfg, err = in.cfg.settle(); err != nil {
		return err
	}
	return eventlog.NewLease(in.deps.JS, "ingest", in.cfg.Holder, in.cfg.LeaseTTL, in.log).Run(ctx, in.work)
}

// work is one tenure of the lease.
func (in *Ingest) work(ctx context.Context) error {
	in.metrics.Active.Store(1)
	defer in.metrics.Active.Store(0)
	if err := in.load(ctx); err != nil {
		return err
	}
	defer in.unload()
	marks, err := eventlog.ServeMarks(in.deps.NC, func(plant, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		if !eventlog.Held(ctx) {
			return nil, errNotHeld // another knows better
		}
		return in.markReply(plant, press, r)
	})
	if err != nil {
		return fmt.Errorf("serve marks: %w", err)
	}
	defer marks.Unsubscribe()
	status, err := ServeStatus(in.deps.NC, in.status)
	if err != nil {
		return err
	}
	defer status.Unsubscribe()

	g, ctx := errgroup.WithContext(ctx)
	batches := make(chan *batch)
	g.Go(func() error { return in.pull(ctx, batches) })
	g.Go(func() error { return in.storeAll(ctx, batches) })
	g.Go(func() error { return in.registry(ctx) })
	g.Go(func() error { return in.keepGaps(ctx) })
	g.Go(func() error { return in.decodeAgain(ctx) })
	g.Go(func() error { return in.housekeeping(ctx) })
	if in.deps.Beside != nil {
		g.Go(func() error {
			if err := in.deps.Beside(ctx); err != nil {
				return fmt.Errorf("beside ingest: %w", err)
			}
			<-ctx.Done()
			return nil
		})
	}
	return g.Wait()
}

var errNotHeld = errors.New("the lease is not held any more")

// fencedOut says that the warehouse has refused a write because another writer has begun.
func fencedOut(err error) bool {
	var f interface{ FencedOut() bool }
	return errors.As(err, &f) && f.FencedOut()
}

// load reads from the tables how far the warehouse has got. It waits for the warehouse as long as it takes.
func (in *Ingest) load(ctx context.Context) error {
	started := time.Now()
	var rows []MarkRow
	var lows []EpochLow
	var pos uint64
	var clones []EpochOf
	// First the fence: what a writer before has under way is stored or refused when the marks are read.
	err := in.retry(ctx, "load marks", func(ctx context.Context) (err error) {
		if pos, err = in.wh.Fence(ctx); err != nil {
			return err
		}
		if rows, err = in.wh.LoadMarks(ctx); err != nil {
			return err
		}
		if lows, err = in.wh.EpochLows(ctx); err != nil {
			return err
		}
		if clones, err = in.wh.Quarantined(ctx); err != nil {
			return err
		}
		return in.wh.ReconcileDead(ctx)
	})
	if err != nil {
		return err
	}
	all := make(map[epochKey]*progress, len(rows))
	for i := range rows {
		r := &rows[i]
		all[epochKey{r.Plant, r.Press, r.Epoch}] = &progress{mark: r.Mark, above: r.Above, elsewhere: r.Elsewhere}
	}
	for _, l := range lows {
		if p := all[epochKey{l.Plant, l.Press, l.Epoch}]; p != nil {
			p.low = l.Seq
		}
	}
	for _, c := range clones {
		if p := all[epochKey{c.Plant, c.Press, c.Epoch}]; p != nil {
			p.quarantined = true
			in.log.Error("two disks carry one epoch: what comes of it is put aside until its agents have new spools", "press", c.Plant+"/"+c.Press, "epoch", fmt.Sprintf("%016x", c.Epoch))
		}
	}
	in.mu.Lock()
	in.progress, in.pos, in.since = all, pos, in.cfg.Now()
	in.heldBack, in.lost = map[string]int64{}, map[Gap]bool{}
	in.mu.Unlock()
	in.metrics.Pos.Store(pos)
	in.log.Info("marks loaded", "epochs", len(all), "pos", pos, "took", time.Since(started).Round(time.Millisecond))
	return nil
}

// purgeEvery is how often dirty marks that have been projected are deleted.
const purgeEvery = 10 * time.Minute

// housekeeping deletes what is no longer needed, at the start and then every so often.
func (in *Ingest) housekeeping(ctx context.Context) error {
	for ctx.Err() == nil {
		if err := in.wh.PurgeDirty(ctx); err != nil && ctx.Err() == nil {
			in.log.Warn("old dirty marks are not deleted", "err", err)
		}
		in.pause(ctx, purgeEvery)
	}
	return nil
}

func (in *Ingest) unload() {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.progress = nil
}

// retry calls f until it succeeds or ctx ends; each call has the timeout of a statement. It says so once when it has
// to wait and once when it is over.
func (in *Ingest) retry(ctx context.Context, what string, f func(ctx context.Context) error) error {
	wait := in.retryFirst
	for failed := 0; ; failed++ {
		call, cancel := context.WithTimeout(ctx, in.cfg.InsertTimeout)
		err := f(call)
		cancel()
		if ctx.Err() != nil {
			return fmt.Errorf("%s: %w", what, context.Cause(ctx))
		}
		if err == nil {
			if failed > 0 {
				in.log.Info("the warehouse works again", "what", what, "attempts", failed+1)
			}
			return nil
		}
		in.metrics.Retries.Add(1)
		if failed == 0 {
			in.log.Warn("waiting for the warehouse", "what", what, "err", err)
		}
		if err := in.pause(ctx, wait); err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		wait = min(2*wait, in.retryMax)
	}
}

func (in *Ingest) pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-t.C:
		return nil
	}
}
