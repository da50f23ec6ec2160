package eventlog

import (
	"bytes"
	"errors"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func genTS(t *rapid.T, label string) *timestamppb.Timestamp {
	switch rapid.IntRange(0, 9).Draw(t, label+" kind") {
	case 0:
		return nil
	case 1:
		return &timestamppb.Timestamp{Seconds: rapid.Int64().Draw(t, label), Nanos: rapid.Int32().Draw(t, label)}
	}
	ms := rapid.Int64Range(-1000, 4_000_000_000_000).Draw(t, label)
	return &timestamppb.Timestamp{Seconds: ms / 1000, Nanos: int32(ms%1000) * 1e6}
}

var texts = []string{"", "a", "night", "p-1", "\x00", "ü", "\u2028"}

func genText(t *rapid.T, label string) string {
	if rapid.IntRange(0, 5).Draw(t, label+" long") == 0 {
		n := rapid.SampledFrom([]int{40, 41, 64, 65, 500, 501}).Draw(t, label)
		return string(bytes.Repeat([]byte(rapid.SampledFrom([]string{"a", "ü"}).Draw(t, label+" rune")), n))
	}
	return rapid.SampledFrom(texts).Draw(t, label)
}

func genInt(t *rapid.T, label string) int64 {
	return rapid.SampledFrom([]int64{-1 << 63, -1, 0, 1, 2, 3, 4, 100, 2_000_000, 2_000_001, 100_000_000, 100_000_001,
		10_000_000_000, 10_000_000_001, 1<<63 - 1}).Draw(t, label)
}

func genRated(t *rapid.T) *int64 {
	if rapid.Bool().Draw(t, "no rated") {
		return nil
	}
	n := genInt(t, "rated")
	return &n
}

func genEnum(t *rapid.T, label string) int32 {
	return rapid.Int32Range(-1, 12).Draw(t, label)
}

func genSlice(t *rapid.T) *pb.Slice {
	return &pb.Slice{From: genTS(t, "from"), To: genTS(t, "to"), State: pb.State(genEnum(t, "state")), Reason: genText(t, "reason"),
		Station: genText(t, "station"), Job: genText(t, "job"), RatedMmPerMin: genRated(t), GoodMm: genInt(t, "good"), WasteMm: genInt(t, "waste")}
}

// genEvent draws events of every kind, right and wrong.
func genEvent(t *rapid.T) *pb.Event {
	e := &pb.Event{Plant: genText(t, "plant"), Press: genText(t, "press"), OccurredAt: genTS(t, "at"), RecordedAt: genTS(t, "rec")}
	if rapid.Bool().Draw(t, "keyed") {
		e.SourceKey = genText(t, "key")
	}
	s := func(l string) string { return genText(t, l) }
	switch rapid.IntRange(0, 15).Draw(t, "body") {
	case 0:
	case 1:
		e.Body = &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: s("s"), Occasion: pb.Occasion(genEnum(t, "o")), Crew: s("c")}}
	case 2:
		e.Body = &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: s("s"), Crew: s("c"), ToolsCountedOut: true}}
	case 3:
		b := &pb.StationSignedOff{Session: s("s"), Task: s("t"), Station: s("st"), Outcome: pb.Outcome(genEnum(t, "o")), Crew: s("c"), Note: s("n"), BeganAt: genTS(t, "b")}
		if rapid.Bool().Draw(t, "cond") {
			b.ConditionFound = proto.Int32(genEnum(t, "cf"))
		}
		e.Body = &pb.Event_StationSignedOff{StationSignedOff: b}
	case 4:
		e.Body = &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: s("s"), Task: s("t"), Station: s("st"), Reason: s("r"), Crew: s("c")}}
	case 5:
		e.Body = &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: genTS(t, "f"), To: genTS(t, "to"), Kind: pb.NoteKind(genEnum(t, "k")), Reason: s("r"), Station: s("st"), Crew: s("c")}}
	case 6:
		e.Body = &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind(genEnum(t, "k")), Station: s("st"), LengthMm: genInt(t, "l"), Crew: s("c")}}
	case 7:
		e.Body = &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: genTS(t, "f"), To: genTS(t, "to"), Job: s("j"), LengthMm: genInt(t, "l"), Cause: pb.WasteCause(genEnum(t, "c")),
			Found: pb.WhereFound(genEnum(t, "fo")), Web: pb.Web(genEnum(t, "w")), LanesBad: genEnum(t, "lb"), Lanes: genEnum(t, "la"), Station: s("st"), Crew: s("cr")}}
	case 8:
		e.Body = &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: s("j"), Family: s("f"), Substrate: s("s"), RatedMmPerMin: genRated(t), PlannedMm: genInt(t, "p")}}
	case 9:
		e.Body = &pb.Event_JobEnded{JobEnded: &pb.JobEnded{Job: s("j")}}
	case 10:
		e.Body = &pb.Event_JobCorrected{JobCorrected: &pb.JobCorrected{Job: s("j"), RatedMmPerMin: genRated(t), Family: s("f")}}
	case 11:
		e.Body = &pb.Event_Voided{Voided: &pb.Voided{Epoch: uint64(genInt(t, "e")), FirstSeq: uint64(genInt(t, "f")), LastSeq: uint64(genInt(t, "l")), Earliest: genTS(t, "ea"), Why: s("w"), TargetSourceKey: s("k")}}
	case 12:
		day := func(l string) string {
			return rapid.SampledFrom([]string{"", "2026-06-15", "2026-02-30", "2026-6-15", "20260615xx", "2026-06-16"}).Draw(t, l)
		}
		e.Body = &pb.Event_PeriodClosed{PeriodClosed: &pb.PeriodClosed{FirstDay: day("f"), LastDay: day("l"), Sha256: make([]byte, rapid.SampledFrom([]int{0, 32, 33}).Draw(t, "sha")), Author: s("a")}}
	case 13:
		e.Body = &pb.Event_ClockStepped{ClockStepped: &pb.ClockStepped{Before: genTS(t, "b"), After: genTS(t, "af")}}
	default:
		e.Body = &pb.Event_Slice{Slice: genSlice(t)}
	}
	return e
}

