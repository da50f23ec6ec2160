package eventlog

import (
	"fmt"
	"sync"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Nearly every event of a log is a slice. They are written and read here by
// hand; a test holds the bytes and the messages equal to what the protobuf
// library makes of them. Anything that is not a plain slice goes to the
// library.

// Field numbers of event.proto.
const (
	numOccurredAt, numRecordedAt, numSourceKey, numSlice = 5, 6, 7, 10

	numFrom, numTo, numState, numReason, numStation, numJob, numRated, numGood, numWaste = 1, 2, 3, 4, 5, 6, 7, 8, 9
)

// plainSlice returns the slice of an event that holds nothing else but
// occurred_at and recorded_at, with no unknown fields; else nil.
func plainSlice(e *pb.Event) *pb.Slice {
	b, ok := e.GetBody().(*pb.Event_Slice)
	if !ok || b == nil || b.Slice == nil || e.SourceKey != "" {
		return nil
	}
	s := b.Slice
	if !utf8.ValidString(s.Reason) || !utf8.ValidString(s.Station) || !utf8.ValidString(s.Job) ||
		len(s.Reason)+len(s.Station)+len(s.Job) > MaxEventBytes/2 {
		return nil
	}
	if unknown(e) || unknown(s) || tsUnknown(e.OccurredAt) || tsUnknown(e.RecordedAt) || tsUnknown(s.From) || tsUnknown(s.To) {
		return nil
	}
	return s
}

func unknown(m proto.Message) bool { return len(m.ProtoReflect().GetUnknown()) > 0 }

func tsUnknown(t *timestamppb.Timestamp) bool { return t != nil && unknown(t) }

func tsSize(t *timestamppb.Timestamp) int {
	n := 0
	if t.Seconds != 0 {
		n += 1 + protowire.SizeVarint(uint64(t.Seconds))
	}
	if t.Nanos != 0 {
		n += 1 + protowire.SizeVarint(uint64(int64(t.Nanos)))
	}
	return n
}

func tsFieldSize(t *timestamppb.Timestamp) int {
	if t == nil {
		return 0
	}
	return 2 + tsSize(t) // tag and length: at most 22 bytes inside
}

func appendTS(b []byte, num protowire.Number, t *timestamppb.Timestamp) []byte {
	if t == nil {
		return b
	}
	b = append(b, byte(num<<3|2), byte(tsSize(t)))
	b = appendInt(b, 1, t.Seconds)
	return appendInt(b, 2, int64(t.Nanos))
}

func appendInt(b []byte, num protowire.Number, v int64) []byte {
	if v == 0 {
		return b
	}
	return protowire.AppendVarint(append(b, byte(num<<3)), uint64(v))
}

func appendString(b []byte, num protowire.Number, s string) []byte {
	if s == "" {
		return b
	}
	return protowire.AppendString(append(b, byte(num<<3|2)), s)
}

func intSize(v int64) int {
	if v == 0 {
		return 0
	}
	return 1 + protowire.SizeVarint(uint64(v))
}

func stringSize(s string) int {
	if s == "" {
		return 0
	}
	return 1 + protowire.SizeBytes(len(s))
}

func appendSlice(dst []byte, e *pb.Event, s *pb.Slice) []byte {
	in := tsFieldSize(s.From) + tsFieldSize(s.To) + intSize(int64(s.State)) +
		stringSize(s.Reason) + stringSize(s.Station) + stringSize(s.Job) + intSize(s.GoodMm) + intSize(s.WasteMm)
	if s.RatedMmPerMin != nil {
		in += 1 + protowire.SizeVarint(uint64(*s.RatedMmPerMin))
	}
	size := tsFieldSize(e.OccurredAt) + tsFieldSize(e.RecordedAt) + 1 + protowire.SizeBytes(in)
	dst = protowire.AppendVarint(dst, uint64(size))
	dst = appendTS(dst, numOccurredAt, e.OccurredAt)
	dst = appendTS(dst, numRecordedAt, e.RecordedAt)
	dst = protowire.AppendVarint(append(dst, numSlice<<3|2), uint64(in))
	dst = appendTS(dst, numFrom, s.From)
	dst = appendTS(dst, numTo, s.To)
	dst = appendInt(dst, numState, int64(s.State))
	dst = appendString(dst, numReason, s.Reason)
	dst = appendString(dst, numStation, s.Station)
	dst = appendString(dst, numJob, s.Job)
	if s.RatedMmPerMin != nil {
		dst = protowire.AppendVarint(append(dst, numRated<<3), uint64(*s.RatedMmPerMin))
	}
	dst = appendInt(dst, numGood, s.GoodMm)
	return appendInt(dst, numWaste, s.WasteMm)
}

// slab decodes the records of one frame, taking the small messages of slices
// from arrays made once per frame, and texts that repeat from the one before.
type slab struct {
	arena
	all  *arena    // the whole of it, where it is to be used again
	last [3]string // reason, station, job
	n    int       // events the arrays are made for
}

// arena is what the slices of a frame are made of. What was there before is
// written over field by field.
type arena struct {
	events []pb.Event
	bodies []pb.Event_Slice
	slices []pb.Slice
	stamps []timestamppb.Timestamp
	rated  []int64
}

func newArena(n int) arena {
	return arena{make([]pb.Event, n), make([]pb.Event_Slice, n), make([]pb.Slice, n), make([]timestamppb.Timestamp, 4*n), make([]int64, n)}
}

// arenas of full frames that were released.
var arenas = sync.Pool{New: func() any { a := newArena(MaxFrameEvents); return &a }}

// largeFrame is the number of events from which a frame's arena is used again;
// smaller ones are not worth an arena of full size.
var largeFrame = MaxFrameEvents / 2

func newSlab(n int) *slab { return &slab{n: n} }

func (d *slab) event(rec []byte) (*pb.Event, error) {
	if e := d.slice(rec); e != nil {
		return e, nil
	}
	e := &pb.Event{}
	if err := proto.Unmarshal(rec, e); err != nil {
		return nil, fmt.Errorf("decode: %w", err)
	}
	return e, nil
}

// slice decodes a record as appendSlice writes it, fields in order and each
// at most once, else it returns nil and the library decides.
func (d *slab) slice(rec []byte) *pb.Event {
	if d.events == nil {
		if d.n >= largeFrame {
			d.all = arenas.Get().(*arena)
			d.arena = *d.all
		} else {
			d.arena = newArena(d.n)
		}
	}
	if len(d.events) == 0 {
		return nil
	}
	r := reader{b: rec}
	e, s, t := &d.events[0], &d.slices[0], d.stamps[:4]
	hasOcc := r.ts(numOccurredAt, &t[0])
	hasRec := r.ts(numRecordedAt, &t[1])
	in, ok := r.bytes(numSlice)
	if !ok || r.bad || len(r.b) != 0 {
		return nil
	}
	r.b = in
	hasFrom := r.ts(numFrom, &t[2])
	hasTo := r.ts(numTo, &t[3])
	state, _ := r.int(numState)
	s.State = pb.State(state)
	s.Reason = d.text(0, &r, numReason)
	s.Station = d.text(1, &r, numStation)
	s.Job = d.text(2, &r, numJob)
	rated, hasRated := r.int(numRated)
	s.GoodMm, _ = r.int(numGood)
	s.WasteMm, _ = r.int(numWaste)
	if r.bad || len(r.b) != 0 || state != int64(int32(state)) {
		return nil
	}
	e.Plant, e.Press, e.Epoch, e.Seq = "", "", 0, 0 // of the event that was here before
	e.OccurredAt, e.RecordedAt, s.From, s.To, s.RatedMmPerMin = nil, nil, nil, nil, nil
	if hasOcc {
		e.OccurredAt = &t[0]
	}
	if hasRec {
		e.RecordedAt = &t[1]
	}
	if hasFrom {
		s.From = &t[2]
	}
	if hasTo {
		s.To = &t[3]
	}
	if hasRated {
		d.rated[0] = rated
		s.RatedMmPerMin = &d.rated[0]
	}
	d.bodies[0].Slice = s
	e.Body = &d.bodies[0]
	d.events, d.bodies, d.slices, d.stamps, d.rated = d.events[1:], d.bodies[1:], d.slices[1:], d.stamps[4:], d.rated[1:]
	return e
}

func (d *slab) text(i int, r *reader, num protowire.Number) string {
	b, ok := r.bytes(num)
	if !ok {
		return ""
	}
	if string(b) == d.last[i] {
		return d.last[i]
	}
	if !utf8.Valid(b) {
		r.bad = true
		return ""
	}
	d.last[i] = string(b)
	return d.last[i]
}

// reader takes fields off b in rising order; bad is set by malformed input.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) bytes(num protowire.Number) ([]byte, bool) {
	if len(r.b) == 0 || r.b[0] != byte(num<<3|2) {
		return nil, false
	}
	v, n := protowire.ConsumeBytes(r.b[1:])
	if n < 0 {
		r.bad = true
		return nil, false
	}
	r.b = r.b[1+n:]
	return v, true
}

func (r *reader) int(num protowire.Number) (int64, bool) {
	if len(r.b) == 0 || r.b[0] != byte(num<<3) {
		return 0, false
	}
	v, n := protowire.ConsumeVarint(r.b[1:])
	if n < 0 {
		r.bad = true
		return 0, false
	}
	r.b = r.b[1+n:]
	return int64(v), true
}

func (r *reader) ts(num protowire.Number, t *timestamppb.Timestamp) bool {
	b, ok := r.bytes(num)
	if !ok {
		return false
	}
	in := reader{b: b}
	t.Seconds, _ = in.int(1)
	nanos, _ := in.int(2)
	t.Nanos = int32(nanos)
	if in.bad || len(in.b) != 0 || int64(t.Nanos) != nanos {
		r.bad = true
	}
	return true
}
