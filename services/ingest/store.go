package ingest

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// splitSlices is the number of slices of a month from which they get an INSERT of their own: it sends a third of the
// columns.
const splitSlices = 5000

// storeAll stores batch after batch until ctx ends.
func (in *Ingest) storeAll(ctx context.Context, batches <-chan *batch) error {
	for b := range batches {
		stop := b.keep(ctx, in.cfg.AckWait)
		err := in.store(ctx, b)
		stop()
		if err != nil {
			b.giveBack()
			for b := range batches { // pull ends with ctx
				b.giveBack()
			}
			return err
		}
		b.release()
		if err := b.acknowledge(ctx); err != nil && ctx.Err() == nil {
			in.log.Debug("acknowledge", "err", err)
		}
		in.mu.Lock()
		pos := in.pos
		in.mu.Unlock()
		if err := eventlog.PublishStored(in.deps.NC, pos); err != nil {
			in.log.Debug("say what is stored", "err", err)
		}
	}
	return nil
}

// store keeps everything a batch holds. It returns an error only when ctx has ended or another has taken over.
func (in *Ingest) store(ctx context.Context, b *batch) error {
	a := in.admit(b)
	if err := in.keepDead(ctx, a.dead, a.deadSeqs); err != nil {
		return err
	}
	if err := in.keepNew(ctx, a.store); err != nil {
		return err
	}
	// What came again, or was put aside before: stored as it is, another event under the same identity, or not there.
	var resolved []*pb.Event
	for look := append(a.doubt, a.repeats...); len(look) > 0; {
		same, other, err := in.compare(ctx, look)
		if err != nil {
			return err
		}
		var missing, later, clones, refused []*pb.Event
		taken := map[epochKey]map[uint64]bool{}
		for i, e := range look {
			k := keyOf(e)
			switch {
			case same[i]:
				if in.found(e) || a.redrive[e] {
					resolved = append(resolved, e)
				}
			case other[i]:
				clones = append(clones, e)
			case in.quarantined(k) && !a.redrive[e]:
				refused = append(refused, e)
			case taken[k][e.Seq]:
				later = append(later, e)
			default:
				if taken[k] == nil {
					taken[k] = map[uint64]bool{}
				}
				taken[k][e.Seq] = true
				missing = append(missing, e)
				resolved = append(resolved, e)
			}
		}
		if err := in.quarantine(ctx, clones); err != nil {
			return err
		}
		if err := in.putAside(ctx, refused); err != nil {
			return err
		}
		if err := in.keepNew(ctx, missing); err != nil {
			return err
		}
		look = later
	}
	return in.resolve(ctx, resolved, b.letters)
}

// keepDead stores dead letters and then counts the seqs of events among them.
func (in *Ingest) keepDead(ctx context.Context, dead []Dead, seqs map[epochKey][]uint64) error {
	if len(dead) == 0 {
		return nil
	}
	if err := in.retry(ctx, "keep dead letters", func(ctx context.Context) error { return in.wh.InsertDead(ctx, dead) }); err != nil {
		return err
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	for k, s := range seqs {
		in.metrics.DeadEvents.Add(uint64(len(s)))
		in.at(k).add(s, true)
	}
	return nil
}

// keepNew stores events that are not stored, after the lowest seqs of their epochs.
func (in *Ingest) keepNew(ctx context.Context, evs []*pb.Event) error {
	if len(evs) == 0 {
		return nil
	}
	if lows := in.lowest(evs); len(lows) > 0 {
		if err := in.retry(ctx, "note epochs", func(ctx context.Context) error { return in.wh.InsertEpochs(ctx, lows) }); err != nil {
			return err
		}
		in.mu.Lock()
		for _, l := range lows {
			in.at(epochKey{l.Plant, l.Press, l.Epoch}).low = l.Seq
		}
		in.mu.Unlock()
	}
	return in.storeEvents(ctx, evs)
}

func (in *Ingest) compare(ctx context.Context, evs []*pb.Event) (same, other map[int]bool, err error) {
	in.metrics.ReadBacks.Add(1)
	err = in.retry(ctx, "compare with what is stored", func(ctx context.Context) (err error) {
		same, other, err = in.wh.CompareStored(ctx, evs)
		return err
	})
	return same, other, err
}

// found counts an event as stored and says whether that is news.
func (in *Ingest) found(e *pb.Event) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	p := in.at(keyOf(e))
	if p.stored(e.Seq) {
		return false
	}
	p.add([]uint64{e.Seq}, false)
	return true
}

