package ingest

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/warehouse"
)

var errCrash = errors.New("injected: the process dies here")

// crasher stands between ingest and a warehouse and kills the process, as ingest sees it, at a chosen statement: before
// it or after. Everything later fails until another process is started.
type crasher struct {
	Inserter
	left   int  // statements until the crash; below 0: none
	before bool // the statement is not carried out
	kill   context.CancelFunc
	dead   bool
}

// step carries out a statement, or not.
func (c *crasher) step(f func() error) error {
	if c.dead {
		return errCrash
	}
	c.left--
	if c.left != 0 {
		return f()
	}
	c.dead = true
	if !c.before {
		f()
	}
	c.kill()
	return errCrash
}

func (c *crasher) InsertEvents(ctx context.Context, evs []*pb.Event, pos uint64) error {
	return c.step(func() error { return c.Inserter.InsertEvents(context.WithoutCancel(ctx), evs, pos) })
}

func (c *crasher) InsertEpochs(ctx context.Context, lows []EpochLow) error {
	return c.step(func() error { return c.Inserter.InsertEpochs(context.WithoutCancel(ctx), lows) })
}

func (c *crasher) InsertDead(ctx context.Context, dead []Dead) error {
	return c.step(func() error { return c.Inserter.InsertDead(context.WithoutCancel(ctx), dead) })
}

func (c *crasher) ResolveDead(ctx context.Context, of []DeadSeqs) error {
	return c.step(func() error { return c.Inserter.ResolveDead(context.WithoutCancel(ctx), of) })
}

func (c *crasher) InsertGaps(ctx context.Context, gaps []Gap) error {
	return c.step(func() error { return c.Inserter.InsertGaps(context.WithoutCancel(ctx), gaps) })
}

func (c *crasher) BeginDirty(ctx context.Context, marks []Dirty) (done func(), err error) {
	err = c.step(func() (err error) {
		done, err = c.Inserter.BeginDirty(context.WithoutCancel(ctx), marks)
		return err
	})
	return done, err
}

// world is what is true about one press: what its disks hold, what agents gave up.
type world struct {
	disks [2][]*pb.Event // two disks that are the same up to the fork; the second may not send
	fork  int            // events that both have
}

func newWorld(n, fork int, bad func(i int) bool) *world {
	w := &world{fork: fork}
	for d := range w.disks {
		for i, e := range slicesOf(n) {
			e.Plant, e.Press, e.Epoch, e.Seq = "rhein", "p1", 7, uint64(i)+1
			if bad(i) {
				e.GetSlice().WasteMm = -1 // refused
			}
			if d == 1 && i >= fork {
				e.GetSlice().GoodMm = 9000 + int64(i)
			}
			w.disks[d] = append(w.disks[d], e)
		}
	}
	return w
}

// frames makes a batch of random stretches of the disks, as agents and the stream might deliver them.
func (w *world) batch(disks int, pick func(n int) int) *batch {
	b := &batch{redriven: map[*eventlog.Frame]bool{}}
	for range 1 + pick(3) {
		evs := w.disks[pick(disks)]
		first := pick(len(evs))
		last := min(len(evs), first+1+pick(12))
		f := &eventlog.Frame{Header: &pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: uint64(first) + 1, Count: uint32(last - first)}}
		for _, e := range evs[first:last] {
			f.Events = append(f.Events, proto.CloneOf(e))
		}
		b.frames = append(b.frames, f)
	}
	return b
}

// process is an ingest without a log: batches are handed to it.
type process struct {
	*Ingest
	ctx context.Context
	wh  *crasher
}

func startProcess(t testing.TB, wh Inserter, crashAt int, before bool) *process {
	ctx, cancel := context.WithCancel(t.Context())
	cfg, err := Config{Now: clock}.settle()
	if err != nil {
		panic(err)
	}
	c := &crasher{Inserter: wh, left: crashAt, before: before, kill: cancel}
	in := New(cfg, Deps{Warehouse: c})
	in.cfg, in.retryFirst, in.retryMax = cfg, time.Microsecond, time.Microsecond
	return &process{in, ctx, c}
}

