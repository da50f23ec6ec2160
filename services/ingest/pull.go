package ingest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
)

// pullMessages is the most messages that one request asks for.
const pullMessages = 100

// batch is what is stored and acknowledged together.
type batch struct {
	frames []*eventlog.Frame
	dead   []Dead          // frames that cannot be read
	good   []jetstream.Msg // acknowledged once the batch is stored
	bad    []deadMsg       // taken off once their dead letters are stored
	events int
	bytes  int
	// redriven are frames that a person had sent again, letters the dead frames among them that can be read now.
	redriven map[*eventlog.Frame]bool
	letters  []DeadSeqs
}

// RedriveHeader marks a message by which a person sends a dead letter again; its value is how the hash of the letter's
// payload begins. Such events pass a quarantine of their epoch.
const RedriveHeader = "Downweb-Redrive"

type deadMsg struct {
	msg    jetstream.Msg
	reason string
}

// growWait is how long a batch that could go, but finds the one before it still being stored, waits for more at a time.
const growWait = 20 * time.Millisecond

// fullWait bounds how long a batch that grows fast enough to be full by then waits to be, though the store is free: an
// INSERT has a cost beside that of its rows, so that small ones only make the next batches wait longer.
const fullWait = 800 * time.Millisecond

// soonFull says that a batch, at the rate at which it has grown since start, is full within fullWait after its first wait.
func (in *Ingest) soonFull(b *batch, start time.Time) bool {
	took, most := time.Since(start), in.cfg.BatchWait+fullWait
	return took < most && float64(b.events)*most.Seconds() >= float64(in.cfg.BatchEvents)*took.Seconds()
}

// pull takes batches off the stream until ctx ends. While one is stored it fills the next, which grows until it is full,
// or the store is free and it would not be full soon: under load batches are as large as they may be, and INSERTs few.
func (in *Ingest) pull(ctx context.Context, out chan<- *batch) error {
	defer close(out)
	var cons jetstream.Consumer
	for ctx.Err() == nil {
		if cons == nil {
			var err error
			if cons, err = in.consumer(ctx); err != nil {
				in.log.Warn("waiting for the stream", "err", err)
				in.pause(ctx, time.Second)
				continue
			}
		}
		b := &batch{}
		start := time.Now()
		err := in.fill(ctx, cons, b, in.cfg.BatchWait)
		began, handed, grows := time.Now(), false, true
		for err == nil && !handed && len(b.good)+len(b.bad) > 0 && in.room(b) && time.Since(began) < in.cfg.AckWait/3 && ctx.Err() == nil {
			if grows && in.soonFull(b, start) {
				events := b.events
				err = in.fill(ctx, cons, b, growWait)
				grows = b.events > events
				continue
			}
			select {
			case out <- b:
				handed = true
			default:
				err = in.fill(ctx, cons, b, growWait)
			}
		}
		if err != nil && ctx.Err() == nil {
			in.log.Warn("pull from the stream", "err", err)
			in.pause(ctx, 500*time.Millisecond)
			cons = nil // made again: the stream may be another one
		}
		if handed || len(b.good)+len(b.bad) == 0 {
			continue
		}
		stop := b.keep(ctx, in.cfg.AckWait)
		select {
		case out <- b:
			stop()
		case <-ctx.Done():
			stop()
			b.giveBack()
			return nil
		}
	}
	return nil
}

func (in *Ingest) consumer(ctx context.Context) (jetstream.Consumer, error) {
	call, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	cons, err := eventlog.Consumer(call, in.deps.JS, in.wh.WarehouseID())
	if err != nil {
		return nil, err
	}
	// Whoever takes the work over gets what was in hand after this time: it is short because a batch that takes longer
	// says that it is in progress.
	cfg := cons.CachedInfo().Config
	if cfg.AckWait == in.cfg.AckWait && cfg.MaxAckPending == 2*in.cfg.BatchMessages {
		return cons, nil
	}
	cfg.AckWait = in.cfg.AckWait
	// One batch is stored while the next is filled: what the warehouse does not take stays in the stream.
	cfg.MaxAckPending = 2 * in.cfg.BatchMessages
	cons, err = in.deps.JS.UpdateConsumer(call, eventlog.StreamPress, cfg)
	if err != nil {
		return nil, fmt.Errorf("consumer of warehouse %016x: %w", in.wh.WarehouseID(), err)
	}
	return cons, nil
}

// room says that a batch is not full.
func (in *Ingest) room(b *batch) bool {
	return b.events < in.cfg.BatchEvents && b.bytes < in.cfg.BatchBytes && len(b.good)+len(b.bad) < in.cfg.BatchMessages
}

