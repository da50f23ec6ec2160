package ingest

import (
	"context"
	"errors"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/warehouse"
)

var errInjected = errors.New("injected: connection reset")

// faulty is the real warehouse behind a connection that fails as the test says.
type faulty struct {
	*warehouse.DB
	mu     sync.Mutex
	insert func() string // before one InsertEvents: "", "before", "after", "hang", "late"
	down   bool          // nothing gets through
	events int           // handed to InsertEvents
}

func (f *faulty) isDown() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.down {
		return errInjected
	}
	return nil
}

func (f *faulty) setDown(down bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.down = down
}

func (f *faulty) InsertEvents(ctx context.Context, evs []*pb.Event, pos uint64) error {
	if err := f.isDown(); err != nil {
		return err
	}
	how := ""
	f.mu.Lock()
	f.events += len(evs)
	if f.insert != nil {
		how = f.insert()
	}
	f.mu.Unlock()
	switch how {
	case "before":
		return errInjected
	case "after":
		f.DB.InsertEvents(ctx, evs, pos)
		return errInjected
	case "hang": // the answer never comes, though the rows are stored
		f.DB.InsertEvents(ctx, evs, pos)
		<-ctx.Done()
		return ctx.Err()
	case "late": // the server goes on with what its client has given up
		evs := append([]*pb.Event(nil), evs...)
		go func() {
			time.Sleep(150 * time.Millisecond)
			f.DB.InsertEvents(context.WithoutCancel(ctx), evs, pos)
		}()
		return errInjected
	}
	return f.DB.InsertEvents(ctx, evs, pos)
}

func (f *faulty) InsertDead(ctx context.Context, dead []Dead) error {
	if err := f.isDown(); err != nil {
		return err
	}
	return f.DB.InsertDead(ctx, dead)
}

func (f *faulty) BeginDirty(ctx context.Context, marks []Dirty) (func(), error) {
	if err := f.isDown(); err != nil {
		return nil, err
	}
	return f.DB.BeginDirty(ctx, marks)
}

func (f *faulty) StoredSeqs(ctx context.Context, s Span) (map[uint64]bool, error) {
	if err := f.isDown(); err != nil {
		return nil, err
	}
	return f.DB.StoredSeqs(ctx, s)
}

func (f *faulty) CompareStored(ctx context.Context, evs []*pb.Event) (same, other map[int]bool, err error) {
	if err := f.isDown(); err != nil {
		return nil, nil, err
	}
	return f.DB.CompareStored(ctx, evs)
}

// An insert whose outcome is not known is looked up and completed, whatever has happened to it.
func TestUnclearInserts(t *testing.T) {
	for _, how := range []string{"before", "after", "hang", "late", "mixed"} {
		t.Run(how, func(t *testing.T) {
			r := newRig(t)
			const seed = 3
			rng := rand.New(rand.NewPCG(seed, 1))
			wh := &faulty{DB: r.db}
			n := 0
			wh.insert = func() string {
				n++
				switch {
				case how == "mixed" && n < 40:
					return []string{"", "before", "after", "hang", "late"}[rng.IntN(5)]
				case how != "mixed" && n <= 3:
					return how
				}
				return ""
			}
			in := r.start(wh, func(c *Config, _ *Deps) { c.InsertTimeout, c.BatchEvents = 2*time.Second, 300 })
			r.send(r.cut("rhein", "p1", 7, slicesOf(3000), 100)...)
			r.waitMark("rhein", "p1", 7, 3000)
			r.waitDrained()
			time.Sleep(300 * time.Millisecond) // what is late arrives
			rows, distinct := r.count()
			if distinct != 3000 {
				t.Errorf("%d identities, want 3000", distinct)
			}
			if rows != 3000 && how != "late" && how != "mixed" {
				t.Errorf("%d rows, want 3000", rows)
			}
			sl, err := r.db.ReadSlices(r.ctx, "rhein", "p1", t0, t0+3000*60000)
			if err != nil || len(sl) != 3000 {
				t.Errorf("%d slices read, %v", len(sl), err)
			}
			// On a busy machine the lease may be lost meanwhile: then loading the marks again tells what is stored.
			if m := in.Metrics(); m.ReadBacks.Load() == 0 && m.Repeats.Load() == 0 {
				t.Error("nothing was looked up")
			}
			marks, err := r.db.LoadMarks(r.ctx)
			if err != nil || len(marks) != 1 || marks[0].Mark != 3000 {
				t.Errorf("marks from the table: %+v %v", marks, err)
			}
		})
	}
}

