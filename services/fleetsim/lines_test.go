package fleetsim_test

import (
	"bytes"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/fleetsim"
)

// Any event, read back by protojson, is the same event.
func TestLineIsProtojson(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := &pb.Event{}
		m := e.ProtoReflect()
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			if fd := fields.Get(i); fd.ContainingOneof() == nil && rapid.Bool().Draw(t, "set") {
				set(t, m, fd)
			}
		}
		bodies := m.Descriptor().Oneofs().ByName("body").Fields()
		body := bodies.Get(rapid.IntRange(0, bodies.Len()-1).Draw(t, "body"))
		set(t, m, body)
		line := fleetsim.AppendLine(nil, e)
		if n := bytes.IndexByte(line, '\n'); n != len(line)-1 {
			t.Fatalf("not one line: %q", line)
		}
		back := &pb.Event{}
		if err := protojson.Unmarshal(line, back); err != nil {
			t.Fatalf("%v\n%s", err, line)
		}
		if !proto.Equal(e, back) {
			t.Fatalf("wrote %v\nread %v", e, back)
		}
	})
}

func set(t *rapid.T, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		sub := m.Mutable(fd).Message()
		if ts, ok := sub.Interface().(*timestamppb.Timestamp); ok {
			ts.Seconds = rapid.Int64Range(0, 253402300799).Draw(t, "s")
			ts.Nanos = rapid.SampledFrom([]int32{0, 1e6, 999e6, 250e6, 10e6}).Draw(t, "ms")
			return
		}
		fields := sub.Descriptor().Fields()
		for i := range fields.Len() {
			if rapid.Bool().Draw(t, "set") {
				set(t, sub, fields.Get(i))
			}
		}
	case protoreflect.StringKind:
		m.Set(fd, protoreflect.ValueOfString(rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"\"", "\\", "\n", "<&>", "\u2028"})).Draw(t, "text")))
	case protoreflect.BoolKind:
		m.Set(fd, protoreflect.ValueOfBool(rapid.Bool().Draw(t, "bool")))
	case protoreflect.EnumKind:
		m.Set(fd, protoreflect.ValueOfEnum(protoreflect.EnumNumber(rapid.Int32Range(0, 12).Draw(t, "enum"))))
	case protoreflect.Int32Kind:
		m.Set(fd, protoreflect.ValueOfInt32(rapid.Int32().Draw(t, "n")))
	case protoreflect.Int64Kind:
		m.Set(fd, protoreflect.ValueOfInt64(rapid.Int64().Draw(t, "n")))
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		m.Set(fd, protoreflect.ValueOfUint64(rapid.Uint64().Draw(t, "n")))
	case protoreflect.BytesKind:
		m.Set(fd, protoreflect.ValueOfBytes(rapid.SliceOf(rapid.Byte()).Draw(t, "bytes")))
	default:
		t.Fatalf("no generator for %v", fd.FullName())
	}
}