// drive lets a process after another take batches, each killed at some statement, then one that is not until
// everything has come, and compares what is stored with what is true.
func (w *world) drive(t testing.TB, wh Inserter, disks, rounds int, lost []SeqRange, pick func(n int) int) error {
	for range rounds {
		p := startProcess(t, wh, 1+pick(10), pick(2) == 0)
		if err := p.load(p.ctx); err != nil {
			return fmt.Errorf("load: %w", err)
		}
		for range 4 {
			if len(lost) > 0 && pick(3) == 0 {
				r := lost[pick(len(lost))]
				if _, err := p.markReply("rhein", "p1", &pb.MarkRequest{Epoch: 7, FirstSeq: 1, LastSeq: 1, Lost: []*pb.LostRange{{FirstSeq: r.First, LastSeq: r.Last}}}); err != nil {
					return err
				}
				if err := p.storeLost(p.ctx); err != nil && !p.wh.dead {
					return err
				}
			}
			if err := p.store(p.ctx, w.batch(disks, pick)); err != nil && !p.wh.dead {
				return err
			}
			if p.wh.dead {
				break
			}
		}
	}
	// Faults are over: everything comes once more, in any order.
	p := startProcess(t, wh, -1, false)
	if err := p.load(p.ctx); err != nil {
		return err
	}
	for d := range disks {
		order := rand.New(rand.NewPCG(uint64(pick(1000)), 1)).Perm(len(w.disks[d]))
		for some := range slices.Chunk(order, 1+pick(8)) {
			b := &batch{}
			for _, at := range some {
				e := proto.CloneOf(w.disks[d][at])
				f := &eventlog.Frame{Header: &pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: e.Seq, Count: 1}, Events: []*pb.Event{e}}
				if b.frames = append(b.frames, f); pick(2) == 0 { // twice in one batch
					b.frames = append(b.frames, &eventlog.Frame{Header: f.Header, Events: []*pb.Event{proto.CloneOf(e)}})
				}
			}
			if err := p.store(p.ctx, b); err != nil {
				return err
			}
		}
	}
	// What is in memory is what another process reads from the tables.
	again := startProcess(t, wh, -1, false)
	if err := again.load(again.ctx); err != nil {
		return err
	}
	k := epochKey{"rhein", "p1", 7}
	a, b := p.progress[k], again.progress[k]
	if a.mark != b.mark || !slices.Equal(a.above, b.above) || !slices.Equal(a.elsewhere, b.elsewhere) || a.quarantined != b.quarantined {
		return fmt.Errorf("in memory: mark %d above %v elsewhere %v quarantined %v; from the tables: %d %v %v %v", a.mark, a.above, a.elsewhere, a.quarantined, b.mark, b.above, b.elsewhere, b.quarantined)
	}
	if a.mark != uint64(len(w.disks[0])) {
		return fmt.Errorf("mark %d, all %d have come", a.mark, len(w.disks[0]))
	}
	return nil
}

// check compares what is stored, one row an identity, and what is kept aside with what the disks hold: every event of
// every disk is in one of the two as it was; without a second disk nothing right is kept aside for good.
func (w *world) check(disks int, stored []*pb.Event, waiting map[string]bool) error {
	bySeq := map[uint64]*pb.Event{}
	for _, e := range stored {
		if bySeq[e.Seq] != nil {
			return fmt.Errorf("seq %d is stored twice", e.Seq)
		}
		bySeq[e.Seq] = e
	}
	for d := range disks {
		for i, e := range w.disks[d] {
			bad := e.GetSlice().WasteMm < 0
			have := bySeq[e.Seq]
			switch in := have != nil && proto.Equal(have, e); {
			case bad && have != nil && in:
				return fmt.Errorf("seq %d must not be stored", e.Seq)
			case bad && !waiting[string(payloadOf(e))]:
				return fmt.Errorf("seq %d of disk %d, refused, is not kept", e.Seq, d)
			case !bad && !in && !waiting[string(payloadOf(e))]:
				return fmt.Errorf("seq %d of disk %d is lost", e.Seq, d)
			case !bad && !in && (disks == 1 || i < w.fork && have != nil):
				return fmt.Errorf("seq %d, which both disks have, is not stored as it is", e.Seq)
			}
		}
	}
	return nil
}

