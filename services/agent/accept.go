package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
)

// Group commit: a batch is written when it has so many events or bytes, or
// when its first is so old.
const (
	commitEvents = 4096
	commitBytes  = 1 << 20
	commitAfter  = 50 * time.Millisecond
	blockBytes   = 150 << 10
)

// accepter gives seqs and makes batches durable. One goroutine.
type accepter struct {
	sp      *spool.Spool
	presses []pressName
	states  []acceptState
	keys    map[string]spool.Key // of the batch, not yet committed
	batch   spool.Batch
	pos     map[string][]byte
	events  int
	bytes   int
	dup     uint64
	counts  *counters
	clock   func() time.Time
	refuse  func(Refusal)
	// committed is called with the presses that have new events.
	committed func(presses []int)
	alarm     func(on bool, err error)
	buf       []byte
	line      *line
	steps     <-chan step
	records   <-chan record
	drained   func() // all sources have ended, and what they gave is on disk
}

type acceptState struct {
	next  uint64
	cover *spool.Cover
	block *spool.Block
	added []spool.Interval
}

func newAccepter(sp *spool.Spool, presses []string) (*accepter, error) {
	a := &accepter{sp: sp, presses: splitPresses(presses), keys: map[string]spool.Key{}, pos: map[string][]byte{}}
	for _, p := range presses {
		c, err := sp.Cover(p)
		if err != nil {
			return nil, fmt.Errorf("covered time of %s: %w", p, err)
		}
		a.states = append(a.states, acceptState{next: sp.State(p).Last + 1, cover: c})
	}
	return a, nil
}

// run takes jobs in order until the channel is closed, and commits what it has
// taken; then it says so, and serves the clock and the line until ctx ends.
func (a *accepter) run(ctx context.Context, jobs <-chan job) error {
	timer := time.NewTimer(time.Hour)
	timer.Stop()
	defer timer.Stop()
	armed := false
	var done <-chan struct{}
	for {
		select {
		case <-done:
			return nil
		case j, open := <-jobs:
			if !open {
				if err := a.commit(ctx); err != nil {
					return err
				}
				a.drained()
				jobs, done = nil, ctx.Done()
				continue
			}
			items := <-j.items
			if err := a.take(j, items); err != nil {
				return err
			}
			if a.events >= commitEvents || a.bytes >= commitBytes {
				if err := a.commit(ctx); err != nil {
					return err
				}
				timer.Stop()
				armed = false
			} else if !armed {
				timer.Reset(commitAfter)
				armed = true
			}
		case <-timer.C:
			armed = false
			if err := a.commit(ctx); err != nil {
				return err
			}
		case s := <-a.steps:
			if err := a.stepped(ctx, s); err != nil {
				return err
			}
		case r := <-a.records:
			if err := a.record(ctx, r); err != nil {
				return err
			}
			timer.Stop()
			armed = false
		case <-a.line.roll:
			if err := a.roll(ctx); err != nil {
				return err
			}
		}
	}
}

func (a *accepter) take(j job, items []item) error {
	for i := range items {
		it := &items[i]
		if it.bad == nil {
			if err := a.item(it); err != nil {
				return err
			}
		}
		if it.bad != nil {
			a.counts.refused.Add(1)
			a.refuse(Refusal{Source: j.name, Line: it.line, Field: it.bad[0].Field, Reason: it.bad[0].Reason})
		}
	}
	if j.pos != nil {
		a.pos[j.id] = j.pos
	}
	return nil
}

// item accepts one event, refuses it by it.bad, or finds it known.
func (a *accepter) item(it *item) error {
	st := &a.states[it.press]
	if it.record != nil {
		switch st.cover.Check(it.from, it.to) {
		case spool.Covered:
			a.dup++
			return nil
		case spool.Partly:
			it.bad = []eventlog.Violation{{Field: "slice.from", Reason: "the time is partly covered by slices accepted before"}}
			return nil
		}
		st.cover.Add(it.from, it.to)
		if n := len(st.added); n > 0 && st.added[n-1].To == it.from {
			st.added[n-1].To = it.to
		} else {
			st.added = append(st.added, spool.Interval{Press: a.presses[it.press].name, From: it.from, To: it.to})
		}
		a.add(it.press, it.record, it.from)
		return nil
	}
	return a.other(it)
}

