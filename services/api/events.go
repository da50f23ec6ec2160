package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

type eventService struct {
	pb.UnimplementedEventServiceServer
	s *Server
}

// bodies are the kinds of event by the name of their body field.
var bodies = func() map[string]timeline.Kind {
	out := map[string]timeline.Kind{}
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		out[string(f.Name())] = timeline.Kind(f.Number())
	}
	return out
}()

func kindsOf(names []string) ([]timeline.Kind, error) {
	var out []timeline.Kind
	for i, n := range names {
		k, ok := bodies[n]
		if !ok {
			known := make([]string, 0, len(bodies))
			for name := range bodies {
				known = append(known, name)
			}
			slices.SortFunc(known, func(a, b string) int { return cmp.Compare(bodies[a], bodies[b]) })
			return nil, invalid(fmt.Sprintf("kinds[%d]", i), strconv.Quote(n)+" is not one of "+strings.Join(known, ", "))
		}
		out = append(out, k)
	}
	return out, nil
}

// kindOf is the number of an event's body; KindUnknown for one this program
// does not know.
func kindOf(e *pb.Event) timeline.Kind {
	m := e.ProtoReflect()
	f := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if f == nil {
		return timeline.KindUnknown
	}
	return timeline.Kind(f.Number())
}

// empty says whether a scope asks for all presses, those the registry does not
// name among them.
func empty(sc *pb.Scope) bool {
	return len(sc.GetPlants()) == 0 && len(sc.GetPresses()) == 0 && len(sc.GetKinds()) == 0
}

// ListEvents lists events by occurred_at, plant, press, kind, epoch and seq.
// All pages of a list see the log as it was at the first.
func (v *eventService) ListEvents(ctx context.Context, req *pb.ListEventsRequest) (*pb.ListEventsResponse, error) {
	kinds, err := kindsOf(req.GetKinds())
	if err != nil {
		return nil, err
	}
	q := EventQuery{Kinds: kinds, Limit: pageSize(req.GetPageSize())}
	if req.GetFrom() != nil {
		q.From = req.GetFrom().AsTime().UnixMilli()
	}
	if req.GetTo() != nil {
		q.To = req.GetTo().AsTime().UnixMilli()
		if q.To <= q.From {
			return nil, invalid("to", "must be after from")
		}
	}
	asks := question(req, func(m proto.Message) {
		r := m.(*pb.ListEventsRequest)
		r.PageSize, r.PageToken = 0, ""
	})
	token, more, err := parseToken[EventKey](req.GetPageToken(), asks)
	if err != nil {
		return nil, err
	}
	f, err := v.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.ListEventsResponse{}
	if resp.AsOf, err = v.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	if more {
		q.After = &token.Key
		resp.AsOf.Pos = token.Pos
	}
	q.MaxPos = resp.AsOf.Pos
	if !empty(req.GetScope()) {
		q.Presses = f.withPlants(req.GetScope())
	}
	if q.MaxPos == 0 || !empty(req.GetScope()) && len(f.scope) == 0 {
		return resp, nil
	}
	evs, last, err := v.s.deps.Reader.ListEvents(ctx, q)
	if err != nil {
		return nil, err
	}
	resp.Events = evs
	if len(evs) == q.Limit && last != nil {
		resp.NextPageToken = pageToken[EventKey]{Key: *last, Pos: q.MaxPos, Asks: asks}.String()
	}
	return resp, nil
}

const (
	watchBatch = 1000 // events read at once
	watchSend  = 500  // events sent at once
	watchTick  = time.Second
)

// WatchEvents streams events in the order they were stored. Every message says
// up to which insert number all has been sent: to resume there leaves nothing
// out, and repeats nothing unless the stream broke inside a large insert.
func (v *eventService) WatchEvents(req *pb.WatchEventsRequest, out pb.EventService_WatchEventsServer) error {
	ctx := out.Context()
	kinds, err := kindsOf(req.GetKinds())
	if err != nil {
		return err
	}
	f, err := v.s.inScope(ctx, req.GetScope())
	if err != nil {
		return err
	}
	wanted := func(e *pb.StoredEvent) bool {
		if len(kinds) > 0 && !slices.Contains(kinds, kindOf(e.Event)) {
			return false
		}
		_, in := slices.BinarySearch(f.scope, e.Event.Plant+"/"+e.Event.Press)
		return in || empty(req.GetScope()) || slices.Contains(f.withPlants(req.GetScope()), e.Event.Plant+"/"+e.Event.Press)
	}
	wake, stop := v.s.notices()
	defer stop()
	at := req.GetAfterPos()
	top, err := v.s.deps.Reader.MaxPos(ctx)
	if err != nil {
		return err
	}
	switch {
	case at == 0:
		at = top
	case at > top:
		return invalid("after_pos", fmt.Sprintf("%d is beyond what is stored, %d", at, top))
	}
	for {
		for at < top {
			evs, next, err := v.s.deps.Reader.EventsAfter(ctx, at, top, watchBatch)
			if err != nil {
				return err
			}
			evs = slices.DeleteFunc(evs, func(e *pb.StoredEvent) bool { return !wanted(e) })
			for len(evs) > watchSend {
				if err := out.Send(&pb.WatchEventsResponse{Events: evs[:watchSend], Pos: evs[watchSend].Pos - 1}); err != nil {
					return err
				}
				evs = evs[watchSend:]
			}
			if next <= at {
				return fmt.Errorf("events after pos %d: the answer covers nothing", at)
			}
			at = next
			if err := out.Send(&pb.WatchEventsResponse{Events: evs, Pos: at}); err != nil {
				return err
			}
		}
		if err := v.s.wait(ctx, wake, watchTick); err != nil {
			return err
		}
		if top, err = v.s.deps.Reader.MaxPos(ctx); err != nil {
			return err
		}
	}
}