// memory is a warehouse as simple as can be: the model.
type memory struct {
	events  []*pb.Event
	dead    map[string]Dead // by identity and payload
	done    map[string]bool
	gaps    []Gap
	lows    map[epochKey]EpochLow
	pos     uint64
	doubled bool // a row was inserted whose identity is there
}

func newMemory() *memory {
	return &memory{dead: map[string]Dead{}, done: map[string]bool{}, lows: map[epochKey]EpochLow{}}
}

func (m *memory) WarehouseID() uint64                           { return 1 }
func (m *memory) NotePos(context.Context, uint64) error         { return nil }
func (m *memory) PurgeDirty(context.Context) error              { return nil }
func (m *memory) ReconcileDead(context.Context) error           { return nil }
func (m *memory) ResolveDead(context.Context, []DeadSeqs) error { return nil }
func (m *memory) JobStart(context.Context, string, string, string) (int64, bool, error) {
	return 0, false, nil
}
func (m *memory) VoidedJobStart(context.Context, string, string, uint64, uint64, uint64) (int64, bool, error) {
	return 0, false, nil
}
func (m *memory) BeginDirty(context.Context, []Dirty) (func(), error)            { return func() {}, nil }
func (m *memory) InsertRegistry(context.Context, *pb.RegistryRevision) error     { return nil }
func (m *memory) MaxRegistryRev(context.Context) (uint64, error)                 { return 0, nil }
func (m *memory) Undecoded(context.Context, int) ([]*pb.Event, error)            { return nil, nil }
func (m *memory) DropUndecoded(context.Context, []*pb.Event) error               { return nil }
func (m *memory) LatestRegistry(context.Context) ([]*pb.RegistryRevision, error) { return nil, nil }

func (m *memory) Fence(context.Context) (uint64, error) {
	m.pos += 1000
	return m.pos, nil
}

func (m *memory) InsertEvents(_ context.Context, evs []*pb.Event, pos uint64) error {
	m.pos = max(m.pos, pos)
	for _, e := range evs {
		m.doubled = m.doubled || slices.ContainsFunc(m.events, func(x *pb.Event) bool { return x.Seq == e.Seq })
		m.events = append(m.events, proto.CloneOf(e))
	}
	return nil
}

func (m *memory) InsertDead(_ context.Context, dead []Dead) error {
	for _, d := range dead {
		m.dead[fmt.Sprint(d.Seq)+string(d.Payload)] = d
	}
	return nil
}

func (m *memory) InsertGaps(_ context.Context, gaps []Gap) error {
	m.gaps = append(m.gaps, gaps...)
	return nil
}

func (m *memory) InsertEpochs(_ context.Context, lows []EpochLow) error {
	for _, l := range lows {
		k := epochKey{l.Plant, l.Press, l.Epoch}
		if old, ok := m.lows[k]; !ok || l.Seq < old.Seq {
			m.lows[k] = l
		}
	}
	return nil
}

func (m *memory) EpochLows(context.Context) ([]EpochLow, error) {
	return slices.Collect(maps.Values(m.lows)), nil
}

func (m *memory) StoredSeqs(_ context.Context, s Span) (map[uint64]bool, error) {
	out := map[uint64]bool{}
	for _, e := range m.events {
		if e.Seq >= s.First && e.Seq <= s.Last {
			out[e.Seq] = true
		}
	}
	return out, nil
}

func (m *memory) CompareStored(_ context.Context, evs []*pb.Event) (same, other map[int]bool, err error) {
	same, other = map[int]bool{}, map[int]bool{}
	for i, e := range evs {
		for _, x := range m.events {
			if x.Seq == e.Seq {
				same[i], other[i] = proto.Equal(x, e), !proto.Equal(x, e)
			}
		}
	}
	return same, other, nil
}

