package warehouse

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"strings"

	chproto "github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2/lib/column"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// sliceBlock holds the columns that a slice needs as ClickHouse's Native format has them: numbers little endian, texts
// by a dictionary. The driver's columns read that as if it came from a server, each in one piece; appending to them
// costs several times as much, and far more for dictionaries. A block is used again, insert after insert.
type sliceBlock struct {
	n                                  int
	kind, state                        []byte
	occurredAt, epoch, seq, pos        []byte
	recordedDelay, dur                 []byte
	rated, good, waste                 []byte
	plant, press, reason, station, job dictionary
}

func (b *sliceBlock) reset() {
	b.n = 0
	for _, c := range []*[]byte{&b.kind, &b.state, &b.occurredAt, &b.epoch, &b.seq, &b.pos, &b.recordedDelay, &b.dur, &b.rated, &b.good, &b.waste} {
		*c = (*c)[:0]
	}
	for _, d := range []*dictionary{&b.plant, &b.press, &b.reason, &b.station, &b.job} {
		d.reset()
	}
}

// addPlain adds an event if the columns of the block say all of it, as rowOf finds them; else it adds nothing. at is
// the instant under which it is kept.
func (b *sliceBlock) addPlain(e *pb.Event, pos uint64) (at int64, ok bool) {
	body, ok := e.Body.(*pb.Event_Slice)
	if !ok || e.SourceKey != "" || e.RecordedAt == nil {
		return 0, false
	}
	s := body.Slice
	if s == nil || s.From == nil || s.To == nil || s.State < 0 || s.State > math.MaxUint8 || (s.RatedMmPerMin != nil) != (s.GetRatedMmPerMin() != 0) {
		return 0, false
	}
	at = millis(s.From)
	if e.OccurredAt != nil && (millis(e.OccurredAt) != at || !whole(e.OccurredAt)) ||
		!whole(s.From) || !whole(s.To) || !whole(e.RecordedAt) ||
		len(e.ProtoReflect().GetUnknown()) > 0 || len(s.ProtoReflect().GetUnknown()) > 0 {
		return 0, false
	}
	b.n++
	b.kind = append(b.kind, uint8(timeline.KindSlice))
	b.state = append(b.state, uint8(s.State))
	b.plant.add(e.Plant)
	b.press.add(e.Press)
	b.reason.add(s.Reason)
	b.station.add(s.Station)
	b.job.add(s.Job)
	b.occurredAt = put(b.occurredAt, at)
	b.epoch = binary.LittleEndian.AppendUint64(b.epoch, e.Epoch)
	b.seq = binary.LittleEndian.AppendUint64(b.seq, e.Seq)
	b.pos = binary.LittleEndian.AppendUint64(b.pos, pos)
	b.recordedDelay = put(b.recordedDelay, millis(e.RecordedAt)-at)
	b.dur = put(b.dur, millis(s.To)-at)
	b.rated = put(b.rated, s.GetRatedMmPerMin())
	b.good = put(b.good, s.GoodMm)
	b.waste = put(b.waste, s.WasteMm)
	return at, true
}

// addRow adds the block's part of a row.
func (b *sliceBlock) addRow(r *eventRow) {
	b.n++
	b.kind = append(b.kind, r.kind)
	b.state = append(b.state, r.state)
	b.plant.add(r.plant)
	b.press.add(r.press)
	b.reason.add(r.reason)
	b.station.add(r.station)
	b.job.add(r.job)
	b.occurredAt = put(b.occurredAt, r.occurredAt)
	b.epoch = binary.LittleEndian.AppendUint64(b.epoch, r.epoch)
	b.seq = binary.LittleEndian.AppendUint64(b.seq, r.seq)
	b.pos = binary.LittleEndian.AppendUint64(b.pos, r.pos)
	b.recordedDelay = put(b.recordedDelay, r.recordedDelay)
	b.dur = put(b.dur, r.dur)
	b.rated = put(b.rated, r.rated)
	b.good = put(b.good, r.good)
	b.waste = put(b.waste, r.waste)
}

func put(c []byte, v int64) []byte { return binary.LittleEndian.AppendUint64(c, uint64(v)) }

// fill gives the block's columns to those of an insert, which are the first of eventTable.
func (b *sliceBlock) fill(to []column.Interface) error {
	parts := make([]io.Reader, sliceColumns)
	for i := range parts {
		parts[i] = bytes.NewReader(eventTable[i].native(b, string(to[i].Type())))
	}
	r := chproto.NewReader(io.MultiReader(parts...))
	for i := range parts {
		if err := to[i].Decode(r, b.n); err != nil {
			return err
		}
	}
	return nil
}

// dictionary is a column of texts of which few are different.
type dictionary struct {
	texts   []string // what keys mean; the first is empty
	index   map[string]uint32
	keys    []uint32
	last    string // of keys
	lastKey uint32
	native  []byte
}

// maxTexts bounds what a dictionary keeps from one block to the next.
const maxTexts = 1 << 14

func (d *dictionary) reset() {
	if d.index == nil || len(d.texts) > maxTexts {
		d.index = map[string]uint32{}
	}
	clear(d.index)
	clear(d.texts)
	d.texts = append(d.texts[:0], "")
	d.index[""] = 0
	d.keys, d.last, d.lastKey = d.keys[:0], "", 0
}

func (d *dictionary) add(s string) {
	if s != d.last {
		k, ok := d.index[s]
		if !ok {
			k = uint32(len(d.texts))
			d.texts = append(d.texts, s)
			d.index[s] = k
		}
		d.last, d.lastKey = s, k
	}
	d.keys = append(d.keys, d.lastKey)
}

// Of the Native form of LowCardinality (ClickHouse, SerializationLowCardinality): the dictionary comes with the keys, and
// the width of the keys, as a power of two.
const (
	ownDictionary = 1<<9 | 1<<10
	keys8         = 0
	keys16        = 1
	keys32        = 2
)

// as is the column as a type has it in Native form: LowCardinality(String), else String. It is good until the next call.
func (d *dictionary) as(typ string) []byte {
	b := d.native[:0]
	if !strings.HasPrefix(typ, "LowCardinality") {
		for _, k := range d.keys {
			b = putText(b, d.texts[k])
		}
		d.native = b
		return b
	}
	width := keys32
	switch n := len(d.texts); {
	case n <= math.MaxUint8:
		width = keys8
	case n <= math.MaxUint16:
		width = keys16
	}
	b = binary.LittleEndian.AppendUint64(b, uint64(ownDictionary|width))
	b = binary.LittleEndian.AppendUint64(b, uint64(len(d.texts)))
	for _, s := range d.texts {
		b = putText(b, s)
	}
	b = binary.LittleEndian.AppendUint64(b, uint64(len(d.keys)))
	switch width {
	case keys8:
		for _, k := range d.keys {
			b = append(b, uint8(k))
		}
	case keys16:
		for _, k := range d.keys {
			b = binary.LittleEndian.AppendUint16(b, uint16(k))
		}
	default:
		for _, k := range d.keys {
			b = binary.LittleEndian.AppendUint32(b, k)
		}
	}
	d.native = b
	return b
}

func putText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}