// quarantine puts aside events under whose identity another is stored, and all that comes later of their epochs.
func (in *Ingest) quarantine(ctx context.Context, evs []*pb.Event) error {
	if len(evs) == 0 {
		return nil
	}
	dead := make([]Dead, len(evs))
	for i, e := range evs {
		dead[i] = deadEvent(e, "epoch", cloneReason, in.cfg.Now())
		dead[i].Clone = true
	}
	if err := in.keepDead(ctx, dead, nil); err != nil {
		return err
	}
	in.metrics.Clones.Add(uint64(len(evs)))
	in.mu.Lock()
	defer in.mu.Unlock()
	for _, e := range evs {
		p := in.at(keyOf(e))
		p.add([]uint64{e.Seq}, false) // its identity is taken, by the other
		if !p.quarantined {
			p.quarantined = true
			in.log.Error("two disks carry one epoch: what comes of it is put aside until its agents have new spools", "press", e.Plant+"/"+e.Press,
				"epoch", fmt.Sprintf("%016x", e.Epoch), "seq", e.Seq)
		}
	}
	return nil
}

func (in *Ingest) quarantined(k epochKey) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.at(k).quarantined
}

// putAside keeps events of a quarantined epoch as dead letters.
func (in *Ingest) putAside(ctx context.Context, evs []*pb.Event) error {
	dead, seqs := make([]Dead, len(evs)), map[epochKey][]uint64{}
	for i, e := range evs {
		dead[i] = deadEvent(e, "epoch", quarantineReason, in.cfg.Now())
		seqs[keyOf(e)] = append(seqs[keyOf(e)], e.Seq)
	}
	return in.keepDead(ctx, dead, seqs)
}

// resolve notes dead letters of events that are stored now, and frames that can be read now. Of a quarantined epoch only
// the very letter is meant: the other disk's, under the same identity, stays.
func (in *Ingest) resolve(ctx context.Context, evs []*pb.Event, letters []DeadSeqs) error {
	seqs := map[epochKey][]uint64{}
	for _, e := range evs {
		k := keyOf(e)
		if in.quarantined(k) {
			h := sha256.Sum256(payloadOf(e))
			letters = append(letters, DeadSeqs{Plant: k.plant, Press: k.press, Epoch: k.epoch, Seqs: []uint64{e.Seq}, Hash: hex.EncodeToString(h[:])})
			continue
		}
		seqs[k] = append(seqs[k], e.Seq)
	}
	for k, s := range seqs {
		letters = append(letters, DeadSeqs{Plant: k.plant, Press: k.press, Epoch: k.epoch, Seqs: s})
	}
	if len(letters) == 0 {
		return nil
	}
	in.metrics.Redriven.Add(uint64(len(evs)))
	return in.retry(ctx, "note dead letters as stored", func(ctx context.Context) error { return in.wh.ResolveDead(ctx, letters) })
}

// storeEvents marks presses dirty, inserts month by month and advances the marks.
func (in *Ingest) storeEvents(ctx context.Context, evs []*pb.Event) error {
	var dirty []Dirty
	err := in.retry(ctx, "find what is dirty", func(ctx context.Context) (err error) {
		dirty, err = in.dirtyOf(ctx, evs)
		return err
	})
	if err != nil {
		return err
	}
	var done func()
	err = in.retry(ctx, "mark presses dirty", func(ctx context.Context) (err error) {
		done, err = in.wh.BeginDirty(ctx, dirty)
		return err
	})
	if err != nil {
		return err
	}
	defer done()
	for _, g := range groups(evs) {
		if err := in.insert(ctx, g); err != nil {
			return err
		}
		seqs := map[epochKey][]uint64{}
		eachRun(g, func(k epochKey, run []*pb.Event) {
			list := slices.Grow(seqs[k], len(run))
			for _, e := range run {
				list = append(list, e.Seq)
			}
			seqs[k] = list
		})
		in.mu.Lock()
		for k, s := range seqs {
			in.at(k).add(s, false)
		}
		in.mu.Unlock()
		in.metrics.Events.Add(uint64(len(g)))
	}
	return nil
}

// insert stores events of one partition. When it is not clear whether an INSERT has happened it looks which events are
// there and inserts the others, until none is missing.
func (in *Ingest) insert(ctx context.Context, evs []*pb.Event) error {
	wait := in.retryFirst
	for failed := 0; len(evs) > 0; failed++ {
		in.mu.Lock()
		in.pos++
		pos := in.pos
		in.mu.Unlock()
		if !eventlog.Held(ctx) {
			return fmt.Errorf("insert events: %w", errNotHeld)
		}
		if failed > 0 {
			if err := in.retry(ctx, "note a pos", func(ctx context.Context) error { return in.wh.NotePos(ctx, pos) }); err != nil {
				return err
			}
		}
		call, cancel := context.WithTimeout(ctx, in.cfg.InsertTimeout)
		err := in.wh.InsertEvents(call, evs, pos)
		cancel()
		if ctx.Err() != nil {
			return fmt.Errorf("insert events: %w", context.Cause(ctx))
		}
		if err == nil {
			in.metrics.Inserts.Add(1)
			in.metrics.Pos.Store(pos)
			if failed > 0 {
				in.metrics.Repaired.Add(uint64(len(evs)))
				in.log.Info("an insert succeeded after all", "attempts", failed+1, "events", len(evs))
			}
			return nil
		}
		if fencedOut(err) {
			return fmt.Errorf("insert events: %w", err)
		}
		if failed == 0 {
			in.log.Warn("the outcome of an insert is not clear", "events", len(evs), "err", err)
		}
		in.metrics.Retries.Add(1)
		found, err := in.readBack(ctx, evs)
		if err != nil {
			return err
		}
		evs = slices.DeleteFunc(slices.Clone(evs), func(e *pb.Event) bool { return found[keyOf(e)][e.Seq] })
		if len(evs) == 0 {
			break
		}
		if err := in.pause(ctx, wait); err != nil {
			return fmt.Errorf("insert events: %w", err)
		}
		wait = min(2*wait, in.retryMax)
	}
	return nil
}