// notices is a channel that gets a value when something was stored, as far as
// the notices reach this process: it is a hint.
func (s *Server) notices() (<-chan struct{}, func()) {
	wake := make(chan struct{}, 1)
	if s.deps.Stored == nil {
		return wake, func() {}
	}
	stop, err := s.deps.Stored(func(uint64) {
		select {
		case wake <- struct{}{}:
		default:
		}
	})
	if err != nil {
		s.log.Warn("no notices of what is stored: looking each second", "error", err)
		return wake, func() {}
	}
	return wake, stop
}

var errClosing = withDetails(codes.Unavailable, "this api is stopping: connect again")

// wait waits in a stream for a notice, a time, or the end.
func (s *Server) wait(ctx context.Context, wake <-chan struct{}, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-s.closing:
		return errClosing
	case <-wake:
	case <-t.C:
	}
	return nil
}

// parseEventID reads plant/press/epoch/seq.
func parseEventID(text string) (plant, press string, id timeline.ID, ok bool) {
	p := strings.Split(text, "/")
	if len(p) != 4 || len(p[2]) != 16 {
		return "", "", id, false
	}
	epoch, err1 := strconv.ParseUint(p[2], 16, 64)
	seq, err2 := strconv.ParseUint(p[3], 10, 64)
	return p[0], p[1], timeline.ID{Epoch: epoch, Seq: seq}, err1 == nil && err2 == nil && seq > 0
}

func eventID(e *pb.Event) string {
	return fmt.Sprintf("%s/%s/%016x/%d", e.Plant, e.Press, e.Epoch, e.Seq)
}

// VoidEvent takes one event back.
func (v *eventService) VoidEvent(ctx context.Context, req *pb.VoidEventRequest) (*pb.VoidEventResponse, error) {
	plant, press, id, ok := parseEventID(req.GetId())
	if !ok {
		return nil, invalid("id", "is not plant/press/epoch/seq, with the epoch as 16 hexadecimal digits")
	}
	target, err := v.s.deps.Reader.GetEvent(ctx, plant, press, id)
	if errors.Is(err, ErrNotFound) {
		return nil, notFound("event", req.GetId())
	}
	if err != nil {
		return nil, err
	}
	if target.Event.GetVoided() != nil {
		return nil, invalid("id", "names an event that takes another one back: that cannot be taken back; record what was voided again")
	}
	e := &pb.Event{Plant: plant, Press: press, OccurredAt: stamp(v.s.now().UnixMilli()), Body: &pb.Event_Voided{Voided: &pb.Voided{
		Epoch: id.Epoch, FirstSeq: id.Seq, LastSeq: id.Seq, Earliest: stamp(earliest(target.Event)), Why: req.GetWhy()}}}
	for _, x := range v.check(e) {
		return nil, invalid(strings.TrimPrefix(x.Field, "voided."), x.Reason)
	}
	ids, err := v.s.record(ctx, req.GetRequestId(), []*pb.Event{e})
	if err != nil {
		return nil, err
	}
	return &pb.VoidEventResponse{Id: ids[0]}, nil
}

func (v *eventService) check(e *pb.Event) []Violation {
	if v.s.deps.Writer == nil {
		return nil
	}
	return v.s.deps.Writer.Check(e)
}

// earliest is the smaller of occurred_at and the start of what an event speaks
// of, unix ms.
func earliest(e *pb.Event) int64 {
	at := e.GetOccurredAt().AsTime().UnixMilli()
	switch b := e.Body.(type) {
	case *pb.Event_Slice:
		at = min(at, b.Slice.GetFrom().AsTime().UnixMilli())
	case *pb.Event_ReasonNoted:
		at = min(at, b.ReasonNoted.GetFrom().AsTime().UnixMilli())
	case *pb.Event_WasteBooked:
		at = min(at, b.WasteBooked.GetFrom().AsTime().UnixMilli())
	}
	return at
}

var errNoWriter = withDetails(codes.Unavailable, "this api has no way to the log: events cannot be recorded here")

// bodyField finds a field of an event's body by its name; nil where the body
// has none.
func bodyField(e *pb.Event, name protoreflect.Name) (protoreflect.Message, protoreflect.FieldDescriptor) {
	m := e.ProtoReflect()
	f := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if f == nil {
		return nil, nil
	}
	body := m.Mutable(f).Message()
	return body, body.Descriptor().Fields().ByName(name)
}
