package ingest

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/downweb/downweb/services/eventlog"
)

// 1,000 slices in, 1,000 out, the mark at 1,000; sent again nothing changes; after another ingest has started too.
func TestThousand(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	notices := make(chan uint64, 1000)
	sub, err := eventlog.SubscribeStored(r.env.Core, func(pos uint64) { notices <- pos })
	if err != nil {
		t.Fatal(err)
	}
	defer sub.Unsubscribe()
	frames := r.cut("rhein", "p1", 7, slicesOf(1000), 300)
	r.send(frames...)
	r.waitMark("rhein", "p1", 7, 1000)
	r.waitDrained()
	if rows, distinct := r.count(); rows != 1000 || distinct != 1000 {
		t.Fatalf("%d rows, %d identities", rows, distinct)
	}
	select {
	case pos := <-notices:
		if pos == 0 {
			t.Error("a notice without a pos")
		}
	case <-time.After(5 * time.Second):
		t.Error("nobody was told that events are stored")
	}
	got, err := r.db.ReadSlices(r.ctx, "rhein", "p1", t0, t0+1000*60000)
	if err != nil || len(got) != 1000 {
		t.Fatalf("%d slices, %v", len(got), err)
	}
	for i, s := range got {
		if s.From != t0+int64(i)*60000 || s.Good != int64(100000+i) || s.Seq != uint64(i)+1 {
			t.Fatalf("slice %d is %+v", i, s)
		}
	}
	ranks, err := r.db.Epochs(r.ctx, "rhein", "p1")
	if err != nil || len(ranks) != 1 || ranks[0].Recorded != t0+60200 {
		t.Errorf("epochs: %v %v", ranks, err)
	}
	sum := r.checksum()

	r.send(frames...)
	r.waitDrained()
	in.stop()
	if n := in.Metrics().Repeats.Load(); n != 1000 {
		t.Errorf("%d repeats, want 1000", n)
	}
	// A new ingest knows from the table what is stored, also when frames are cut otherwise.
	again := r.start(r.open())
	r.send(r.cut("rhein", "p1", 7, slicesOf(1000), 77)...)
	r.waitDrained()
	r.waitMark("rhein", "p1", 7, 1000)
	again.stop()
	if rows, distinct := r.count(); rows != 1000 || distinct != 1000 {
		t.Fatalf("sent again: %d rows, %d identities", rows, distinct)
	}
	if r.checksum() != sum {
		t.Error("the checksum changed")
	}
	take, err := r.db.TakeDirty(r.ctx)
	if err != nil || len(take) != 1 || take[0].From != t0 || take[0].Press != "p1" {
		t.Errorf("dirty: %v %v", take, err)
	}
}

// Ingest is stopped again and again in the middle, frames are sent twice and shuffled across presses: what is stored
// is what an undisturbed run stores.
func TestStoppedAgainAndAgain(t *testing.T) {
	const seed, presses, each = 11, 6, 3000
	build := func(r *rig) []message {
		var all []message
		for p := range presses {
			name := string(rune('a' + p))
			all = append(all, r.cut("rhein", name, uint64(p)+100, slicesOf(each), 150)...)
		}
		return all
	}
	calm := newRig(t)
	in := calm.start(calm.db)
	calm.send(build(calm)...)
	for p := range presses {
		calm.waitMark("rhein", string(rune('a'+p)), uint64(p)+100, each)
	}
	in.stop()
	want := calm.checksum()

	r := newRig(t)
	rng := rand.New(rand.NewPCG(seed, 1))
	all := build(r)
	all = append(all, all...)
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	go func() {
		for range 12 {
			in := r.start(r.db, func(c *Config, _ *Deps) { c.BatchEvents = 500 })
			select {
			case <-r.ctx.Done():
			case <-time.After(time.Duration(100+rng.IntN(300)) * time.Millisecond):
			}
			in.stop()
		}
		r.start(r.db)
	}()
	r.send(all...)
	for p := range presses {
		r.waitMark("rhein", string(rune('a'+p)), uint64(p)+100, each)
	}
	r.waitDrained()
	if _, distinct := r.count(); distinct != presses*each {
		t.Errorf("seed %d: %d identities, want %d", seed, distinct, presses*each)
	}
	if r.checksum() != want {
		t.Errorf("seed %d: the checksum differs from an undisturbed run's", seed)
	}
}