// readBack finds which of the events are in the table.
func (in *Ingest) readBack(ctx context.Context, evs []*pb.Event) (map[epochKey]map[uint64]bool, error) {
	spans := map[epochKey]*Span{}
	for _, e := range evs {
		k, at := keyOf(e), eventlog.OccurredMs(e)
		s := spans[k]
		if s == nil {
			s = &Span{Plant: k.plant, Press: k.press, Epoch: k.epoch, First: e.Seq, Last: e.Seq, From: at, To: at}
			spans[k] = s
		}
		s.First, s.Last, s.From, s.To = min(s.First, e.Seq), max(s.Last, e.Seq), min(s.From, at), max(s.To, at)
	}
	out := map[epochKey]map[uint64]bool{}
	for k, s := range spans {
		in.metrics.ReadBacks.Add(1)
		err := in.retry(ctx, "read back", func(ctx context.Context) (err error) {
			out[k], err = in.wh.StoredSeqs(ctx, *s)
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// eachRun calls f for every stretch of neighbors of one epoch: there are few, because frames stay together.
func eachRun(evs []*pb.Event, f func(k epochKey, run []*pb.Event)) {
	for len(evs) > 0 {
		k, n := keyOf(evs[0]), 1
		for n < len(evs) && evs[n].Epoch == k.epoch && evs[n].Press == k.press && evs[n].Plant == k.plant {
			n++
		}
		f(k, evs[:n])
		evs = evs[n:]
	}
}

func keyOf(e *pb.Event) epochKey { return epochKey{e.Plant, e.Press, e.Epoch} }

// groups divides events by partition, and many slices from the rest; each group is sorted by the table's key, nearly:
// ClickHouse sorts the rest faster than it sorts everything.
func groups(evs []*pb.Event) [][]*pb.Event {
	type press struct {
		plain        bool
		plant, press string
		month        int
	}
	byPress := map[press][]*pb.Event{}
	slicesOf := map[int]int{} // by month
	var last press
	var run []*pb.Event
	lastDay, lastMonth := int64(-1<<62), 0
	for _, e := range evs {
		at := eventlog.OccurredMs(e)
		if day := floorDay(at); day != lastDay {
			y, m, _ := time.UnixMilli(at).UTC().Date()
			lastDay, lastMonth = day, y*12+int(m)
		}
		k := press{e.GetSlice() != nil && e.SourceKey == "", e.Plant, e.Press, lastMonth}
		if k.plain {
			slicesOf[k.month]++
		}
		if k != last && run != nil {
			byPress[last] = run
			run = byPress[k]
		}
		last, run = k, append(run, e)
	}
	if run != nil {
		byPress[last] = run
	}
	keys := make([]press, 0, len(byPress))
	for k := range byPress {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b press) int {
		return cmp.Or(cmp.Compare(a.month, b.month), -cmp.Compare(flag(a.plain), flag(b.plain)), cmp.Compare(a.plant, b.plant), cmp.Compare(a.press, b.press))
	})
	var out [][]*pb.Event
	for i, k := range keys {
		list := byPress[k]
		order := func(a, b *pb.Event) int {
			return cmp.Or(cmp.Compare(eventlog.OccurredMs(a), eventlog.OccurredMs(b)), cmp.Compare(a.Epoch, b.Epoch), cmp.Compare(a.Seq, b.Seq))
		}
		if !slices.IsSortedFunc(list, order) {
			slices.SortFunc(list, order)
		}
		split := slicesOf[k.month] >= splitSlices
		if i > 0 && keys[i-1].month == k.month && (keys[i-1].plain == k.plain || !split) {
			out[len(out)-1] = append(out[len(out)-1], list...)
		} else {
			out = append(out, slices.Clip(list))
		}
	}
	return out
}

func floorDay(ms int64) int64 {
	const day = 86400000
	d := ms / day
	if ms%day < 0 {
		d--
	}
	return d
}

func flag(b bool) int {
	if b {
		return 1
	}
	return 0
}