func (a *accepter) other(it *item) error {
	e, press := it.ev, a.presses[it.press].name
	kind := bodyKind(e)
	if e.SourceKey != "" {
		_, known, err := a.key(press, kind, e.SourceKey)
		if err != nil {
			return err
		}
		if known {
			a.dup++
			return nil
		}
	}
	if v := e.GetVoided(); targetsKey(v) {
		if err := a.target(it, v, press); err != nil || it.bad != nil {
			return err
		}
	}
	var err error
	if a.buf, err = eventlog.AppendEvent(a.buf[:0], e); err != nil {
		it.bad = []eventlog.Violation{{Reason: err.Error()}}
		return nil
	}
	seq := a.states[it.press].next
	a.add(it.press, a.buf, ms(e.OccurredAt))
	if e.SourceKey != "" {
		k := spool.Key{Press: press, Kind: kind, Key: e.SourceKey, Seq: seq, Earliest: earliest(e), Accepted: a.clock().UnixMilli()}
		a.keys[keyID(press, kind, e.SourceKey)] = k
		a.batch.Keys = append(a.batch.Keys, k)
	}
	return nil
}

// target fills a void that names its target by source key.
func (a *accepter) target(it *item, v *pb.Voided, press string) error {
	var found []spool.Key
	for kind := firstKind; kind <= lastKind; kind++ {
		if kind == kindVoided {
			continue
		}
		k, ok, err := a.key(press, kind, v.TargetSourceKey)
		if err != nil {
			return err
		}
		if ok {
			found = append(found, k)
		}
	}
	switch len(found) {
	case 0:
		it.bad = []eventlog.Violation{{Field: "voided.target_source_key", Reason: fmt.Sprintf("%q was not accepted by this agent in the last 35 days", v.TargetSourceKey)}}
	case 1:
		v.Epoch, v.FirstSeq, v.LastSeq = found[0].Epoch, found[0].Seq, found[0].Seq
		if v.Epoch == 0 { // of this batch
			v.Epoch = a.sp.Epoch()
		}
		v.Earliest = &timestamppb.Timestamp{Seconds: floorDiv(found[0].Earliest, 1000), Nanos: int32(floorMod(found[0].Earliest, 1000)) * 1e6}
	default:
		it.bad = []eventlog.Violation{{Field: "voided.target_source_key", Reason: fmt.Sprintf("%q is the key of %d kinds of events: void by epoch and seq", v.TargetSourceKey, len(found))}}
	}
	return nil
}

func keyID(press string, kind byte, key string) string { return press + "\x00" + string(kind) + key }

func (a *accepter) key(press string, kind byte, key string) (spool.Key, bool, error) {
	if k, ok := a.keys[keyID(press, kind, key)]; ok {
		return k, true, nil
	}
	k, ok, err := a.sp.Key(press, kind, key)
	if err != nil {
		return k, false, fmt.Errorf("look up source key: %w", err)
	}
	return k, ok, nil
}

// stepped records that the agent's clock was set, for every press.
func (a *accepter) stepped(ctx context.Context, s step) error {
	at := stampOf(s.at)
	for i := range a.presses {
		it := item{press: i, ev: &pb.Event{Plant: a.presses[i].plant, Press: a.presses[i].press, OccurredAt: at, RecordedAt: stampOf(s.After),
			Body: &pb.Event_ClockStepped{ClockStepped: &pb.ClockStepped{Before: stampOf(s.Before), After: stampOf(s.After)}}}}
		if it.bad = eventlog.Validate(it.ev); it.bad == nil {
			if err := a.other(&it); err != nil {
				return err
			}
		}
		if it.bad != nil { // a clock of the year 10000
			a.counts.refused.Add(1)
			a.refuse(Refusal{Source: "clock", Field: it.bad[0].Field, Reason: it.bad[0].Reason})
		}
	}
	return a.commit(ctx)
}

