package main

import (
	"context"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/eventlog"
)

// apiWriter records events by hand: publishes to the stream, then the mark.
type apiWriter struct {
	nc     *nats.Conn
	js     jetstream.JetStream
	badges *eventlog.Badges
}

// Check says what is wrong with an event.
func (w *apiWriter) Check(e *pb.Event) []api.Violation {
	var out []api.Violation
	for _, v := range eventlog.Validate(e) {
		out = append(out, api.Violation(v))
	}
	return out
}

// Pseudonym stands for a badge.
func (w *apiWriter) Pseudonym(plant string, at time.Time, badge string) (string, error) {
	return w.badges.Pseudonym(plant, at, badge)
}

// frameBytes is how large the records of one frame get before the next begins.
const frameBytes = 200 << 10

// Record publishes events of one press and epoch, seqs without a hole, and waits until the mark covers the last.
// The error is the context's where it ends first: then it is not known whether they were stored.
func (w *apiWriter) Record(ctx context.Context, evs []*pb.Event) error {
	for len(evs) > 0 {
		n, err := w.publish(ctx, evs)
		if err != nil {
			return err
		}
		if n == len(evs) {
			return w.await(ctx, evs[n-1])
		}
		evs = evs[n:]
	}
	return nil
}

// publish sends one frame and says how many events it took.
func (w *apiWriter) publish(ctx context.Context, evs []*pb.Event) (int, error) {
	first := evs[0]
	h := &pb.FrameHeader{Plant: first.Plant, Press: first.Press, Epoch: first.Epoch, FirstSeq: first.Seq}
	var records []byte
	for _, e := range evs {
		next, err := eventlog.AppendEvent(records, e)
		if err != nil {
			return 0, err
		}
		if h.Count > 0 && len(next) > frameBytes {
			break
		}
		at := eventlog.OccurredMs(e)
		if h.Count == 0 {
			h.MinOccurredMs, h.MaxOccurredMs = at, at
		}
		h.MinOccurredMs, h.MaxOccurredMs = min(h.MinOccurredMs, at), max(h.MaxOccurredMs, at)
		h.Count++
		records = next
	}
	frame, err := eventlog.EncodeFrame(h, records)
	if err != nil {
		return 0, err
	}
	last := h.FirstSeq + uint64(h.Count) - 1
	id := fmt.Sprintf("%s/%s/%016x/%d-%d", h.Plant, h.Press, h.Epoch, h.FirstSeq, last)
	if _, err := w.js.Publish(ctx, eventlog.StreamSubject(h.Plant, h.Press), frame, jetstream.WithMsgID(id)); err != nil {
		if ctx.Err() != nil {
			return 0, ctx.Err()
		}
		return 0, reached(fmt.Errorf("publish %s: %w", id, err))
	}
	return int(h.Count), nil
}

const (
	markTry   = 2 * time.Second        // for one answer
	markPause = 500 * time.Millisecond // longest pause between questions
)

// await asks for the mark of the press until it covers the event.
func (w *apiWriter) await(ctx context.Context, last *pb.Event) error {
	for pause := 20 * time.Millisecond; ; pause = min(2*pause, markPause) {
		try, cancel := context.WithTimeout(ctx, markTry)
		r, err := eventlog.AskMark(try, w.nc, last.Plant, last.Press, &pb.MarkRequest{Epoch: last.Epoch, FirstSeq: 1, LastSeq: last.Seq})
		cancel()
		if err == nil && r.GetMark() >= last.Seq {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(pause):
		}
	}
}
