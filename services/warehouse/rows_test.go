package warehouse

import (
	"errors"
	"math/rand/v2"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// randomMessage sets each field of a message by chance, as the descriptors say: a field added to the log format is
// covered without a change here.
func randomMessage(rng *rand.Rand, m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.ContainingOneof() != nil && !f.HasOptionalKeyword() || rng.IntN(4) == 0 {
			continue
		}
		switch f.Kind() {
		case protoreflect.MessageKind:
			ms := t0 + rng.Int64N(3*86400000)
			m.Set(f, protoreflect.ValueOfMessage(stamp(ms).ProtoReflect()))
		case protoreflect.EnumKind:
			values := f.Enum().Values()
			m.Set(f, protoreflect.ValueOfEnum(values.Get(rng.IntN(values.Len())).Number()))
		case protoreflect.StringKind:
			m.Set(f, protoreflect.ValueOfString([]string{"", "a", "corona", "ä'\\\t\n\x00", "job-4711"}[rng.IntN(5)]))
		case protoreflect.BytesKind:
			b := make([]byte, rng.IntN(33))
			for i := range b {
				b[i] = byte(rng.Uint32())
			}
			m.Set(f, protoreflect.ValueOfBytes(b))
		case protoreflect.BoolKind:
			m.Set(f, protoreflect.ValueOfBool(rng.IntN(2) == 0))
		case protoreflect.Int64Kind:
			m.Set(f, protoreflect.ValueOfInt64([]int64{0, 1, -7, 120000, 1 << 40, rng.Int64()}[rng.IntN(6)]))
		case protoreflect.Int32Kind:
			m.Set(f, protoreflect.ValueOfInt32([]int32{0, 1, 3, -2, 300, rng.Int32()}[rng.IntN(6)]))
		case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
			m.Set(f, protoreflect.ValueOfUint64([]uint64{0, 1, rng.Uint64()}[rng.IntN(3)]))
		default:
			panic("no random value for a field of kind " + f.Kind().String())
		}
	}
}

// randomEvent is any event that a decoder could hand over, in the month of t0.
func randomEvent(rng *rand.Rand, seq uint64) *pb.Event {
	e := &pb.Event{}
	m := e.ProtoReflect()
	randomMessage(rng, m)
	e.Plant, e.Press, e.Epoch, e.Seq = "rhein", []string{"p1", "p2"}[rng.IntN(2)], 7, seq
	e.OccurredAt = stamp(t0 + rng.Int64N(86400000))
	bodies := m.Descriptor().Oneofs().ByName("body").Fields()
	switch n := rng.IntN(bodies.Len() + 1); {
	case n < bodies.Len():
		f := bodies.Get(n)
		body := m.NewField(f)
		randomMessage(rng, body.Message())
		m.Set(f, body)
		if s := e.GetSlice(); s != nil && rng.IntN(2) == 0 { // the common form
			s.From = e.OccurredAt
			s.To = stamp(millis(s.From) + rng.Int64N(60000))
		}
		if rng.IntN(8) == 0 {
			body.Message().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 900, protowire.VarintType), 5))
		}
	default: // a body of a later version
		m.SetUnknown(protowire.AppendBytes(protowire.AppendTag(nil, 77, protowire.BytesType), []byte("later")))
	}
	if rng.IntN(8) == 0 && e.OccurredAt != nil {
		e.RecordedAt = &timestamppb.Timestamp{Seconds: t0 / 1000, Nanos: 123456789} // not whole milliseconds
	}
	return e
}

// Every event that goes into the table comes out equal, whatever its body, whichever version made it.
func TestRoundTrip(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	const seed = 20260302
	rng := rand.New(rand.NewPCG(seed, 1))
	want := map[string]*pb.Event{}
	kinds := map[string]int{}
	const n, batches = 400, 5
	for b := range batches {
		var evs []*pb.Event
		for i := range n {
			e := randomEvent(rng, uint64(b*n+i)+1)
			evs = append(evs, e)
			want[EventID(e.Plant, e.Press, e.Epoch, e.Seq)] = proto.CloneOf(e)
			kinds[bodyName(e)]++
		}
		if err := db.InsertEvents(ctx, evs, uint64(b)+1); err != nil {
			t.Fatal(err)
		}
	}
	if len(kinds) != 15 {
		t.Fatalf("bodies covered: %v", kinds)
	}
	got := 0
	var after *ListKey
	for range 1000 {
		evs, last, err := db.ListEvents(ctx, ListQuery{After: after, Limit: 333})
		if err != nil {
			t.Fatal(err)
		}
		if len(evs) == 0 {
			break
		}
		for _, s := range evs {
			if !proto.Equal(want[s.Id], s.Event) {
				t.Fatalf("seed %d: %s\nstored %v\nread   %v", seed, s.Id, want[s.Id], s.Event)
			}
			got++
		}
		after = last
	}
	if got != n*batches {
		t.Fatalf("stored %d events, listed %d", n*batches, got)
	}
}