// fill pulls until the batch is full or wait is over.
func (in *Ingest) fill(ctx context.Context, cons jetstream.Consumer, b *batch, wait time.Duration) error {
	end := time.Now().Add(wait)
	for in.room(b) && ctx.Err() == nil {
		left := time.Until(end)
		if left <= 0 {
			break
		}
		// As many frames as surely fit, if all of them are full.
		n := max(1, min(pullMessages, (in.cfg.BatchEvents-b.events)/eventlog.MaxFrameEvents, (in.cfg.BatchBytes-b.bytes)/eventlog.MaxPayload,
			in.cfg.BatchMessages-len(b.good)-len(b.bad)))
		msgs, err := cons.Fetch(n, jetstream.FetchMaxWait(max(left, 2*time.Millisecond)))
		if err != nil {
			return fmt.Errorf("fetch: %w", err)
		}
		for m := range msgs.Messages() {
			in.take(b, m)
		}
		if err := msgs.Error(); err != nil && !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, jetstream.ErrNoMessages) {
			return fmt.Errorf("fetch: %w", err)
		}
	}
	return nil
}

// take decodes a message into the batch.
func (in *Ingest) take(b *batch, m jetstream.Msg) {
	in.metrics.Frames.Add(1)
	b.bytes += len(m.Data())
	plant, press, ok := eventlog.ParseStreamSubject(m.Subject())
	f, err := eventlog.DecodeFrame(m.Data())
	var newer *eventlog.VersionError
	switch {
	case errors.As(err, &newer):
		// The agent holds it until the mark covers it, which it does not: a later version asks for it again.
		in.metrics.HeldBack.Add(1)
		in.log.Warn("a frame is newer than this program and stays with its agent", "subject", m.Subject(), "version", newer.Version)
		in.mu.Lock()
		if ok && in.heldBack != nil {
			in.heldBack[plant+"/"+press]++
		}
		in.mu.Unlock()
		b.good = append(b.good, m)
		return
	case err != nil:
	case !ok:
		err = fmt.Errorf("the subject %q names no press", m.Subject())
	case f.Header.Plant != plant || f.Header.Press != press:
		err = fmt.Errorf("a frame of %s/%s came as one of %s/%s", f.Header.Plant, f.Header.Press, plant, press)
	}
	if err != nil {
		in.metrics.DeadFrames.Add(1)
		in.log.Warn("a frame is put aside", "subject", m.Subject(), "err", err)
		b.dead = append(b.dead, Dead{Plant: plant, Press: press, Payload: m.Data(), Subject: m.Subject(), Reason: err.Error(), At: in.cfg.Now()})
		b.bad = append(b.bad, deadMsg{m, err.Error()})
		return
	}
	if hash := m.Headers().Get(RedriveHeader); hash != "" {
		if b.redriven == nil {
			b.redriven = map[*eventlog.Frame]bool{}
		}
		b.redriven[f] = true
		b.letters = append(b.letters, DeadSeqs{Plant: plant, Press: press, Seqs: []uint64{0}, Hash: hash})
	}
	b.frames = append(b.frames, f)
	b.good = append(b.good, m)
	b.events += len(f.Events)
}

// messages are all that the batch has in hand.
func (b *batch) messages() []jetstream.Msg {
	all := b.good[:len(b.good):len(b.good)]
	for _, d := range b.bad {
		all = append(all, d.msg)
	}
	return all
}

// keep tells the stream, until stop is called, that the batch is in work.
func (b *batch) keep(ctx context.Context, ackWait time.Duration) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() {
		t := time.NewTicker(ackWait / 3)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-t.C:
				for _, m := range b.messages() {
					m.InProgress()
				}
			}
		}
	})
	return func() {
		cancel()
		wg.Wait()
	}
}

// release gives back the memory of the batch's events: nobody uses them any more.
func (b *batch) release() {
	for _, f := range b.frames {
		f.Release()
	}
	b.frames = nil
}

// giveBack lets the next holder have the messages at once.
func (b *batch) giveBack() {
	for _, m := range b.messages() {
		m.Nak()
	}
}

// acknowledge takes the batch off the stream. What is lost here is delivered again and dropped by the marks.
func (b *batch) acknowledge(ctx context.Context) error {
	for _, d := range b.bad {
		d.msg.TermWithReason(d.reason)
	}
	if len(b.good) == 0 {
		return nil
	}
	last := len(b.good) - 1
	for _, m := range b.good[:last] {
		m.Ack()
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	return b.good[last].DoubleAck(ctx)
}
