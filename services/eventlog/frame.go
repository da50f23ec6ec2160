package eventlog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// FrameVersion is the highest frame version this package reads, and the one
// it writes.
const FrameVersion = 1

// Limits of a frame.
const (
	// MaxFrameEvents is the most events a frame may hold.
	MaxFrameEvents = 1000
	// MaxFrameBytes is the size a publisher fills frames to.
	MaxFrameBytes = 200 << 10
	// MaxPayload is the largest message the log carries, bytes. A frame of one
	// large event may lie between MaxFrameBytes and MaxPayload.
	MaxPayload = 256 << 10
	// MaxEventBytes is the largest encoded event, bytes.
	MaxEventBytes = 64 << 10

	maxHeaderBytes = 1 << 10
)

// ErrFrame is wrapped by every error of DecodeFrame but VersionError: the
// bytes are not a frame.
var ErrFrame = errors.New("bad frame")

// VersionError reports a frame newer than this program.
type VersionError struct {
	Version uint8
}

func (e *VersionError) Error() string {
	return fmt.Sprintf("frame version %d is newer than %d", e.Version, FrameVersion)
}

// Frame is a decoded frame.
type Frame struct {
	Version uint8
	Header  *pb.FrameHeader
	// Events carry plant, press, epoch and seq.
	Events []*pb.Event

	arena *arena // of the events, where it is to be used again
}

// Release says that nobody uses the frame's events, or messages in them, any
// more: later frames are decoded into their memory. Texts stay. It need not be
// called.
func (f *Frame) Release() {
	f.Events = nil
	if f.arena != nil {
		arenas.Put(f.arena)
		f.arena = nil
	}
}

const frameMagic = "DWF"

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// AppendEvent appends one record, the event without plant, press, epoch and
// seq after its length, and returns the extended slice. The event is not
// changed.
func AppendEvent(dst []byte, e *pb.Event) ([]byte, error) {
	if s := plainSlice(e); s != nil {
		return appendSlice(dst, e, s), nil
	}
	bare := &pb.Event{OccurredAt: e.GetOccurredAt(), RecordedAt: e.GetRecordedAt(), SourceKey: e.GetSourceKey(), Body: e.GetBody()}
	if u := e.ProtoReflect().GetUnknown(); len(u) > 0 {
		bare.ProtoReflect().SetUnknown(u)
	}
	size := proto.Size(bare)
	if size > MaxEventBytes {
		return dst, fmt.Errorf("event of %d bytes is larger than %d", size, MaxEventBytes)
	}
	dst = protowire.AppendVarint(dst, uint64(size))
	out, err := proto.MarshalOptions{UseCachedSize: true}.MarshalAppend(dst, bare)
	if err != nil {
		return dst, fmt.Errorf("encode event: %w", err)
	}
	return out, nil
}

// EncodeFrame puts magic, version, checksum and header before records, which
// must be h.Count results of AppendEvent.
func EncodeFrame(h *pb.FrameHeader, records []byte) ([]byte, error) {
	if err := checkHeader(h); err != nil {
		return nil, fmt.Errorf("encode frame: %w", err)
	}
	hb, err := proto.Marshal(h)
	if err != nil {
		return nil, fmt.Errorf("encode frame: %w", err)
	}
	b := make([]byte, 0, len(frameMagic)+5+binary.MaxVarintLen32+len(hb)+len(records))
	b = append(b, frameMagic...)
	b = append(b, FrameVersion, 0, 0, 0, 0)
	b = protowire.AppendVarint(b, uint64(len(hb)))
	b = append(b, hb...)
	b = append(b, records...)
	if len(b) > MaxPayload {
		return nil, fmt.Errorf("encode frame: %d bytes are more than %d", len(b), MaxPayload)
	}
	binary.LittleEndian.PutUint32(b[4:], crc32.Checksum(b[8:], castagnoli))
	return b, nil
}