func bodyName(e *pb.Event) string {
	m := e.ProtoReflect()
	if f := m.WhichOneof(m.Descriptor().Oneofs().ByName("body")); f != nil {
		return string(f.Name())
	}
	return "none"
}

// The columns alone tell a valid event: raw is only for what they cannot.
func TestValidEventsNeedNoRaw(t *testing.T) {
	for _, e := range validEvents() {
		r, err := rowOf(e, 1)
		if err != nil {
			t.Fatal(err)
		}
		if r.raw != "" {
			t.Errorf("%s is kept raw", bodyName(e))
		}
	}
	missing := sliceAt("rhein", "p1", 7, 0)
	missing.OccurredAt, missing.RecordedAt = nil, nil
	missing.GetSlice().From = nil
	var none *NoInstantError
	if _, err := rowOf(missing, 1); !errors.As(err, &none) {
		t.Errorf("an event without an instant: %v", err)
	}
}

// validEvents is one of each body, with every field set.
func validEvents() []*pb.Event {
	at, from, to := stamp(t0+3600000), stamp(t0), stamp(t0+1800000)
	var out []*pb.Event
	add := func(e *pb.Event) {
		e.Plant, e.Press, e.Epoch, e.Seq = "rhein", "p1", 7, uint64(len(out))+1
		e.RecordedAt = stamp(t0 + 3601000)
		if e.OccurredAt == nil {
			e.OccurredAt = at
			e.SourceKey = bodyName(e)
		}
		out = append(out, e)
	}
	add(&pb.Event{OccurredAt: from, Body: &pb.Event_Slice{Slice: &pb.Slice{From: from, To: stamp(t0 + 60000), State: pb.State_STATE_DOWN, Reason: "dirt", Station: "corona",
		Job: "j", RatedMmPerMin: proto.Int64(1000), GoodMm: 1, WasteMm: 2}}})
	add(&pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: "s", Occasion: pb.Occasion_OCCASION_SHUTDOWN, Crew: "c"}}})
	add(&pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: "s", Crew: "c", ToolsCountedOut: true, GuardsRestored: true, IsolationRemoved: true}}})
	add(&pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: "s", Task: "t", Station: "st", Outcome: pb.Outcome_OUTCOME_CLEANED,
		ConditionFound: proto.Int32(0), Crew: "c", Note: "n", BeganAt: from}}})
	add(&pb.Event{Body: &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: "s", Task: "t", Station: "st", Reason: "no-time", Crew: "c"}}})
	add(&pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: from, To: to, Kind: pb.NoteKind_NOTE_KIND_SLOW, Reason: "r", Station: "st", Crew: "c"}}})
	add(&pb.Event{Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind_DEFECT_KIND_STREAK, Station: "st", LengthMm: 5, Crew: "c"}}})
	add(&pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: from, To: to, Job: "j", LengthMm: 9, Cause: pb.WasteCause_WASTE_CAUSE_CURE,
		Found: pb.WhereFound_WHERE_FOUND_DOWNSTREAM, Web: pb.Web_WEB_SECOND, LanesBad: 1, Lanes: 4, Station: "st", Crew: "c"}}})
	add(&pb.Event{Body: &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: "j", Family: "f", Substrate: "pp", RatedMmPerMin: proto.Int64(7), PlannedMm: 8}}})
	add(&pb.Event{Body: &pb.Event_JobEnded{JobEnded: &pb.JobEnded{Job: "j"}}})
	add(&pb.Event{Body: &pb.Event_JobCorrected{JobCorrected: &pb.JobCorrected{Job: "j", RatedMmPerMin: proto.Int64(9), Family: "g"}}})
	add(&pb.Event{Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: 7, FirstSeq: 1, LastSeq: 2, Earliest: from, Why: "w", TargetSourceKey: "k"}}})
	add(&pb.Event{Body: &pb.Event_PeriodClosed{PeriodClosed: &pb.PeriodClosed{FirstDay: "2026-03-01", LastDay: "2026-03-31", Pos: 4, RegistryRev: 5,
		Sha256: []byte{0, 255, 7}, Author: "a"}}})
	add(&pb.Event{Body: &pb.Event_ClockStepped{ClockStepped: &pb.ClockStepped{Before: from, After: to}}})
	return out
}