// TestFrameRoundTrip: what goes in comes out, with the identity of the
// header; records are what the protobuf library would have written.
func TestFrameRoundTrip(t *testing.T) {
	many(t, func(t *rapid.T) {
		h := &pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: rapid.Uint64().Draw(t, "epoch"), FirstSeq: rapid.Uint64Range(1, 1<<40).Draw(t, "first")}
		var records []byte
		var want []*pb.Event
		for range rapid.IntRange(1, 8).Draw(t, "n") {
			e := genEvent(t)
			bare := proto.Clone(e).(*pb.Event)
			bare.Plant, bare.Press = "", ""
			lib, err := proto.Marshal(bare)
			if err != nil {
				t.Fatal(err)
			}
			before := len(records)
			if records, err = AppendEvent(records, e); err != nil {
				t.Fatal(err)
			}
			if lib = protowire.AppendBytes(nil, lib); !bytes.Equal(records[before:], lib) {
				t.Fatalf("record\n%x, library\n%x", records[before:], lib)
			}
			bare.Plant, bare.Press, bare.Epoch, bare.Seq = "rhein", "p1", h.Epoch, h.FirstSeq+uint64(h.Count)
			want = append(want, bare)
			h.Count++
		}
		b, err := EncodeFrame(h, records)
		if err != nil {
			t.Fatal(err)
		}
		f, err := DecodeFrame(b)
		if err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(f.Header, h) || len(f.Events) != len(want) {
			t.Fatalf("header %v, want %v", f.Header, h)
		}
		for i := range want {
			if !proto.Equal(f.Events[i], want[i]) {
				t.Fatalf("event %d\n%v, want\n%v", i, f.Events[i], want[i])
			}
		}
		// Any changed byte after the version is found out.
		i := rapid.IntRange(4, len(b)-1).Draw(t, "byte")
		b[i] ^= byte(rapid.IntRange(1, 255).Draw(t, "flip"))
		if _, err := DecodeFrame(b); !errors.Is(err, ErrFrame) {
			t.Fatalf("flipped byte %d: %v", i, err)
		}
	})
}

// TestFrameReleased: frames decoded into the memory of released ones hold
// nothing of these.
func TestFrameReleased(t *testing.T) {
	defer func(n int) { largeFrame = n }(largeFrame)
	largeFrame = 1
	used, again := map[*pb.Event]bool{}, 0
	many(t, func(t *rapid.T) {
		h := &pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: rapid.Uint64Range(1, 1<<40).Draw(t, "first")}
		var records []byte
		var want []*pb.Event
		for range rapid.IntRange(1, 8).Draw(t, "n") {
			e := genEvent(t)
			var err error
			if records, err = AppendEvent(records, e); err != nil {
				t.Fatal(err)
			}
			e.Plant, e.Press, e.Epoch, e.Seq = "rhein", "p1", 7, h.FirstSeq+uint64(h.Count)
			want = append(want, e)
			h.Count++
		}
		b, err := EncodeFrame(h, records)
		if err != nil {
			t.Fatal(err)
		}
		f, err := DecodeFrame(b)
		if err != nil {
			t.Fatal(err)
		}
		for i := range want {
			if !proto.Equal(f.Events[i], want[i]) {
				t.Fatalf("event %d\n%v, want\n%v", i, f.Events[i], want[i])
			}
			if used[f.Events[i]] {
				again++
			}
			used[f.Events[i]] = true
		}
		if rapid.Bool().Draw(t, "released") {
			f.Release()
		}
	})
	if again == 0 {
		t.Error("no memory was used again")
	}
}