// DecodeFrame reads a frame. A newer version gives *VersionError; anything
// else that is wrong gives an error wrapping ErrFrame.
func DecodeFrame(b []byte) (*Frame, error) {
	if len(b) < 8 || string(b[:3]) != frameMagic {
		return nil, fmt.Errorf("%w: no magic", ErrFrame)
	}
	version := b[3]
	if version > FrameVersion {
		return nil, &VersionError{Version: version}
	}
	if version == 0 {
		return nil, fmt.Errorf("%w: version 0", ErrFrame)
	}
	if len(b) > MaxPayload {
		return nil, fmt.Errorf("%w: %d bytes", ErrFrame, len(b))
	}
	if crc32.Checksum(b[8:], castagnoli) != binary.LittleEndian.Uint32(b[4:]) {
		return nil, fmt.Errorf("%w: checksum differs", ErrFrame)
	}
	rest := b[8:]
	n, w := protowire.ConsumeVarint(rest)
	if w < 0 || n > maxHeaderBytes || n > uint64(len(rest)-w) {
		return nil, fmt.Errorf("%w: header length", ErrFrame)
	}
	h := &pb.FrameHeader{}
	err := proto.Unmarshal(rest[w:w+int(n)], h)
	if err != nil {
		return nil, fmt.Errorf("%w: header: %v", ErrFrame, err)
	}
	if err = checkHeader(h); err != nil {
		return nil, fmt.Errorf("%w: %v", ErrFrame, err)
	}
	rest = rest[w+int(n):]
	if uint64(h.Count) > uint64(len(rest)) {
		return nil, fmt.Errorf("%w: %d events in %d bytes", ErrFrame, h.Count, len(rest))
	}
	f := &Frame{Version: version, Header: h}
	d := newSlab(int(h.Count))
	f.Events, err = d.records(h, rest)
	f.arena = d.all
	if err != nil {
		f.Release()
		return nil, err
	}
	return f, nil
}

func (d *slab) records(h *pb.FrameHeader, rest []byte) ([]*pb.Event, error) {
	evs := make([]*pb.Event, h.Count)
	for i := range evs {
		n, w := protowire.ConsumeVarint(rest)
		if w < 0 || n > MaxEventBytes || n > uint64(len(rest)-w) {
			return nil, fmt.Errorf("%w: length of event %d", ErrFrame, i)
		}
		rec := rest[w : w+int(n)]
		rest = rest[w+int(n):]
		e, err := d.event(rec)
		if err != nil {
			return nil, fmt.Errorf("%w: event %d: %v", ErrFrame, i, err)
		}
		if e.Plant != "" || e.Press != "" || e.Epoch != 0 || e.Seq != 0 {
			return nil, fmt.Errorf("%w: event %d carries an identity of its own", ErrFrame, i)
		}
		e.Plant, e.Press, e.Epoch, e.Seq = h.Plant, h.Press, h.Epoch, h.FirstSeq+uint64(i)
		evs[i] = e
	}
	if len(rest) != 0 {
		return nil, fmt.Errorf("%w: %d bytes after the last event", ErrFrame, len(rest))
	}
	return evs, nil
}

func checkHeader(h *pb.FrameHeader) error {
	switch {
	case !isSlug(h.GetPlant()):
		return fmt.Errorf("header: plant %.50q is no slug", h.GetPlant())
	case !isSlug(h.GetPress()):
		return fmt.Errorf("header: press %.50q is no slug", h.GetPress())
	case h.GetCount() == 0 || h.GetCount() > MaxFrameEvents:
		return fmt.Errorf("header: count %d is not 1 to %d", h.GetCount(), MaxFrameEvents)
	case h.GetFirstSeq() == 0 || h.GetFirstSeq() > 1<<63-MaxFrameEvents:
		return fmt.Errorf("header: first seq %d", h.GetFirstSeq())
	}
	return nil
}

// OccurredMs is the instant an event is filed under, unix milliseconds: a
// slice's from, else occurred_at. Events that pass Validate have it.
func OccurredMs(e *pb.Event) int64 {
	if s := e.GetSlice(); s != nil && s.From != nil {
		return s.From.Seconds*1000 + int64(s.From.Nanos)/1e6
	}
	if t := e.GetOccurredAt(); t != nil {
		return t.Seconds*1000 + int64(t.Nanos)/1e6
	}
	return 0
}
