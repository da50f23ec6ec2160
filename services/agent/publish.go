package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent/clock"
	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
)

const (
	window     = 4               // frames of a press in flight
	ackTimeout = 5 * time.Second // of the log's acknowledgement
	markEvery  = 30 * time.Second
	askTimeout = 2 * time.Second
	maxLost    = 100 // ranges told in one question
)

// pusher sends one press's events and asks for its mark.
type pusher struct {
	press    pressName
	sp       *spool.Spool
	log      *slog.Logger
	counts   *counters
	inFlight chan struct{} // frames, over all presses
	busy     chan struct{} // presses that have read and now send: what bounds memory
	wake     chan struct{} // new events
	sent     chan struct{} // something was published

	line   *line
	clock  func() time.Time
	offset *clock.Offset

	markDelay func() time.Duration
	republish time.Duration

	// Of the line, guarded by its mutex: while it is unproven, the highest seq
	// that may be sent, whether the warehouse has answered, and with what, no
	// higher than bound.
	bound, reached uint64
	answered       bool

	published atomic.Uint64 // last seq the log has acknowledged
	mark      atomic.Uint64 // last seq the warehouse has confirmed
	rewind    atomic.Uint64 // send again from here; 0: no
	waiting   atomic.Bool   // for a server that understands our frames
	lost      atomic.Uint64 // events in damaged blocks, not yet passed by the mark when Run began
	lostMu    sync.Mutex
	ranges    []spool.CorruptError // set aside in this epoch

	lastPublish atomic.Int64 // unix ns

	asking    sync.Mutex // guards what follows
	warehouse uint64
	below     bool
	lastTrim  time.Time
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// restart after a roll: the line's gate is held.
func (p *pusher) restart() {
	p.bound, p.reached, p.answered = 0, 0, false
	p.mark.Store(0)
	p.published.Store(0)
	p.rewind.Store(1)
	p.lostMu.Lock()
	p.ranges = nil
	p.lostMu.Unlock()
	p.asking.Lock()
	p.below = false
	p.asking.Unlock()
	signal(p.wake)
}

// publish sends what the spool holds, for ever.
func (p *pusher) publish(ctx context.Context, nc *nats.Conn, js jetstream.JetStream) error {
	st := p.sp.State(p.press.name)
	if p.line.limit(p) != noLimit || st.Last > st.Trimmed {
		_ = p.ask(ctx, nc) // so that only what is missing is sent
	}
	next := p.mark.Load() + 1
	p.published.Store(next - 1)
	wait, failing := 50*time.Millisecond, false
	again := 200 * time.Millisecond // until the next question of an unproven line
	for ctx.Err() == nil {
		if p.waiting.Load() {
			sleep(ctx, time.Second)
			continue
		}
		n, err := p.step(ctx, js, &next)
		if errors.Is(err, errSpool) {
			return err
		}
		if err == nil && n == 0 {
			var ask <-chan time.Time
			if p.line.limit(p) != noLimit {
				t := time.NewTimer(again/2 + rand.N(again))
				ask, again = t.C, min(2*again, 5*time.Second)
			}
			select {
			case <-ctx.Done():
			case <-p.wake:
			case <-ask:
				_ = p.ask(ctx, nc)
			}
			continue
		}
		if err == nil {
			if failing {
				p.log.Info("publishing again", "press", p.press.name)
			}
			wait, failing = 50*time.Millisecond, false
			continue
		}
		p.counts.retries.Add(1)
		if !failing && ctx.Err() == nil {
			failing = true
			p.log.Warn("publish failed, trying again", "press", p.press.name, "err", err)
		}
		sleep(ctx, wait/2+rand.N(wait))
		wait = min(2*wait, 5*time.Second)
	}
	return nil
}

const noLimit = 1<<64 - 1

var errSpool = errors.New("spool")

// step sends some frames from next on and returns how many; 0 without an
// error: there is nothing to send.
func (p *pusher) step(ctx context.Context, js jetstream.JetStream, next *uint64) (int, error) {
	select {
	case p.busy <- struct{}{}:
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	defer func() { <-p.busy }()
	p.line.gate.RLock()
	defer p.line.gate.RUnlock()
	if r := p.rewind.Swap(0); r != 0 && r < *next {
		*next = r
	}
	blocks, err := p.read(next, p.line.limit(p))
	if err != nil {
		return 0, fmt.Errorf("%w: %w", errSpool, err)
	}
	if len(blocks) == 0 {
		return 0, nil
	}
	n, err := p.send(ctx, js, blocks)
	if n > 0 {
		*next = blocks[n-1].Last() + 1
		if *next-1 > p.published.Load() {
			p.published.Store(*next - 1)
		}
		p.lastPublish.Store(time.Now().UnixNano())
		signal(p.sent)
	}
	return n, err
}

// setAside takes a damaged block out of the way and remembers what it held.
func (p *pusher) setAside(bad *spool.CorruptError) error {
	p.log.Error("spool block is damaged and set aside", "press", bad.Press, "first", bad.First, "last", bad.Last, "err", bad.Err)
	if err := p.sp.Quarantine(bad); err != nil {
		return err
	}
	p.lostMu.Lock()
	p.ranges = append(p.ranges, *bad)
	p.lostMu.Unlock()
	p.lost.Add(bad.Last - bad.First + 1)
	p.counts.lost.Add(bad.Last - bad.First + 1)
	signal(p.sent) // the warehouse is to be told
	return nil
}

// lostRanges of the epoch that lie above mark and not above limit, as they
// are told to the warehouse.
func (p *pusher) lostRanges(mark, limit uint64) []*pb.LostRange {
	p.lostMu.Lock()
	defer p.lostMu.Unlock()
	var out []*pb.LostRange
	for _, r := range p.ranges {
		if r.Last > mark && r.Last <= limit && len(out) < maxLost {
			reason := "damaged spool block: " + fmt.Sprint(r.Err)
			out = append(out, &pb.LostRange{FirstSeq: r.First, LastSeq: r.Last, Reason: reason[:min(len(reason), 200)]})
		}
	}
	return out
}

// read takes up to window frames' worth from next to limit, setting damaged
// blocks aside.
func (p *pusher) read(next *uint64, limit uint64) ([]*spool.Block, error) {
	var out []*spool.Block
	from := *next
	for len(out) < window {
		if from > limit {
			return out, nil
		}
		// No block lies across a limit, so that a count keeps within it.
		b, err := p.sp.Read(p.press.name, from, int(min(eventlog.MaxFrameEvents, limit-from+1)), eventlog.MaxFrameBytes)
		var bad *spool.CorruptError
		if errors.As(err, &bad) {
			if len(out) > 0 {
				return out, nil
			}
			if err := p.setAside(bad); err != nil {
				return nil, err
			}
			from = max(from, bad.Last+1)
			*next = from
			p.published.Store(max(p.published.Load(), from-1)) // all before it is sent
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("read spool: %w", err)
		}
		if b == nil {
			return out, nil
		}
		out = append(out, b)
		from = b.Last() + 1
	}
	return out, nil
}

// send publishes frames at once and waits for all. It returns how many of the
// first were acknowledged.
func (p *pusher) send(ctx context.Context, js jetstream.JetStream, blocks []*spool.Block) (int, error) {
	futures := make([]jetstream.PubAckFuture, 0, len(blocks))
	var sendErr error
	taken := 0
	defer func() {
		for range taken {
			<-p.inFlight
		}
	}()
blocks:
	for _, b := range blocks {
		select {
		case p.inFlight <- struct{}{}:
			taken++
		default:
			if taken > 0 { // who holds some must not wait for more: all presses could
				break blocks
			}
			select {
			case p.inFlight <- struct{}{}:
				taken++
			case <-ctx.Done():
				return 0, ctx.Err()
			}
		}
		m, err := p.frame(b)
		if err != nil {
			return 0, err
		}
		f, err := js.PublishMsgAsync(m)
		if err != nil {
			sendErr = err
			break
		}
		futures = append(futures, f)
	}
	timeout := time.NewTimer(ackTimeout + time.Second)
	defer timeout.Stop()
	for i, f := range futures {
		select {
		case <-f.Ok(): // a duplicate is as good
		case err := <-f.Err():
			return i, err
		case <-timeout.C:
			return i, errors.New("no acknowledgement")
		case <-ctx.Done():
			return i, ctx.Err()
		}
	}
	return len(futures), sendErr
}

func (p *pusher) frame(b *spool.Block) (*nats.Msg, error) {
	data, err := eventlog.EncodeFrame(&pb.FrameHeader{
		Plant: p.press.plant, Press: p.press.press, Epoch: p.sp.Epoch(), FirstSeq: b.First, Count: b.Count,
		MinOccurredMs: b.MinMs, MaxOccurredMs: b.MaxMs,
	}, b.Records)
	if err != nil {
		return nil, err
	}
	m := nats.NewMsg(eventlog.PressSubject(p.press.plant, p.press.press))
	m.Data = data
	m.Header.Set(jetstream.MsgIDHeader, fmt.Sprintf("%s/%016x/%d-%d", p.press.name, p.sp.Epoch(), b.First, b.Last()))
	return m, nil
}

// marks asks for the mark after each publish and, while anything is
// unconfirmed, again and again: soon first, every 30 s at last.
func (p *pusher) marks(ctx context.Context, nc *nats.Conn) error {
	delay := p.markDelay()
	due := time.Now().Add(delay)
	stuckSince, again := time.Now(), p.republish
	last := uint64(0)
	for {
		if p.mark.Load() >= p.sp.State(p.press.name).Last {
			select {
			case <-ctx.Done():
				return nil
			case <-p.sent:
			}
			delay = p.markDelay()
			due = time.Now().Add(delay)
		}
		t := time.NewTimer(time.Until(due))
		select {
		case <-ctx.Done():
			t.Stop()
			return nil
		case <-p.sent:
			t.Stop()
			delay = p.markDelay()
			if soon := time.Now().Add(delay); soon.Before(due) {
				due = soon
			}
			continue
		case <-t.C:
		}
		answered := p.ask(ctx, nc) == nil
		now, mark := time.Now(), p.mark.Load()
		if mark != last {
			last, stuckSince, again = mark, now, p.republish
			delay = p.markDelay()
		} else {
			delay = min(2*delay, markEvery)
		}
		due = now.Add(delay)
		if sent := time.Unix(0, p.lastPublish.Load()); sent.After(stuckSince) {
			stuckSince = sent
		}
		if answered && mark < p.published.Load() && now.Sub(stuckSince) >= again {
			p.log.Warn("the mark does not move: sending again from it", "press", p.press.name, "mark", mark, "published", p.published.Load())
			p.rewind.Store(mark + 1)
			signal(p.wake)
			stuckSince, again = now, min(2*again, 30*time.Minute)
		}
	}
}

// ask for the mark once and act on it.
func (p *pusher) ask(ctx context.Context, nc *nats.Conn) error {
	p.line.gate.RLock()
	defer p.line.gate.RUnlock()
	p.asking.Lock()
	defer p.asking.Unlock()
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	st := p.sp.State(p.press.name)
	req := &pb.MarkRequest{Epoch: p.sp.Epoch(), LastSeq: st.Last, FirstSeq: st.Trimmed + 1, Lost: p.lostRanges(p.mark.Load(), p.line.limit(p))}
	asked := p.clock()
	r, err := eventlog.AskMark(ctx, nc, p.press.plant, p.press.press, req)
	if err != nil {
		return err
	}
	if r.ServerMs != 0 {
		p.offset.Add(asked, p.clock(), time.UnixMilli(r.ServerMs))
	}
	if older := r.FrameVersion != 0 && r.FrameVersion < eventlog.FrameVersion; older != p.waiting.Swap(older) && older {
		p.log.Warn("waiting for a newer server", "press", p.press.name, "its_frame_version", r.FrameVersion, "ours", eventlog.FrameVersion)
	}
	if p.warehouse != 0 && p.warehouse != r.WarehouseId {
		p.log.Warn("another warehouse answers", "press", p.press.name, "was", p.warehouse, "is", r.WarehouseId)
	}
	p.warehouse = r.WarehouseId
	st = p.sp.State(p.press.name)
	mark, err := p.line.answer(p, r.Mark, st.Last, r.Quarantined)
	if err != nil {
		return err
	}
	if below := mark < min(st.Trimmed, p.line.limit(p)); below != p.below {
		p.below = below
		if below {
			p.log.Error("the warehouse lacks events this agent no longer has", "press", p.press.name, "mark", mark, "trimmed", st.Trimmed)
		}
	}
	p.mark.Store(mark)
	if mark <= st.Trimmed {
		return nil
	}
	if held, most := p.sp.Held(); mark == st.Last || held > most/2 || time.Since(p.lastTrim) > time.Second {
		p.lastTrim = time.Now()
		if _, err := p.sp.Trim(p.press.name, mark); err != nil {
			p.log.Error("trim failed", "press", p.press.name, "err", err)
		}
	}
	return nil
}
