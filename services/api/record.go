package api

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

const (
	// futureLimit is how far after now an event may lie, pastLimit how far
	// before: what ingest would put aside is refused here.
	futureLimit = 10 * time.Minute
	pastLimit   = 10 * 365 * 24 * time.Hour
	// recordLimit bounds the wait for the mark where the client set no
	// deadline.
	recordLimit = 30 * time.Second
)

// RecordEvents records events of one press by hand. OK means stored.
func (v *eventService) RecordEvents(ctx context.Context, req *pb.RecordEventsRequest) (*pb.RecordEventsResponse, error) {
	if v.s.deps.Writer == nil {
		return nil, errNoWriter
	}
	evs := make([]*pb.Event, len(req.GetEvents()))
	for i, e := range req.GetEvents() {
		evs[i] = proto.Clone(e).(*pb.Event)
		if err := v.prepare(evs[0], evs[i], fmt.Sprintf("events[%d].", i)); err != nil {
			return nil, err
		}
	}
	f, err := v.s.inScope(ctx, nil)
	if err != nil {
		return nil, err
	}
	if id := evs[0].Plant + "/" + evs[0].Press; f.presses[id] == nil {
		return nil, notFound("press", id)
	}
	ids, err := v.s.record(ctx, req.GetRequestId(), evs)
	if err != nil {
		return nil, err
	}
	return &pb.RecordEventsResponse{Ids: ids}, nil
}

// prepare checks one event and fills in what the server knows better.
func (v *eventService) prepare(first, e *pb.Event, at string) error {
	if e.GetVoided() != nil {
		return invalid(at+"voided", "is recorded by VoidEvent, which looks the event up")
	}
	if e.Plant != first.Plant {
		return invalid(at+"plant", "all events of a request are of one press")
	}
	if e.Press != first.Press {
		return invalid(at+"press", "all events of a request are of one press")
	}
	if s := e.GetSlice(); s != nil && e.OccurredAt == nil {
		e.OccurredAt = s.From
	}
	for _, x := range v.check(e) {
		return invalid(at+x.Field, x.Reason)
	}
	now := v.s.now()
	for _, t := range []struct {
		field string
		at    time.Time
		set   bool
	}{{"occurred_at", e.GetOccurredAt().AsTime(), true}, {"recorded_at", e.GetRecordedAt().AsTime(), e.RecordedAt != nil}} {
		switch {
		case t.set && t.at.After(now.Add(futureLimit)):
			return invalid(at+t.field, "lies in the future: "+t.at.Format(time.RFC3339))
		case t.set && t.at.Before(now.Add(-pastLimit)):
			return invalid(at+t.field, "lies too far in the past: "+t.at.Format(time.RFC3339))
		}
	}
	if m, f := bodyField(e, "crew"); f != nil && m.Get(f).String() != "" {
		p, err := v.s.deps.Writer.Pseudonym(e.Plant, e.GetOccurredAt().AsTime(), m.Get(f).String())
		if err != nil {
			return err
		}
		m.Set(f, protoreflect.ValueOfString(p))
	}
	return nil
}

// epochOf is the epoch of what a request records: the first 8 bytes, big
// endian, of the SHA-256 of its id.
func epochOf(requestID string) uint64 {
	h := sha256.Sum256([]byte(requestID))
	return binary.BigEndian.Uint64(h[:])
}

// record stores events of one press under the request's epoch, once. What is
// there already from an earlier try with the same id must be the same.
func (s *Server) record(ctx context.Context, requestID string, evs []*pb.Event) ([]string, error) {
	if s.deps.Writer == nil {
		return nil, errNoWriter
	}
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, recordLimit)
		defer cancel()
	}
	ids := make([]string, len(evs))
	now := stamp(s.now().UnixMilli())
	for i, e := range evs {
		e.Epoch, e.Seq = epochOf(requestID), uint64(i+1)
		if e.RecordedAt == nil {
			e.RecordedAt = now
		}
		ids[i] = eventID(e)
	}
	there, err := s.recorded(ctx, evs)
	if err != nil || there == len(evs) {
		return ids, err
	}
	if err := s.deps.Writer.Record(ctx, evs); err != nil {
		return nil, err
	}
	// The mark also covers what ingest put aside.
	stored, err := s.deps.Reader.Stored(ctx, evs)
	if err != nil || len(stored) == len(evs) {
		return ids, err
	}
	// A void that an earlier try said at another instant is in the log too.
	if there, err = s.recorded(ctx, evs); err != nil || there == len(evs) {
		return ids, err
	}
	for i, e := range evs {
		if !stored[e.Seq] {
			return nil, withDetails(codes.FailedPrecondition, fmt.Sprintf("events[%d] (%s) was put aside by ingest: see the dead letters", i, ids[i]))
		}
	}
	return ids, nil
}

// recorded counts the events that an earlier try with the same id has stored.
// They must be the same; some may be missing where that try broke off.
func (s *Server) recorded(ctx context.Context, evs []*pb.Event) (int, error) {
	old, err := s.deps.Reader.EpochEvents(ctx, evs[0].Plant, evs[0].Press, evs[0].Epoch, len(evs)+1)
	if err != nil {
		return 0, err
	}
	for _, e := range old {
		seq := e.Event.GetSeq()
		if seq == 0 || seq > uint64(len(evs)) {
			return 0, invalid("request_id", "was used before for more events")
		}
		if !sameEvent(e.Event, evs[seq-1]) {
			return 0, invalid("request_id", "was used before for other events")
		}
	}
	return len(old), nil
}

// sameEvent compares what two tries say; when they were taken down, and of a
// void also when it was said, is the server's clock.
func sameEvent(a, b *pb.Event) bool {
	strip := func(e *pb.Event) *pb.Event {
		e = proto.Clone(e).(*pb.Event)
		e.RecordedAt = nil
		if e.GetVoided() != nil {
			e.OccurredAt = nil
		}
		return e
	}
	return proto.Equal(strip(a), strip(b))
}