func (m *memory) Quarantined(context.Context) ([]EpochOf, error) {
	for _, d := range m.dead {
		if d.Clone {
			return []EpochOf{{Plant: d.Plant, Press: d.Press, Epoch: d.Epoch}}, nil
		}
	}
	return nil, nil
}

// LoadMarks counts seq by seq.
func (m *memory) LoadMarks(context.Context) ([]MarkRow, error) {
	in, out := map[uint64]bool{}, map[uint64]bool{}
	for _, e := range m.events {
		in[e.Seq] = true
	}
	for _, d := range m.dead {
		out[d.Seq] = true
	}
	for _, g := range m.gaps {
		for s := g.First; s <= g.Last; s++ {
			out[s] = true
		}
	}
	row := MarkRow{Plant: "rhein", Press: "p1", Epoch: 7}
	for in[row.Mark+1] || out[row.Mark+1] {
		row.Mark++
	}
	for s := uint64(1); s < 200; s++ {
		if s > row.Mark && (in[s] || out[s]) {
			row.Above = join(row.Above, []SeqRange{{s, s}})
		}
		if out[s] && !in[s] {
			row.Elsewhere = join(row.Elsewhere, []SeqRange{{s, s}})
		}
	}
	return []MarkRow{row}, nil
}

// Whatever comes, in whatever order, cut and repetition, from one disk or two that fork, with ranges given up on the
// way, and wherever the process dies between two statements: every identity is stored at most once, every event of
// every disk is stored or kept aside as it was, and marks in memory and from the tables agree.
func TestCrashModel(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		pick := func(n int) int { return rapid.IntRange(0, n-1).Draw(rt, "pick") }
		disks := 1 + pick(2)
		n := 5 + pick(35)
		badEvery := 2 + pick(8)
		w := newWorld(n, pick(n), func(i int) bool { return i%badEvery == 1 })
		var lost []SeqRange
		for range pick(3) {
			first := 1 + pick(n)
			lost = append(lost, SeqRange{uint64(first), uint64(min(n, first+pick(6)))})
		}
		m := newMemory()
		if err := w.drive(t, m, disks, 1+pick(6), lost, pick); err != nil {
			rt.Fatal(err)
		}
		waiting := map[string]bool{}
		for _, d := range m.dead {
			waiting[string(d.Payload)] = true
		}
		if m.doubled {
			rt.Fatal("a row was inserted twice")
		}
		if err := w.check(disks, m.events, waiting); err != nil {
			rt.Fatal(err)
		}
	})
}

// The same with the real warehouse, some seeds.
func TestCrashesInFrontOfTheRealWarehouse(t *testing.T) {
	for seed := range uint64(2) {
		r := newRig(t)
		rng := rand.New(rand.NewPCG(seed, 1))
		disks := 1 + int(seed)%2
		w := newWorld(25, 15, func(i int) bool { return i%6 == 1 })
		if err := w.drive(t, r.db, disks, 4, []SeqRange{{3, 5}, {20, 22}}, rng.IntN); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		list, err := r.db.EpochEvents(r.ctx, "rhein", "p1", 7, 1000)
		if err != nil {
			t.Fatal(err)
		}
		var stored []*pb.Event
		for _, e := range list {
			stored = append(stored, e.Event)
		}
		letters, _, err := r.db.ListDead(r.ctx, warehouse.DeadQuery{Payload: true, Waiting: true, Limit: 1000})
		if err != nil {
			t.Fatal(err)
		}
		waiting := map[string]bool{}
		for _, l := range letters {
			waiting[string(l.Payload)] = true
		}
		if err := w.check(disks, stored, waiting); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
		if rows, distinct := r.count(); rows != distinct {
			t.Errorf("seed %d: %d rows, %d identities", seed, rows, distinct)
		}
	}
}
