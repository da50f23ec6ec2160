package agent

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
)

// ErrOldCopy ends an agent that rolled to a new epoch and is told again, within
// the hour, of events under it that it does not have: two agents run on copies
// of one spool, or who answers for the warehouse is not it.
var ErrOldCopy = errors.New("the warehouse has events of this spool's epoch that the spool does not know of")

// line guards the identity of what is sent: no seq of an epoch is given to two
// events, though the spool may be a copy.
//
// A run begins unproven unless it made the spool: a press's events up to its
// bound are sent, for they are the same in every copy; those taken since wait
// until the warehouse has answered for every press. Where no mark is above its
// bound the spool is proven. Where one is, the spool is an older copy: what it
// holds up to the bounds is sent and confirmed first, then all else is
// numbered anew in a new epoch (Spool.Roll).
type line struct {
	sp   *spool.Spool
	log  *slog.Logger
	fail func(error)
	// roll asks the accepter to call rollNow.
	roll chan struct{}
	// gate is held to read by whoever reads, sends or asks, to write by a roll.
	gate sync.RWMutex

	mu       sync.Mutex
	pushers  []*pusher
	unproven bool
	old      bool
	asked    time.Time // of the roll
	last     time.Time // roll
	rolls    uint64
}

// patience with a drain before a roll that does not move: a hole below what is
// trimmed, which nobody can fill.
const rollPatience = 10 * time.Minute

// limit is the highest seq of p that may be sent.
func (l *line) limit(p *pusher) uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.unproven {
		return noLimit
	}
	return p.bound
}

// state for status.
func (l *line) state() (rolls uint64, unproven, old bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.rolls, l.unproven, l.old
}

// answer takes the warehouse's mark for p and returns what of it is about
// events this spool holds.
func (l *line) answer(p *pusher, mark, last uint64, quarantined bool) (uint64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.unproven || quarantined && !l.old {
		if mark <= last && !quarantined {
			return mark, nil
		}
		// Proven, and still there is another: a copy runs beside this one, or
		// what it sent came late. Which of the unconfirmed are whose cannot be
		// told: nothing more is sent under this epoch. The same where the
		// warehouse has found two contents under one identity and puts all of
		// this epoch aside.
		if err := l.again(p, mark, last); err != nil {
			return 0, err
		}
		if quarantined && mark <= last {
			p.mark.Store(mark) // up to here all is stored, or kept as dead letters
		}
		for _, q := range l.pushers {
			q.bound, q.answered = q.mark.Load(), true
			q.reached = q.bound
		}
		l.unproven = true
		l.found(p, mark, last)
	}
	p.answered = true
	if mark > p.bound && !l.old {
		if err := l.again(p, mark, p.bound); err != nil {
			return 0, err
		}
		l.found(p, mark, p.bound)
	}
	p.reached = min(mark, p.bound)
	all, drained := true, true
	for _, q := range l.pushers {
		all = all && q.answered
		drained = drained && q.answered && q.reached >= q.bound
	}
	switch {
	case l.old && (drained || all && time.Since(l.asked) > rollPatience):
		select {
		case l.roll <- struct{}{}:
		default:
		}
	case all && !l.old:
		if err := l.sp.Prove(); err != nil {
			return 0, err
		}
		l.unproven = false
		for _, q := range l.pushers {
			signal(q.wake)
		}
	}
	return p.reached, nil
}

// found says that the spool is an older copy. l.mu is held.
func (l *line) found(p *pusher, mark, last uint64) {
	l.old, l.asked = true, time.Now()
	l.log.Error("the spool is an older copy of itself, or runs twice: a new epoch is begun", "press", p.press.name,
		"mark", mark, "last", last, "epoch", fmt.Sprintf("%016x", l.sp.Epoch()))
}