// The fast path writes a slice as the slow one does, field for field.
func TestSliceLine(t *testing.T) {
	s := newSim(t, 1, 1)
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[a-zA-Z0-9-]{0,20}`)
		from := rapid.Int64Range(0, 4e12).Draw(t, "from")
		x := fleetsim.RawSlice{From: from, To: from + rapid.Int64Range(1, 60000).Draw(t, "ms"), State: pb.State(rapid.IntRange(1, 8).Draw(t, "state")),
			Reason: word.Draw(t, "reason"), Station: word.Draw(t, "station"), Job: word.Draw(t, "job"),
			Rated: rapid.Int64Range(0, 2e6).Draw(t, "rated"), Good: rapid.Int64Range(0, 1e8).Draw(t, "good"), Waste: rapid.Int64Range(0, 1e8).Draw(t, "waste")}
		got := &pb.Event{}
		line := s.AppendRawSlice(nil, 3, x)
		if err := protojson.Unmarshal(line, got); err != nil {
			t.Fatalf("%v\n%s", err, line)
		}
		want := &pb.Event{Plant: "linden", Press: "p4", RecordedAt: timestamppb.New(time.UnixMilli(x.To + 250)), Body: &pb.Event_Slice{Slice: &pb.Slice{
			From: timestamppb.New(time.UnixMilli(x.From)), To: timestamppb.New(time.UnixMilli(x.To)), State: x.State, Reason: x.Reason, Station: x.Station,
			Job: x.Job, GoodMm: x.Good, WasteMm: x.Waste}}}
		if x.Rated != 0 {
			want.GetSlice().RatedMmPerMin = &x.Rated
		}
		if !proto.Equal(got, want) {
			t.Fatalf("wrote %s\n got %v\nwant %v", line, got, want)
		}
	})
}

// Instants are those of the standard library.
func TestAppendTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ms := rapid.Int64Range(0, 253402300799999).Draw(t, "ms")
		want := time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05")
		if f := ms % 1000; f != 0 {
			want = time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000")
		}
		if got := string(fleetsim.AppendTime(nil, ms)); got != want+"Z" {
			t.Fatalf("%d: %s, want %sZ", ms, got, want)
		}
	})
}

// 500,000 slice lines a second on one core: the best of some tries, so that a
// busy machine does not fail it.
func TestSliceLineSpeed(t *testing.T) {
	s := newSim(t, 1, 1)
	sl, _ := s.Raw(0, s.First())
	if len(sl) == 0 {
		t.Fatal("no slices on the first day")
	}
	const lines = 50_000
	var best float64
	b := make([]byte, 0, 512)
	for range 20 {
		start := time.Now()
		for i := range lines {
			b = s.AppendRawSlice(b[:0], 0, sl[i%len(sl)])
		}
		best = max(best, lines/time.Since(start).Seconds())
	}
	t.Logf("%.1f million slice lines a second", best/1e6)
	if best < 500_000 {
		t.Errorf("%.0f slice lines a second, 500000 wanted", best)
	}
}

// Every line of three weeks is an event that the log accepts, in the order it
// was taken down, and what it names is in the plant's document.
func TestEveryLineIsValid(t *testing.T) {
	s := newSim(t, fleetsim.DefaultSeed, 3)
	presses := resolvePresses(t)
	for i := range s.Len() {
		var w bytes.Buffer
		whole(t, s, i, &w)
		p := presses[s.Press(i)]
		tasks := map[string]string{}
		for _, x := range p.TasksOn(20000) {
			tasks[x.Slug] = x.Station
		}
		known := func(what string, ok bool, line []byte) {
			if !ok {
				t.Fatalf("%s: %s is not in the document: %s", s.Press(i), what, line)
			}
		}
		station := func(st string, line []byte) {
			known("station "+st, st == "" || indexOf(p.Stations, st) >= 0, line)
		}
		reason := func(r string, line []byte) {
			_, ok := p.Reasons[r]
			known("reason "+r, r == "" || ok, line)
		}
		keys := map[string]bool{}
		var before time.Time
		for line := range bytes.Lines(w.Bytes()) {
			e := &pb.Event{}
			if err := protojson.Unmarshal(line, e); err != nil {
				t.Fatalf("%v: %s", err, line)
			}
			at := e.RecordedAt.AsTime()
			if at.Before(before) {
				t.Fatalf("taken down before the line above it: %s", line)
			}
			before = at
			switch b := e.Body.(type) {
			case *pb.Event_Slice:
				station(b.Slice.Station, line)
				reason(b.Slice.Reason, line)
			case *pb.Event_StationSignedOff:
				known("task", tasks[b.StationSignedOff.Task] == b.StationSignedOff.Station, line)
			case *pb.Event_StationSkipped:
				known("task", tasks[b.StationSkipped.Task] == b.StationSkipped.Station, line)
				_, ok := p.SkipNotReq[b.StationSkipped.Reason]
				known("skip reason", ok, line)
			case *pb.Event_ReasonNoted:
				station(b.ReasonNoted.Station, line)
				reason(b.ReasonNoted.Reason, line)
			case *pb.Event_WasteBooked:
				station(b.WasteBooked.Station, line)
			case *pb.Event_Voided: // the agent fills in the identity by the key
				known("voided key", keys[b.Voided.TargetSourceKey], line)
				b.Voided.Epoch, b.Voided.FirstSeq, b.Voided.LastSeq = 1, 1, 1
			}
			if e.GetSlice() == nil {
				if e.SourceKey == "" || keys[e.SourceKey] {
					t.Fatalf("no source_key of its own: %s", line)
				}
				keys[e.SourceKey] = true
			}
			if v := eventlog.Validate(e); len(v) > 0 {
				t.Fatalf("%v: %s", v, line)
			}
		}
	}
}