// While the warehouse is away messages stay in the stream and nothing is taken off; then all is stored.
func TestWarehouseAway(t *testing.T) {
	r := newRig(t)
	wh := &faulty{DB: r.db}
	in := r.start(wh, func(c *Config, _ *Deps) { c.AckWait = 500 * time.Millisecond })
	r.waitMark("rhein", "p1", 7, 0)
	wh.setDown(true)
	frames := r.cut("rhein", "p1", 7, slicesOf(2000), 100)
	r.send(frames...)
	r.send(message{"rhein", "p1", []byte("no frame")})
	time.Sleep(3 * time.Second) // several times the wait after which the stream delivers again
	if m, _ := r.mark("rhein", "p1", 7); m != 0 {
		t.Fatalf("mark %d while nothing can be stored", m)
	}
	s, err := r.env.JS.Stream(r.ctx, "PRESS")
	if err != nil {
		t.Fatal(err)
	}
	c, err := s.Consumer(r.ctx, consumerName(r.db.WarehouseID()))
	if err != nil {
		t.Fatal(err)
	}
	info, err := c.Info(r.ctx)
	if err != nil {
		t.Fatal(err)
	}
	if info.AckFloor.Consumer != 0 {
		t.Errorf("messages up to %d are acknowledged while nothing can be stored", info.AckFloor.Consumer)
	}
	if info.NumRedelivered > 0 {
		t.Errorf("%d messages were delivered again although they are in work", info.NumRedelivered)
	}
	wh.setDown(false)
	r.waitMark("rhein", "p1", 7, 2000)
	r.waitDrained()
	if rows, distinct := r.count(); rows != 2000 || distinct != 2000 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
	if n, _, err := r.db.CountDead(r.ctx); err != nil || n != 1 {
		t.Errorf("%d dead letters, %v", n, err)
	}
	if in.Metrics().Retries.Load() == 0 {
		t.Error("no retry was counted")
	}
}

// A second ingest stands by and takes over; one that worked before it and wakes with old marks is fenced out.
func TestTwoIngests(t *testing.T) {
	r := newRig(t)
	first := r.start(r.db)
	frames := r.cut("rhein", "p1", 7, slicesOf(1000), 50)
	r.send(frames[:10]...)
	r.waitMark("rhein", "p1", 7, 500)
	second := r.start(r.open())
	time.Sleep(500 * time.Millisecond)
	if second.Metrics().Active.Load() != 0 {
		t.Fatal("two work at once")
	}
	started := time.Now()
	first.stop()
	r.send(frames[10:]...)
	r.waitMark("rhein", "p1", 7, 1000)
	if d := time.Since(started); d > 10*time.Second {
		t.Errorf("the standby took %v", d)
	}
	r.waitDrained()
	if rows, distinct := r.count(); rows != 1000 || distinct != 1000 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
	sum := r.checksum()

	// An ex-writer that slept through its lease wakes with old marks and stores again what it had in hand.
	cfg, err := Config{Now: clock}.settle()
	if err != nil {
		t.Fatal(err)
	}
	sleeper := New(cfg, Deps{NC: r.env.Core, JS: r.env.JS, Warehouse: r.open()})
	sleeper.cfg = cfg
	sleeper.progress = map[epochKey]*progress{}
	evs := slicesOf(1000)
	for i, e := range evs {
		e.Plant, e.Press, e.Epoch, e.Seq = "rhein", "p1", 7, uint64(i)+1
	}
	if err := sleeper.storeEvents(r.ctx, evs); !fencedOut(err) {
		t.Errorf("the ex-writer stored: %v", err)
	}
	if rows, distinct := r.count(); rows != 1000 || distinct != 1000 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
	if r.checksum() != sum {
		t.Error("an ex-writer changed what is read")
	}
	marks, err := r.db.LoadMarks(r.ctx)
	if err != nil || len(marks) != 1 || marks[0].Mark != 1000 {
		t.Errorf("marks: %+v %v", marks, err)
	}
}

// The log server is stopped and started in the middle; then its stream is lost.
func TestLogServerRestarts(t *testing.T) {
	r := newRig(t)
	r.start(r.db)
	frames := r.cut("rhein", "p1", 7, slicesOf(1000), 20)
	r.send(frames[:25]...)
	r.env.Restart()
	r.eventually("publishing works again", func() bool { return r.env.Press.IsConnected() && r.env.Core.IsConnected() })
	r.send(frames[25:]...)
	r.waitMark("rhein", "p1", 7, 1000)
	if _, distinct := r.count(); distinct != 1000 {
		t.Errorf("%d identities", distinct)
	}
	// The stream itself is lost, with what it held and with its consumer; a new one begins at 1.
	if err := r.env.JS.DeleteStream(r.ctx, eventlog.StreamPress); err != nil {
		t.Fatal(err)
	}
	if err := eventlog.EnsureStreams(r.ctx, r.env.JS, eventlog.StreamOptions{LeaseTTL: eventlogtest.LeaseTTL}); err != nil {
		t.Fatal(err)
	}
	r.send(r.cut("rhein", "p2", 8, slicesOf(200), 20)...)
	r.send(frames[:3]...)
	r.waitMark("rhein", "p2", 8, 200)
	r.waitMark("rhein", "p1", 7, 1000)
	if rows, distinct := r.count(); rows != 1200 || distinct != 1200 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
}