func TestDecodeFrameRefuses(t *testing.T) {
	rec, err := AppendEvent(nil, validSlice())
	if err != nil {
		t.Fatal(err)
	}
	h := &pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1, Count: 1}
	good, err := EncodeFrame(h, rec)
	if err != nil {
		t.Fatal(err)
	}
	newer := append([]byte(nil), good...)
	newer[3] = FrameVersion + 1
	var ve *VersionError
	if _, err := DecodeFrame(newer); !errors.As(err, &ve) || ve.Version != FrameVersion+1 {
		t.Fatalf("newer version: %v", err)
	}
	id := validSlice()
	id.Seq = 4
	own, err := proto.Marshal(id)
	if err != nil {
		t.Fatal(err)
	}
	count2 := proto.Clone(h).(*pb.FrameHeader)
	count2.Count = 2
	for name, records := range map[string][]byte{
		"identity in record": protowire.AppendBytes(nil, own),
		"short record":       rec[:len(rec)-1],
		"trailing bytes":     append(append([]byte(nil), rec...), 0),
	} {
		b, err := EncodeFrame(h, records)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := DecodeFrame(b); !errors.Is(err, ErrFrame) {
			t.Errorf("%s: %v", name, err)
		}
	}
	b, err := EncodeFrame(count2, rec)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := DecodeFrame(b); !errors.Is(err, ErrFrame) {
		t.Errorf("count above records: %v", err)
	}
	for _, bad := range []*pb.FrameHeader{
		{Press: "p1", FirstSeq: 1, Count: 1}, {Plant: "Rhein", Press: "p1", FirstSeq: 1, Count: 1},
		{Plant: "rhein", Press: "p1", Count: 1}, {Plant: "rhein", Press: "p1", FirstSeq: 1},
		{Plant: "rhein", Press: "p1", FirstSeq: 1, Count: MaxFrameEvents + 1},
		{Plant: "rhein", Press: "p1", FirstSeq: 1<<64 - 1, Count: 1},
	} {
		if _, err := EncodeFrame(bad, rec); err == nil {
			t.Errorf("header %v was encoded", bad)
		}
	}
}

// TestUnknownBody: a body of a later version survives a frame whole.
func TestUnknownBody(t *testing.T) {
	e := &pb.Event{Plant: "rhein", Press: "p1", OccurredAt: &timestamppb.Timestamp{Seconds: 5}}
	raw := protowire.AppendBytes(protowire.AppendTag(nil, 99, protowire.BytesType), []byte("later"))
	e.ProtoReflect().SetUnknown(raw)
	if v := Validate(e); v != nil {
		t.Fatal(v)
	}
	rec, err := AppendEvent(nil, e)
	if err != nil {
		t.Fatal(err)
	}
	b, err := EncodeFrame(&pb.FrameHeader{Plant: "rhein", Press: "p1", FirstSeq: 1, Count: 1}, rec)
	if err != nil {
		t.Fatal(err)
	}
	f, err := DecodeFrame(b)
	if err != nil {
		t.Fatal(err)
	}
	if got := f.Events[0].ProtoReflect().GetUnknown(); !bytes.Equal(got, raw) {
		t.Fatalf("unknown fields %x, want %x", got, raw)
	}
}

// FuzzDecodeFrame: no input panics; what decodes encodes to a frame that
// decodes to the same. The checksum is repaired so that the fuzzer reaches
// what lies behind it.
func FuzzDecodeFrame(f *testing.F) {
	rec, _ := AppendEvent(nil, validSlice())
	b, _ := EncodeFrame(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1, Count: 1}, rec)
	f.Add(b)
	f.Add(b[:9])
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 8 {
			b = append([]byte(nil), b...)
			putCRC(b)
		}
		fr, err := DecodeFrame(b)
		if err != nil {
			return
		}
		var records []byte
		for _, e := range fr.Events {
			if records, err = AppendEvent(records, e); err != nil {
				t.Skip("re-encoded event is too large") // not shorter than what was read
			}
		}
		again, err := EncodeFrame(fr.Header, records)
		if err != nil {
			t.Skip("re-encoded frame is too large")
		}
		fr2, err := DecodeFrame(again)
		if err != nil {
			t.Fatal(err)
		}
		for i := range fr.Events {
			if !proto.Equal(fr.Events[i], fr2.Events[i]) {
				t.Fatalf("event %d\n%v\n%v", i, fr.Events[i], fr2.Events[i])
			}
		}
	})
}

func benchFrame(b *testing.B) []byte {
	var records []byte
	for i := range 1000 {
		e := validSlice()
		e.GetSlice().GoodMm += int64(i)
		e.RecordedAt = &timestamppb.Timestamp{Seconds: e.GetSlice().To.Seconds + 1}
		records, _ = AppendEvent(records, e)
	}
	f, err := EncodeFrame(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1, Count: 1000}, records)
	if err != nil {
		b.Fatal(err)
	}
	return f
}

func BenchmarkDecodeFrame(b *testing.B) {
	f := benchFrame(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := DecodeFrame(f); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1000, "ns/event")
	b.ReportMetric(float64(len(f))/1000, "B/event")
}

func BenchmarkAppendEvent(b *testing.B) {
	e := validSlice()
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf, _ = AppendEvent(buf[:0], e)
	}
}

func BenchmarkValidateSlice(b *testing.B) {
	e := validSlice()
	b.ReportAllocs()
	for b.Loop() {
		if Validate(e) != nil {
			b.Fatal("invalid")
		}
	}
}
