package warehouse

import (
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// eventRow is one row of the table events; what its columns mean stands in schema/0002_events.sql. Instants are unix
// milliseconds.
type eventRow struct {
	kind                                 uint8
	plant, press                         string
	occurredAt                           int64
	epoch, seq, pos                      uint64
	recordedDelay, dur                   int64
	state                                uint8
	reason, station, job                 string
	rated, good, waste                   int64
	sourceKey                            string
	fromAt                               int64
	session                              string
	occasion                             uint8
	crew                                 string
	checks                               uint8
	task                                 string
	outcome, condition                   uint8
	note                                 string
	noteKind, defect                     uint8
	length                               int64
	cause, found, web                    uint8
	lanesBad, lanes                      int32
	family, substrate                    string
	targetEpoch, targetFirst, targetLast uint64
	targetKey, firstDay, lastDay         string
	closedPos, closedRev                 uint64
	sha256, author                       string
	raw                                  string
}

// Bits of checks.
const (
	checkTools     = 1
	checkGuards    = 2
	checkIsolation = 4
)

// NoInstantError says that an event has neither occurred_at nor recorded_at and so has no place in the log.
type NoInstantError struct{ ID timeline.ID }

func (e *NoInstantError) Error() string { return fmt.Sprintf("event %v has no instant", e.ID) }

// OccurredAt is the instant under which an event is kept, unix ms: a slice's start, else occurred_at,
// else recorded_at. ok is false if it has none of them.
func OccurredAt(e *pb.Event) (ms int64, ok bool) {
	switch {
	case e.GetSlice().GetFrom() != nil:
		return millis(e.GetSlice().From), true
	case e.OccurredAt != nil:
		return millis(e.OccurredAt), true
	case e.RecordedAt != nil:
		return millis(e.RecordedAt), true
	}
	return 0, false
}

// RecordedAt is when the event was taken down, unix ms; without recorded_at it is OccurredAt.
func RecordedAt(e *pb.Event) int64 {
	if e.RecordedAt != nil {
		return millis(e.RecordedAt)
	}
	ms, _ := OccurredAt(e)
	return ms
}

// Month is the partition that an event belongs to, as YYYYMM in UTC.
func Month(ms int64) int {
	t := timestamppb.Timestamp{Seconds: floorDiv(ms, 1000)}
	y, m, _ := t.AsTime().Date()
	return y*100 + int(m)
}

// rowOf turns an event into its row. What the columns cannot say is kept whole in raw, so that toEvent gives back an
// equal event, except that a missing occurred_at is filled in.
func rowOf(e *pb.Event, pos uint64) (eventRow, error) {
	at, ok := OccurredAt(e)
	if !ok {
		return eventRow{}, &NoInstantError{timeline.ID{Epoch: e.Epoch, Seq: e.Seq}}
	}
	r := eventRow{plant: e.Plant, press: e.Press, occurredAt: at, epoch: e.Epoch, seq: e.Seq, pos: pos, sourceKey: e.SourceKey}
	r.recordedDelay = RecordedAt(e) - at
	exact := true // the columns say all
	small := func(v protoreflect.EnumNumber) uint8 {
		exact = exact && v >= 0 && v <= math.MaxUint8
		return uint8(v)
	}
	interval := func(from, to *timestamppb.Timestamp) {
		r.fromAt = millis(from)
		r.dur = millis(to) - r.fromAt
	}
	switch b := e.Body.(type) {
	case *pb.Event_Slice:
		s := b.Slice
		r.kind = uint8(timeline.KindSlice)
		r.dur = millis(s.To) - at
		r.state, r.reason, r.station, r.job = small(s.State.Number()), s.Reason, s.Station, s.Job
		r.rated, r.good, r.waste = s.GetRatedMmPerMin(), s.GoodMm, s.WasteMm
		exact = exact && s.From != nil && s.To != nil && e.RecordedAt != nil && (e.OccurredAt == nil || millis(e.OccurredAt) == at) &&
			whole(s.From) && whole(s.To) && whole(e.OccurredAt) && whole(e.RecordedAt) &&
			(s.RatedMmPerMin == nil) == (r.rated == 0) &&
			len(e.ProtoReflect().GetUnknown()) == 0 && len(s.ProtoReflect().GetUnknown()) == 0
		if exact {
			return r, nil
		}
		return r.keepWhole(e)
	case *pb.Event_CleaningOpened:
		r.kind = uint8(timeline.KindCleaningOpened)
		r.session, r.occasion, r.crew = b.CleaningOpened.GetSession(), small(b.CleaningOpened.GetOccasion().Number()), b.CleaningOpened.GetCrew()
	case *pb.Event_CleaningClosed:
		c := b.CleaningClosed
		r.kind = uint8(timeline.KindCleaningClosed)
		r.session, r.crew = c.GetSession(), c.GetCrew()
		r.checks = bit(c.GetToolsCountedOut(), checkTools) | bit(c.GetGuardsRestored(), checkGuards) | bit(c.GetIsolationRemoved(), checkIsolation)
	case *pb.Event_StationSignedOff:
		s := b.StationSignedOff
		r.kind = uint8(timeline.KindStationSignedOff)
		r.session, r.task, r.station, r.outcome = s.GetSession(), s.GetTask(), s.GetStation(), small(s.GetOutcome().Number())
		if s.GetConditionFound() >= 0 && s.GetConditionFound() < math.MaxUint8 && s.ConditionFound != nil {
			r.condition = uint8(*s.ConditionFound + 1)
		}
		r.crew, r.note, r.fromAt = s.GetCrew(), s.GetNote(), millis(s.GetBeganAt())
	case *pb.Event_StationSkipped:
		s := b.StationSkipped
		r.kind = uint8(timeline.KindStationSkipped)
		r.session, r.task, r.station, r.reason, r.crew = s.GetSession(), s.GetTask(), s.GetStation(), s.GetReason(), s.GetCrew()
	case *pb.Event_ReasonNoted:
		n := b.ReasonNoted
		r.kind = uint8(timeline.KindReasonNoted)
		interval(n.GetFrom(), n.GetTo())
		r.noteKind, r.reason, r.station, r.crew = small(n.GetKind().Number()), n.GetReason(), n.GetStation(), n.GetCrew()
	case *pb.Event_DefectSeen:
		d := b.DefectSeen
		r.kind = uint8(timeline.KindDefectSeen)
		r.defect, r.station, r.length, r.crew = small(d.GetKind().Number()), d.GetStation(), d.GetLengthMm(), d.GetCrew()
	case *pb.Event_WasteBooked:
		w := b.WasteBooked
		r.kind = uint8(timeline.KindWasteBooked)
		interval(w.GetFrom(), w.GetTo())
		r.job, r.length, r.cause = w.GetJob(), w.GetLengthMm(), small(w.GetCause().Number())
		r.found, r.web, r.lanesBad, r.lanes = small(w.GetFound().Number()), small(w.GetWeb().Number()), w.GetLanesBad(), w.GetLanes()
		r.station, r.crew = w.GetStation(), w.GetCrew()
	case *pb.Event_JobStarted:
		j := b.JobStarted
		r.kind = uint8(timeline.KindJobStarted)
		r.job, r.family, r.substrate, r.rated, r.length = j.GetJob(), j.GetFamily(), j.GetSubstrate(), j.GetRatedMmPerMin(), j.GetPlannedMm()
	case *pb.Event_JobEnded:
		r.kind = uint8(timeline.KindJobEnded)
		r.job = b.JobEnded.GetJob()
	case *pb.Event_JobCorrected:
		j := b.JobCorrected
		r.kind = uint8(timeline.KindJobCorrected)
		r.job, r.rated, r.family = j.GetJob(), j.GetRatedMmPerMin(), j.GetFamily()
	case *pb.Event_Voided:
		v := b.Voided
		r.kind = uint8(timeline.KindVoided)
		r.targetEpoch, r.targetFirst, r.targetLast = v.GetEpoch(), v.GetFirstSeq(), v.GetLastSeq()
		r.fromAt, r.note, r.targetKey = millis(v.GetEarliest()), v.GetWhy(), v.GetTargetSourceKey()
	case *pb.Event_PeriodClosed:
		p := b.PeriodClosed
		r.kind = uint8(timeline.KindPeriodClosed)
		r.firstDay, r.lastDay, r.closedPos, r.closedRev = p.GetFirstDay(), p.GetLastDay(), p.GetPos(), p.GetRegistryRev()
		r.sha256, r.author = string(p.GetSha256()), p.GetAuthor()
	case *pb.Event_ClockStepped:
		r.kind = uint8(timeline.KindClockStepped)
		interval(b.ClockStepped.GetBefore(), b.ClockStepped.GetAfter())
	}
	want := e
	if e.OccurredAt == nil {
		want = proto.CloneOf(e)
		want.OccurredAt = stamp(at)
	}
	if r.kind != 0 && exact && proto.Equal(r.toBody(), want) {
		return r, nil
	}
	return r.keepWhole(e)
}

// keepWhole adds the event itself to its row.
func (r eventRow) keepWhole(e *pb.Event) (eventRow, error) {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
	if err != nil {
		return r, fmt.Errorf("keep event %v whole: %w", timeline.ID{Epoch: e.Epoch, Seq: e.Seq}, err)
	}
	r.raw = string(raw)
	return r, nil
}

// toEvent turns a row back into the event.
func (r *eventRow) toEvent() (*pb.Event, error) {
	if r.raw == "" {
		return r.toBody(), nil
	}
	e := &pb.Event{}
	if err := proto.Unmarshal([]byte(r.raw), e); err != nil {
		return nil, fmt.Errorf("event %s/%s/%v: %w", r.plant, r.press, timeline.ID{Epoch: r.epoch, Seq: r.seq}, err)
	}
	if e.OccurredAt == nil {
		e.OccurredAt = stamp(r.occurredAt)
	}
	return e, nil
}

// toBody is toEvent from the columns alone.
func (r *eventRow) toBody() *pb.Event {
	e := &pb.Event{Plant: r.plant, Press: r.press, Epoch: r.epoch, Seq: r.seq, SourceKey: r.sourceKey,
		OccurredAt: stamp(r.occurredAt), RecordedAt: stamp(r.occurredAt + r.recordedDelay)}
	switch timeline.Kind(r.kind) {
	case timeline.KindSlice:
		e.Body = &pb.Event_Slice{Slice: &pb.Slice{From: stamp(r.occurredAt), To: stamp(r.occurredAt + r.dur), State: pb.State(r.state),
			Reason: r.reason, Station: r.station, Job: r.job, RatedMmPerMin: given(r.rated), GoodMm: r.good, WasteMm: r.waste}}
	case timeline.KindCleaningOpened:
		e.Body = &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: r.session, Occasion: pb.Occasion(r.occasion), Crew: r.crew}}
	case timeline.KindCleaningClosed:
		e.Body = &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: r.session, Crew: r.crew, ToolsCountedOut: r.checks&checkTools != 0,
			GuardsRestored: r.checks&checkGuards != 0, IsolationRemoved: r.checks&checkIsolation != 0}}
	case timeline.KindStationSignedOff:
		s := &pb.StationSignedOff{Session: r.session, Task: r.task, Station: r.station, Outcome: pb.Outcome(r.outcome), Crew: r.crew, Note: r.note}
		if r.condition > 0 {
			s.ConditionFound = proto.Int32(int32(r.condition) - 1)
		}
		if r.fromAt != 0 {
			s.BeganAt = stamp(r.fromAt)
		}
		e.Body = &pb.Event_StationSignedOff{StationSignedOff: s}
	case timeline.KindStationSkipped:
		e.Body = &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: r.session, Task: r.task, Station: r.station, Reason: r.reason, Crew: r.crew}}
	case timeline.KindReasonNoted:
		e.Body = &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: stamp(r.fromAt), To: stamp(r.fromAt + r.dur), Kind: pb.NoteKind(r.noteKind),
			Reason: r.reason, Station: r.station, Crew: r.crew}}
	case timeline.KindDefectSeen:
		e.Body = &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind(r.defect), Station: r.station, LengthMm: r.length, Crew: r.crew}}
	case timeline.KindWasteBooked:
		e.Body = &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stamp(r.fromAt), To: stamp(r.fromAt + r.dur), Job: r.job, LengthMm: r.length,
			Cause: pb.WasteCause(r.cause), Found: pb.WhereFound(r.found), Web: pb.Web(r.web), LanesBad: r.lanesBad, Lanes: r.lanes, Station: r.station, Crew: r.crew}}
	case timeline.KindJobStarted:
		e.Body = &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: r.job, Family: r.family, Substrate: r.substrate, RatedMmPerMin: given(r.rated), PlannedMm: r.length}}
	case timeline.KindJobEnded:
		e.Body = &pb.Event_JobEnded{JobEnded: &pb.JobEnded{Job: r.job}}
	case timeline.KindJobCorrected:
		e.Body = &pb.Event_JobCorrected{JobCorrected: &pb.JobCorrected{Job: r.job, RatedMmPerMin: given(r.rated), Family: r.family}}
	case timeline.KindVoided:
		v := &pb.Voided{Epoch: r.targetEpoch, FirstSeq: r.targetFirst, LastSeq: r.targetLast, Why: r.note, TargetSourceKey: r.targetKey}
		if r.fromAt != 0 {
			v.Earliest = stamp(r.fromAt)
		}
		e.Body = &pb.Event_Voided{Voided: v}
	case timeline.KindPeriodClosed:
		p := &pb.PeriodClosed{FirstDay: r.firstDay, LastDay: r.lastDay, Pos: r.closedPos, RegistryRev: r.closedRev, Author: r.author}
		if r.sha256 != "" {
			p.Sha256 = []byte(r.sha256)
		}
		e.Body = &pb.Event_PeriodClosed{PeriodClosed: p}
	case timeline.KindClockStepped:
		e.Body = &pb.Event_ClockStepped{ClockStepped: &pb.ClockStepped{Before: stamp(r.fromAt), After: stamp(r.fromAt + r.dur)}}
	}
	return e
}

// millis is unix milliseconds, rounded down; 0 for none.
func millis(t *timestamppb.Timestamp) int64 {
	if t == nil {
		return 0
	}
	return t.Seconds*1000 + int64(t.Nanos)/1e6
}

// whole says that an instant has whole milliseconds and nothing unknown.
func whole(t *timestamppb.Timestamp) bool {
	return t == nil || t.Nanos%1e6 == 0 && t.Nanos >= 0 && len(t.ProtoReflect().GetUnknown()) == 0
}

func stamp(ms int64) *timestamppb.Timestamp {
	s := floorDiv(ms, 1000)
	return &timestamppb.Timestamp{Seconds: s, Nanos: int32(ms-s*1000) * 1e6}
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

func given(v int64) *int64 {
	if v == 0 {
		return nil
	}
	return &v
}

func bit(on bool, b uint8) uint8 {
	if on {
		return b
	}
	return 0
}