// stampOf is a time in whole milliseconds.
func stampOf(t time.Time) *timestamppb.Timestamp {
	return timestamppb.New(t.Truncate(time.Millisecond))
}

// add puts a record into the press's open block.
func (a *accepter) add(press int, record []byte, ms int64) {
	st := &a.states[press]
	b := st.block
	if b != nil && (b.Count >= eventlog.MaxFrameEvents || len(b.Records)+len(record) > blockBytes) {
		a.batch.Blocks = append(a.batch.Blocks, *b)
		b = nil
	}
	if b == nil {
		b = &spool.Block{Press: a.presses[press].name, First: st.next}
		st.block = b
	}
	b.Add(record, ms)
	st.next++
	a.events++
	a.bytes += len(record)
}

// commit makes the batch durable. It tries for as long as the disk or the
// spool is full; only ctx ends that, and nothing of the batch is accepted
// then.
func (a *accepter) commit(ctx context.Context) error {
	if a.events == 0 && len(a.pos) == 0 {
		a.done(nil)
		return nil
	}
	var touched []int
	for i := range a.states {
		st := &a.states[i]
		if st.block != nil {
			a.batch.Blocks = append(a.batch.Blocks, *st.block)
			st.block = nil
			touched = append(touched, i)
		}
		a.batch.Covered = append(a.batch.Covered, st.added...)
		st.added = st.added[:0]
	}
	for id, p := range a.pos {
		a.batch.Positions = append(a.batch.Positions, spool.Position{Source: id, Data: p})
	}
	wait, alarmed := 20*time.Millisecond, false
	for {
		err := a.sp.Commit(&a.batch)
		if err == nil {
			break
		}
		if !alarmed {
			alarmed = true
			a.counts.full.Store(errors.Is(err, spool.ErrFull))
			a.alarm(true, err)
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return fmt.Errorf("stopped before the last %d events were accepted: %w", a.events, err)
		case <-a.line.roll:
			if err := a.roll(ctx); err != nil {
				return err
			}
		case <-t.C:
		}
		wait = min(2*wait, time.Second)
	}
	if alarmed {
		a.counts.full.Store(false)
		a.alarm(false, nil)
	}
	a.done(touched)
	return nil
}

func (a *accepter) done(touched []int) {
	a.counts.accepted.Add(uint64(a.events))
	a.counts.duplicates.Add(a.dup)
	a.events, a.bytes, a.dup = 0, 0, 0
	a.batch = spool.Batch{}
	clear(a.keys)
	clear(a.pos)
	if len(touched) > 0 {
		a.committed(touched)
	}
}

// Kinds of bodies, by their field number.
const (
	firstKind  byte = 11
	kindVoided byte = 21
	lastKind   byte = 23
)

func bodyKind(e *pb.Event) byte {
	switch e.Body.(type) {
	case *pb.Event_CleaningOpened:
		return 11
	case *pb.Event_CleaningClosed:
		return 12
	case *pb.Event_StationSignedOff:
		return 13
	case *pb.Event_StationSkipped:
		return 14
	case *pb.Event_ReasonNoted:
		return 15
	case *pb.Event_DefectSeen:
		return 16
	case *pb.Event_WasteBooked:
		return 17
	case *pb.Event_JobStarted:
		return 18
	case *pb.Event_JobEnded:
		return 19
	case *pb.Event_JobCorrected:
		return 20
	case *pb.Event_Voided:
		return 21
	case *pb.Event_PeriodClosed:
		return 22
	case *pb.Event_ClockStepped:
		return 23
	}
	return 0
}

// earliest instant an event speaks of, unix ms.
func earliest(e *pb.Event) int64 {
	t := ms(e.OccurredAt)
	switch b := e.Body.(type) {
	case *pb.Event_ReasonNoted:
		t = min(t, ms(b.ReasonNoted.From))
	case *pb.Event_WasteBooked:
		t = min(t, ms(b.WasteBooked.From))
	}
	return t
}

func floorDiv(a, b int64) int64 { return (a - floorMod(a, b)) / b }

func floorMod(a, b int64) int64 { return (a%b + b) % b }
