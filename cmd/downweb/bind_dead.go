package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ingest"
	"github.com/downweb/downweb/services/warehouse"
)

func letterOf(l warehouse.DeadLetter) api.DeadLetter {
	return api.DeadLetter{Plant: l.Plant, Press: l.Press, Epoch: l.Epoch, Seq: l.Seq, Hash: l.Hash, Payload: l.Payload, Size: l.Size,
		Subject: l.Subject, Field: l.Field, Reason: l.Reason, Clone: l.Clone, At: l.At, Done: l.Done}
}

func (r apiReader) ListDead(ctx context.Context, q api.DeadQuery) ([]api.DeadLetter, *api.DeadKey, error) {
	list, next, err := r.db.ListDead(ctx, warehouse.DeadQuery{Presses: q.Presses, Waiting: q.Waiting, After: (*warehouse.DeadKey)(q.After), Limit: q.Limit})
	out := make([]api.DeadLetter, len(list))
	for i, l := range list {
		out[i] = letterOf(l)
	}
	return out, (*api.DeadKey)(next), reached(err)
}

func (r apiReader) GetDead(ctx context.Context, plant, press string, epoch, seq uint64, hash string) (api.DeadLetter, error) {
	l, err := r.db.GetDead(ctx, plant, press, epoch, seq, hash)
	return letterOf(l), reached(err)
}

// ingestTimeout is how long a status waits for what ingest tells of itself.
const ingestTimeout = 2 * time.Second

// askIngest asks the ingest at work; nil where there is none.
func askIngest(ctx context.Context, nc *nats.Conn) (*pb.IngestStatus, error) {
	ctx, stop := context.WithTimeout(ctx, ingestTimeout)
	defer stop()
	st, err := ingest.AskStatus(ctx, nc)
	if errors.Is(err, ingest.ErrNoStatus) {
		return nil, nil
	}
	return st, err
}

// redrive puts a dead letter on the stream again: a frame as it came, an event in a frame of its own, under its own
// identity. refused says why that cannot be.
func redrive(ctx context.Context, js jetstream.JetStream, l api.DeadLetter) (refused string, err error) {
	m := &nats.Msg{Subject: l.Subject, Data: l.Payload, Header: nats.Header{}}
	if l.Seq > 0 {
		m.Subject = eventlog.StreamSubject(l.Plant, l.Press)
		if m.Data, err = letterFrame(l); err != nil {
			return err.Error(), nil
		}
	}
	if _, _, ok := eventlog.ParseStreamSubject(m.Subject); !ok {
		return fmt.Sprintf("its subject %q names no press", m.Subject), nil
	}
	m.Header.Set(ingest.RedriveHeader, l.Hash)
	// No message id: the stream would drop what is redriven twice within its window.
	if _, err := js.PublishMsg(ctx, m); err != nil {
		if ctx.Err() != nil {
			return "", ctx.Err()
		}
		if errors.Is(err, nats.ErrMaxPayload) {
			return "it is too large for the event log", nil
		}
		return "", reached(fmt.Errorf("redrive %s/%s/%016x/%d: %w", l.Plant, l.Press, l.Epoch, l.Seq, err))
	}
	return "", nil
}

// letterFrame is the frame of one dead event.
func letterFrame(l api.DeadLetter) ([]byte, error) {
	e := &pb.Event{}
	if err := proto.Unmarshal(l.Payload, e); err != nil {
		return nil, fmt.Errorf("its payload is no event: %w", err)
	}
	if e.Plant != l.Plant || e.Press != l.Press || e.Epoch != l.Epoch || e.Seq != l.Seq {
		return nil, errors.New("its payload is not the event that it is kept as")
	}
	records, err := eventlog.AppendEvent(nil, e)
	if err != nil {
		return nil, err
	}
	at := eventlog.OccurredMs(e)
	return eventlog.EncodeFrame(&pb.FrameHeader{Plant: l.Plant, Press: l.Press, Epoch: l.Epoch, FirstSeq: l.Seq, Count: 1, MinOccurredMs: at, MaxOccurredMs: at}, records)
}
