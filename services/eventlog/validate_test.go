package eventlog

import (
	"encoding/binary"
	"hash/crc32"
	"slices"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func putCRC(b []byte) {
	binary.LittleEndian.PutUint32(b[4:], crc32.Checksum(b[8:], castagnoli))
}

func at(ms int64) *timestamppb.Timestamp {
	return &timestamppb.Timestamp{Seconds: ms / 1000, Nanos: int32(ms%1000) * 1e6}
}

func validSlice() *pb.Event {
	const from = 1_781_496_000_000 // 2026-06-15T04:00:00Z
	return &pb.Event{Plant: "rhein", Press: "p1", OccurredAt: at(from), RecordedAt: at(from + 60_500),
		Body: &pb.Event_Slice{Slice: &pb.Slice{From: at(from), To: at(from + 60_000), State: pb.State_STATE_PRODUCTION,
			Job: "J1", RatedMmPerMin: proto.Int64(100_000), GoodMm: 98_000, WasteMm: 120}}}
}

// many checks a property twenty times as often as rapid does by itself.
func many(t *testing.T, f func(*rapid.T)) {
	t.Helper()
	for range 20 {
		rapid.Check(t, f)
	}
}

// TestValidateEqualsRules: the single-field rules are those of event.proto,
// as protovalidate reads them.
func TestValidateEqualsRules(t *testing.T) {
	pv, err := protovalidate.New(protovalidate.WithMessages(&pb.Event{}))
	if err != nil {
		t.Fatal(err)
	}
	wrong := 0
	many(t, func(t *rapid.T) {
		e := genEvent(t)
		var v violations
		v.fields(e)
		var got, want []string
		for _, x := range v {
			got = append(got, x.Field)
		}
		if err := pv.Validate(e); err != nil {
			ve, ok := err.(*protovalidate.ValidationError)
			if !ok {
				t.Fatal(err)
			}
			for _, x := range ve.Violations {
				want = append(want, protovalidate.FieldPathString(x.Proto.GetField()))
			}
		}
		slices.Sort(got)
		slices.Sort(want)
		got, want = slices.Compact(got), slices.Compact(want)
		if !slices.Equal(got, want) {
			t.Fatalf("%v\nfields %v, protovalidate %v", e, got, want)
		}
		if len(want) > 0 {
			wrong++
		}
	})
	if wrong == 0 {
		t.Fatal("no wrong event was drawn")
	}
}

func TestValidateAcross(t *testing.T) {
	const from = 1_781_496_000_000
	slice := func(f func(e *pb.Event, s *pb.Slice)) *pb.Event {
		e := validSlice()
		f(e, e.GetSlice())
		return e
	}
	event := func(e *pb.Event) *pb.Event {
		e.Plant, e.Press = "rhein", "p1"
		if e.OccurredAt == nil {
			e.OccurredAt = at(from)
		}
		return e
	}
	note := func(n *pb.ReasonNoted) *pb.Event {
		n.Kind, n.Reason = pb.NoteKind_NOTE_KIND_STOP, "reel"
		return event(&pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: n}})
	}
	void := func(v *pb.Voided) *pb.Event { return event(&pb.Event{Body: &pb.Event_Voided{Voided: v}}) }
	for name, c := range map[string]struct {
		e    *pb.Event
		want string // field: a part of the reason; empty: valid
	}{
		"good slice":        {validSlice(), ""},
		"no occurred_at":    {slice(func(e *pb.Event, _ *pb.Slice) { e.OccurredAt = nil }), ""},
		"other occurred_at": {slice(func(e *pb.Event, _ *pb.Slice) { e.OccurredAt = at(from + 1) }), "occurred_at: of a slice"},
		"61 s":              {slice(func(_ *pb.Event, s *pb.Slice) { s.To = at(from + 61_000) }), "slice.to: is more than 60 s"},
		"across a minute":   {slice(func(e *pb.Event, s *pb.Slice) { s.From = at(from - 1); e.OccurredAt = nil; s.To = at(from + 1) }), "slice.to: is in another UTC minute"},
		"before 1970": {slice(func(e *pb.Event, s *pb.Slice) {
			e.OccurredAt = nil
			s.From = &timestamppb.Timestamp{Seconds: -60}
			s.To = &timestamppb.Timestamp{}
		}), ""},
		"empty slice":         {slice(func(_ *pb.Event, s *pb.Slice) { s.To = s.From }), "slice.to: must be after"},
		"microseconds":        {slice(func(_ *pb.Event, s *pb.Slice) { s.To.Nanos = 1000; s.To.Seconds-- }), "slice.to: has more than three digits"},
		"negative length":     {slice(func(_ *pb.Event, s *pb.Slice) { s.GoodMm = -1 }), "slice.good_mm: must not be negative"},
		"rated 0":             {slice(func(_ *pb.Event, s *pb.Slice) { s.RatedMmPerMin = proto.Int64(0) }), "slice.rated_mm_per_min: must be above 0"},
		"no from":             {slice(func(_ *pb.Event, s *pb.Slice) { s.From = nil }), "slice.from: is required"},
		"year 10000":          {slice(func(e *pb.Event, _ *pb.Slice) { e.RecordedAt = &timestamppb.Timestamp{Seconds: maxSeconds + 1} }), "recorded_at: is not a time"},
		"no body":             {event(&pb.Event{}), "body: is required"},
		"note":                {note(&pb.ReasonNoted{From: at(from), To: at(from + 1)}), ""},
		"note of 8 days":      {note(&pb.ReasonNoted{From: at(from - 8*86_400_000), To: at(from)}), "reason_noted.to: is more than 7 days"},
		"note of the year 1":  {note(&pb.ReasonNoted{From: &timestamppb.Timestamp{Seconds: minSeconds}, To: &timestamppb.Timestamp{Seconds: minSeconds + 1}}), "reason_noted.from: is more than 400 days before"},
		"note of next week":   {note(&pb.ReasonNoted{From: at(from + 6*86_400_000), To: at(from + 6*86_400_000 + 1)}), "reason_noted.to: is more than 24 hours after"},
		"booking of 3 days":   {event(&pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: at(from - 3*86_400_000), To: at(from), LengthMm: 1, Cause: 1}}}), "waste_booked.to: is more than 48 hours"},
		"began last week":     {event(&pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Station: "a", Outcome: 1, BeganAt: at(from - 7*86_400_000)}}}), "station_signed_off.began_at: is more than 24 hours before"},
		"note backwards":      {note(&pb.ReasonNoted{From: at(from), To: at(from)}), "reason_noted.to: must be after"},
		"void":                {void(&pb.Voided{Epoch: 1, FirstSeq: 1, LastSeq: 2, Earliest: at(from)}), ""},
		"void without epoch":  {void(&pb.Voided{FirstSeq: 1, LastSeq: 2, Earliest: at(from)}), "voided.epoch: is required"},
		"void backwards":      {void(&pb.Voided{Epoch: 1, FirstSeq: 3, LastSeq: 2, Earliest: at(from)}), "voided.last_seq: must not be before"},
		"void without time":   {void(&pb.Voided{Epoch: 1, FirstSeq: 1, LastSeq: 2}), "voided.earliest: is required"},
		"unprintable session": {event(&pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: "a\x00"}}}), "cleaning_closed.session: holds a character"},
		"lanes":               {event(&pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: at(from), To: at(from + 1), LengthMm: 1, Cause: 1, LanesBad: 3, Lanes: 2}}}), "waste_booked.lanes_bad: must not be above"},
		"30 February":         {event(&pb.Event{Body: &pb.Event_PeriodClosed{PeriodClosed: &pb.PeriodClosed{FirstDay: "2026-02-30", LastDay: "2026-03-01"}}}), "period_closed.first_day: is not a day"},
	} {
		v := Validate(c.e)
		if c.want == "" {
			if v != nil {
				t.Errorf("%s: %v", name, v)
			}
			continue
		}
		if len(v) != 1 || !strings.HasPrefix(v[0].String(), c.want) {
			t.Errorf("%s: %v, want %q", name, v, c.want)
		}
	}
}

func TestValidateDoesNotAllocate(t *testing.T) {
	e := validSlice()
	if n := testing.AllocsPerRun(100, func() { Validate(e) }); n != 0 {
		t.Fatalf("%v allocations", n)
	}
}