// again refuses a second roll soon after the first. l.mu is held.
func (l *line) again(p *pusher, mark, last uint64) error {
	if l.rolls == 0 || time.Since(l.last) > time.Hour {
		return nil
	}
	err := fmt.Errorf("%s: mark %d is above seq %d of epoch %016x, begun %v ago: %w", p.press.name, mark, last, l.sp.Epoch(), time.Since(l.last).Round(time.Second), ErrOldCopy)
	l.fail(err)
	return err
}

// rollNow begins a new epoch. The accepter calls it: nothing is accepted
// meanwhile.
func (l *line) rollNow() (*spool.Rolled, error) {
	l.gate.Lock()
	defer l.gate.Unlock()
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.old {
		return nil, nil
	}
	keep := map[string]uint64{}
	for _, p := range l.pushers {
		keep[p.press.name] = p.reached
		if !p.answered {
			keep[p.press.name] = 0
		}
	}
	r, err := l.sp.Roll(keep, rewriteVoid)
	if err != nil {
		return nil, err
	}
	l.unproven, l.old = false, false
	l.rolls, l.last = l.rolls+1, time.Now()
	for _, p := range l.pushers {
		p.restart()
	}
	l.log.Error("a new epoch is begun", "was", fmt.Sprintf("%016x", r.Old), "is", fmt.Sprintf("%016x", r.New))
	return r, nil
}

// rewriteVoid lets a void name events of the new epoch where they are there.
func rewriteVoid(r *spool.Rolled, press string, record []byte) ([]byte, error) {
	e := &pb.Event{}
	if err := proto.Unmarshal(record, e); err != nil {
		return record, nil // kept as it is; the server decides
	}
	v := e.GetVoided()
	if v == nil || v.Epoch != r.Old {
		return record, nil
	}
	n := r.Presses[press]
	first, ok1 := n.Seq(v.FirstSeq)
	last, ok2 := n.Seq(v.LastSeq)
	if !ok1 || !ok2 || last-first != v.LastSeq-v.FirstSeq {
		return record, nil
	}
	v.Epoch, v.FirstSeq, v.LastSeq = r.New, first, last
	b, err := eventlog.AppendEvent(nil, e)
	if err != nil {
		return nil, err
	}
	_, w := binary.Uvarint(b) // AppendEvent puts the length before it
	return b[w:], nil
}

// rolled numbers what is accepted but not yet on disk anew.
func (a *accepter) rolled(r *spool.Rolled) error {
	var blocks []*spool.Block
	for i := range a.batch.Blocks {
		blocks = append(blocks, &a.batch.Blocks[i])
	}
	for i := range a.states {
		if b := a.states[i].block; b != nil {
			blocks = append(blocks, b)
		}
	}
	for _, b := range blocks {
		n := r.Presses[b.Press]
		if n == nil {
			n = spool.NewRenumbering()
			r.Presses[b.Press] = n
		}
		b.First = n.Add(b.First, b.Last())
	}
	for _, b := range blocks {
		records, err := spool.EachRecord(b.Records, func(rec []byte) ([]byte, error) { return rewriteVoid(r, b.Press, rec) })
		if err != nil {
			return err
		}
		b.Records = records
	}
	for i := range a.batch.Keys {
		k := &a.batch.Keys[i]
		if seq, ok := r.Presses[k.Press].Seq(k.Seq); ok {
			k.Seq = seq
		}
		a.keys[keyID(k.Press, k.Kind, k.Key)] = *k
	}
	for i := range a.states {
		n := r.Presses[a.presses[i].name]
		if n == nil {
			a.states[i].next = 1
			continue
		}
		a.states[i].next = n.Next()
	}
	return nil
}

// roll is called by the accepter when the line asks for it.
func (a *accepter) roll(ctx context.Context) error {
	r, err := a.line.rollNow()
	if err != nil || r == nil {
		return err
	}
	if err := a.rolled(r); err != nil {
		return err
	}
	var all []int
	for i := range a.states {
		all = append(all, i)
	}
	a.committed(all)
	return ctx.Err()
}