// The pure packages get from ReadEvents and ReadSlices what the events say.
func TestReadAsTimeline(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	evs := validEvents()
	if err := db.InsertEvents(ctx, evs, 1); err != nil {
		t.Fatal(err)
	}
	got, err := db.ReadEvents(ctx, "rhein", "p1", t0, t0+7200000)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(evs)-1 {
		t.Fatalf("%d events read, %d stored that are no slices", len(got), len(evs)-1)
	}
	iv := timeline.Interval{From: t0, To: t0 + 1800000}
	base := func(e *pb.Event, k timeline.Kind) timeline.Event {
		return timeline.Event{ID: timeline.ID{Epoch: 7, Seq: e.Seq}, Kind: k, At: t0 + 3600000, Recorded: t0 + 3601000, SourceKey: e.SourceKey, Condition: -1}
	}
	for i := range got {
		e := evs[i+1]
		want := base(e, got[i].Kind)
		switch got[i].Kind {
		case timeline.KindCleaningOpened:
			want.Session, want.Occasion, want.Crew = "s", timeline.OccasionShutdown, "c"
		case timeline.KindCleaningClosed:
			want.Session, want.Crew, want.Checks = "s", "c", timeline.CheckTools|timeline.CheckGuards|timeline.CheckIsolation
		case timeline.KindStationSignedOff:
			want.Session, want.Task, want.Station, want.Outcome, want.Condition, want.Crew, want.Note, want.Began = "s", "t", "st", timeline.OutcomeCleaned, 0, "c", "n", t0
		case timeline.KindStationSkipped:
			want.Session, want.Task, want.Station, want.Reason, want.Crew = "s", "t", "st", "no-time", "c"
		case timeline.KindReasonNoted:
			want.Interval, want.NoteKind, want.Reason, want.Station, want.Crew = iv, timeline.NoteSlow, "r", "st", "c"
		case timeline.KindDefectSeen:
			want.Station, want.Length, want.Crew = "st", 5, "c"
		case timeline.KindWasteBooked:
			want.Interval, want.Job, want.Length, want.Cause, want.Found, want.Web = iv, "j", 9, timeline.CauseCure, 2, 2
			want.LanesBad, want.Lanes, want.Station, want.Crew = 1, 4, "st", "c"
		case timeline.KindJobStarted:
			want.Job, want.Family, want.Substrate, want.Rated, want.Length = "j", "f", "pp", 7, 8
		case timeline.KindJobEnded:
			want.Job = "j"
		case timeline.KindJobCorrected:
			want.Job, want.Rated, want.Family = "j", 9, "g"
		case timeline.KindVoided:
			want.TargetEpoch, want.TargetFirst, want.TargetLast, want.Earliest, want.Note = 7, 1, 2, t0, "w"
		case timeline.KindPeriodClosed:
		case timeline.KindClockStepped:
			want.Interval = iv
		default:
			t.Errorf("unexpected kind %d", got[i].Kind)
		}
		if got[i] != want {
			t.Errorf("kind %d\n got %+v\nwant %+v", got[i].Kind, got[i], want)
		}
	}
	sl, err := db.ReadSlices(ctx, "rhein", "p1", t0+59999, t0+60000)
	if err != nil {
		t.Fatal(err)
	}
	want := timeline.Slice{ID: timeline.ID{Epoch: 7, Seq: 1}, Interval: timeline.Interval{From: t0, To: t0 + 60000}, Recorded: t0 + 3601000,
		State: timeline.StateDown, Reason: "dirt", Station: "corona", Job: "j", Rated: 1000, Good: 1, Waste: 2}
	if len(sl) != 1 || sl[0] != want {
		t.Errorf("slices: %+v", sl)
	}
	if sl, err = db.ReadSlices(ctx, "rhein", "p1", t0+60000, t0+90000); err != nil || len(sl) != 0 {
		t.Errorf("a slice that ended is read: %v %v", sl, err)
	}
	// Outside its instant only what speaks of the stretch is read: the note, the booking, the job's start,
	// the correction, the void.
	if got, err = db.ReadEvents(ctx, "rhein", "p1", t0+1000, t0+2000); err != nil || len(got) != 5 {
		t.Errorf("%d events, %v", len(got), err)
	}
	if at, ok, err := db.JobStart(ctx, "rhein", "p1", "j"); err != nil || !ok || at != t0 {
		t.Errorf("start of the job: %d %v %v", at, ok, err)
	}
}
