package eventlog

import (
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Limits no rule of event.proto states.
const (
	// MaxSlice is the longest slice.
	MaxSlice = time.Minute
	// MaxInterval is the longest interval of a note.
	MaxInterval = 7 * 24 * time.Hour
	// MaxBooking is the longest interval of a booking: the division of waste
	// among bookings must not reach further than a day's fold sees.
	MaxBooking = 48 * time.Hour
	// MaxHindsight is how far back a note or booking may begin.
	MaxHindsight = 400 * 24 * time.Hour
	// MaxForesight is how far past the instant it is said a note or booking may
	// end.
	MaxForesight = 24 * time.Hour
)

// Violation names one field, by its path in event.proto, and what is wrong.
type Violation struct {
	Field, Reason string
}

func (v Violation) String() string { return v.Field + ": " + v.Reason }

// Validate returns what is wrong with an event, nil if nothing is. Epoch and
// seq may be missing: they are given by whoever appends. It does not look at
// the registry or at any clock, and does not allocate for a valid event.
//
// The rules of single fields are those event.proto states (a property test
// holds them equal); beyond them: times present, in range and whole
// milliseconds; from before to; a slice at most 60 s and inside one UTC
// minute, its occurred_at absent or equal to from; notes and bookings at most
// 7 days; ids printable; a body, or one of a later version.
func Validate(e *pb.Event) []Violation {
	var v violations
	v.fields(e)
	v.across(e)
	return v
}

type violations []Violation

func (v *violations) add(field, reason string) { *v = append(*v, Violation{field, reason}) }

func (v *violations) slug(field, s string) {
	if !isSlug(s) {
		v.add(field, "must be a slug of [a-z0-9-], at most 40 characters")
	}
}

func (v *violations) text(field, s string, least, most int) {
	if len(s) < least {
		v.add(field, "is required")
	} else if len(s) > most && utf8.RuneCountInString(s) > most {
		if most == 500 {
			v.add(field, "is longer than 500 characters")
			return
		}
		v.add(field, "is longer than 64 characters")
	}
}

func (v *violations) enum(field string, n, last int32, zero bool) {
	switch {
	case n == 0 && !zero:
		v.add(field, "is required")
	case n < 0 || n > last:
		v.add(field, "is not a known value")
	}
}

func (v *violations) rated(field string, n *int64) {
	switch {
	case n == nil:
	case *n <= 0:
		v.add(field, "must be above 0")
	case *n > 2_000_000:
		v.add(field, "must be at most 2000000 mm/min")
	}
}

func (v *violations) length(field string, n, least, most int64) {
	switch {
	case n < least && least == 0:
		v.add(field, "must not be negative")
	case n < least:
		v.add(field, "must be above 0")
	case n > most:
		v.add(field, "is too long")
	}
}

func (v *violations) day(field, s string) {
	if len(s) != 10 {
		v.add(field, "must be a day YYYY-MM-DD")
		return
	}
	for i := range len(s) {
		if c := s[i]; (i == 4 || i == 7) != (c == '-') || c != '-' && (c < '0' || c > '9') {
			v.add(field, "must be a day YYYY-MM-DD")
			return
		}
	}
}

const noMost = 1<<63 - 1

// fields are the rules written beside single fields in event.proto.
func (v *violations) fields(e *pb.Event) {
	v.slug("plant", e.GetPlant())
	v.slug("press", e.GetPress())
	v.text("source_key", e.GetSourceKey(), 0, 64)
	switch b := e.GetBody().(type) {
	case *pb.Event_Slice:
		s := b.Slice
		v.enum("slice.state", int32(s.GetState()), 8, false)
		v.text("slice.job", s.GetJob(), 0, 64)
		if s != nil {
			v.rated("slice.rated_mm_per_min", s.RatedMmPerMin)
		}
		v.length("slice.good_mm", s.GetGoodMm(), 0, 100_000_000)
		v.length("slice.waste_mm", s.GetWasteMm(), 0, 100_000_000)
	case *pb.Event_CleaningOpened:
		o := b.CleaningOpened
		v.text("cleaning_opened.session", o.GetSession(), 1, 64)
		v.enum("cleaning_opened.occasion", int32(o.GetOccasion()), 4, false)
		v.text("cleaning_opened.crew", o.GetCrew(), 0, 64)
	case *pb.Event_CleaningClosed:
		c := b.CleaningClosed
		v.text("cleaning_closed.session", c.GetSession(), 1, 64)
		v.text("cleaning_closed.crew", c.GetCrew(), 0, 64)
	case *pb.Event_StationSignedOff:
		s := b.StationSignedOff
		v.text("station_signed_off.session", s.GetSession(), 0, 64)
		v.text("station_signed_off.task", s.GetTask(), 0, 64)
		v.text("station_signed_off.station", s.GetStation(), 1, 64)
		v.enum("station_signed_off.outcome", int32(s.GetOutcome()), 3, false)
		if s != nil && s.ConditionFound != nil && (*s.ConditionFound < 0 || *s.ConditionFound > 3) {
			v.add("station_signed_off.condition_found", "must be 0 to 3")
		}
		v.text("station_signed_off.crew", s.GetCrew(), 0, 64)
		v.text("station_signed_off.note", s.GetNote(), 0, 500)
	case *pb.Event_StationSkipped:
		s := b.StationSkipped
		v.text("station_skipped.session", s.GetSession(), 0, 64)
		v.text("station_skipped.task", s.GetTask(), 0, 64)
		v.text("station_skipped.station", s.GetStation(), 1, 64)
		v.text("station_skipped.reason", s.GetReason(), 1, 64)
		v.text("station_skipped.crew", s.GetCrew(), 0, 64)
	case *pb.Event_ReasonNoted:
		r := b.ReasonNoted
		v.enum("reason_noted.kind", int32(r.GetKind()), 2, false)
		v.text("reason_noted.reason", r.GetReason(), 1, 64)
		v.text("reason_noted.station", r.GetStation(), 0, 64)
		v.text("reason_noted.crew", r.GetCrew(), 0, 64)
	case *pb.Event_DefectSeen:
		d := b.DefectSeen
		v.enum("defect_seen.kind", int32(d.GetKind()), 10, false)
		v.text("defect_seen.station", d.GetStation(), 0, 64)
		v.length("defect_seen.length_mm", d.GetLengthMm(), 0, noMost)
		v.text("defect_seen.crew", d.GetCrew(), 0, 64)
	case *pb.Event_WasteBooked:
		w := b.WasteBooked
		v.text("waste_booked.job", w.GetJob(), 0, 64)
		v.length("waste_booked.length_mm", w.GetLengthMm(), 1, 10_000_000_000)
		v.enum("waste_booked.cause", int32(w.GetCause()), 8, false)
		v.enum("waste_booked.found", int32(w.GetFound()), 2, true)
		v.enum("waste_booked.web", int32(w.GetWeb()), 3, true)
		v.length("waste_booked.lanes_bad", int64(w.GetLanesBad()), 0, noMost)
		v.length("waste_booked.lanes", int64(w.GetLanes()), 0, noMost)
		v.text("waste_booked.station", w.GetStation(), 0, 64)
		v.text("waste_booked.crew", w.GetCrew(), 0, 64)
	case *pb.Event_JobStarted:
		j := b.JobStarted
		v.text("job_started.job", j.GetJob(), 1, 64)
		v.text("job_started.family", j.GetFamily(), 0, 64)
		v.text("job_started.substrate", j.GetSubstrate(), 0, 64)
		if j != nil {
			v.rated("job_started.rated_mm_per_min", j.RatedMmPerMin)
		}
		v.length("job_started.planned_mm", j.GetPlannedMm(), 0, noMost)
	case *pb.Event_JobEnded:
		v.text("job_ended.job", b.JobEnded.GetJob(), 1, 64)
	case *pb.Event_JobCorrected:
		j := b.JobCorrected
		v.text("job_corrected.job", j.GetJob(), 1, 64)
		if j != nil {
			v.rated("job_corrected.rated_mm_per_min", j.RatedMmPerMin)
		}
		v.text("job_corrected.family", j.GetFamily(), 0, 64)
	case *pb.Event_Voided:
		w := b.Voided
		if w.GetFirstSeq() < 1 {
			v.add("voided.first_seq", "must be at least 1")
		}
		if w.GetLastSeq() < 1 {
			v.add("voided.last_seq", "must be at least 1")
		}
		v.text("voided.why", w.GetWhy(), 0, 500)
		v.text("voided.target_source_key", w.GetTargetSourceKey(), 0, 64)
	case *pb.Event_PeriodClosed:
		p := b.PeriodClosed
		v.day("period_closed.first_day", p.GetFirstDay())
		v.day("period_closed.last_day", p.GetLastDay())
		if len(p.GetSha256()) > 32 {
			v.add("period_closed.sha256", "is longer than 32 bytes")
		}
		v.text("period_closed.author", p.GetAuthor(), 0, 64)
	}
}

// time requires a timestamp that is there, valid and whole milliseconds.
func (v *violations) time(field string, t *timestamppb.Timestamp) bool {
	if t == nil {
		v.add(field, "is required")
		return false
	}
	return v.whole(field, t)
}

// whole accepts an absent timestamp.
func (v *violations) whole(field string, t *timestamppb.Timestamp) bool {
	switch {
	case t == nil:
		return false
	case t.Seconds < minSeconds || t.Seconds > maxSeconds || t.Nanos < 0 || t.Nanos > 999_999_999:
		v.add(field, "is not a time of the years 1 to 9999")
		return false
	case t.Nanos%1e6 != 0:
		v.add(field, "has more than three digits after the second (whole milliseconds only)")
		return false
	}
	return true
}

const (
	minSeconds = -62135596800 // 0001-01-01T00:00:00Z
	maxSeconds = 253402300799 // 9999-12-31T23:59:59Z
)

func unixMs(t *timestamppb.Timestamp) int64 { return t.Seconds*1000 + int64(t.Nanos)/1e6 }

func (v *violations) id(field, s string) {
	for _, r := range s {
		if !unicode.IsPrint(r) {
			v.add(field, "holds a character that cannot be printed")
			return
		}
	}
}

// interval checks what a note or booking said at an instant speaks of: a
// mistyped year would otherwise move a press's first or last day by centuries.
func (v *violations) interval(body string, said, from, to *timestamppb.Timestamp) {
	fromField, toField := "reason_noted.from", "reason_noted.to"
	most, tooLong := MaxInterval, "is more than 7 days after from"
	if body == "waste_booked" {
		fromField, toField = "waste_booked.from", "waste_booked.to"
		most, tooLong = MaxBooking, "is more than 48 hours after from"
	}
	okFrom, okTo := v.time(fromField, from), v.time(toField, to)
	if !okFrom || !okTo {
		return
	}
	switch d := unixMs(to) - unixMs(from); {
	case d <= 0:
		v.add(toField, "must be after from")
	case d > most.Milliseconds():
		v.add(toField, tooLong)
	}
	if said == nil {
		return
	}
	if unixMs(said)-unixMs(from) > MaxHindsight.Milliseconds() {
		v.add(fromField, "is more than 400 days before occurred_at")
	}
	if unixMs(to)-unixMs(said) > MaxForesight.Milliseconds() {
		v.add(toField, "is more than 24 hours after occurred_at")
	}
}

// across are the rules no single field can state.
func (v *violations) across(e *pb.Event) {
	if s := e.GetSlice(); s != nil {
		v.slice(e, s)
	} else {
		v.time("occurred_at", e.GetOccurredAt())
	}
	v.whole("recorded_at", e.GetRecordedAt())
	v.id("source_key", e.GetSourceKey())
	if e.GetPress() == PlantPress && e.GetPeriodClosed() == nil && e.GetVoided() == nil {
		v.add("press", "\"plant\" stands for the whole plant: only its periods are signed under it")
	}
	switch b := e.GetBody().(type) {
	case nil:
		if len(e.ProtoReflect().GetUnknown()) == 0 {
			v.add("body", "is required")
		}
	case *pb.Event_Slice:
		if b.Slice == nil {
			v.add("body", "is required")
		}
	case *pb.Event_CleaningOpened:
		v.id("cleaning_opened.session", b.CleaningOpened.GetSession())
	case *pb.Event_CleaningClosed:
		v.id("cleaning_closed.session", b.CleaningClosed.GetSession())
	case *pb.Event_StationSignedOff:
		s := b.StationSignedOff
		v.id("station_signed_off.session", s.GetSession())
		if v.whole("station_signed_off.began_at", s.GetBeganAt()) && e.GetOccurredAt() != nil &&
			unixMs(s.GetBeganAt()) > unixMs(e.GetOccurredAt()) {
			v.add("station_signed_off.began_at", "must not be after occurred_at")
		} else if s.GetBeganAt() != nil && e.GetOccurredAt() != nil && unixMs(e.GetOccurredAt())-unixMs(s.GetBeganAt()) > MaxForesight.Milliseconds() {
			v.add("station_signed_off.began_at", "is more than 24 hours before occurred_at")
		}
	case *pb.Event_StationSkipped:
		v.id("station_skipped.session", b.StationSkipped.GetSession())
	case *pb.Event_ReasonNoted:
		v.interval("reason_noted", e.GetOccurredAt(), b.ReasonNoted.GetFrom(), b.ReasonNoted.GetTo())
	case *pb.Event_WasteBooked:
		w := b.WasteBooked
		v.interval("waste_booked", e.GetOccurredAt(), w.GetFrom(), w.GetTo())
		v.id("waste_booked.job", w.GetJob())
		if w.GetLanesBad() > w.GetLanes() {
			v.add("waste_booked.lanes_bad", "must not be above lanes")
		}
	case *pb.Event_JobStarted:
		v.id("job_started.job", b.JobStarted.GetJob())
	case *pb.Event_JobEnded:
		v.id("job_ended.job", b.JobEnded.GetJob())
	case *pb.Event_JobCorrected:
		v.id("job_corrected.job", b.JobCorrected.GetJob())
	case *pb.Event_Voided:
		v.voided(b.Voided)
	case *pb.Event_PeriodClosed:
		p := b.PeriodClosed
		if !v.realDay("period_closed.first_day", p.GetFirstDay()) || !v.realDay("period_closed.last_day", p.GetLastDay()) {
			return
		}
		if p.GetLastDay() < p.GetFirstDay() {
			v.add("period_closed.last_day", "must not be before first_day")
		}
		if e.GetPress() != PlantPress {
			v.add("press", "a period is signed under the press \"plant\", which stands for the whole plant")
		}
	case *pb.Event_ClockStepped:
		v.time("clock_stepped.before", b.ClockStepped.GetBefore())
		v.time("clock_stepped.after", b.ClockStepped.GetAfter())
	}
}

func (v *violations) slice(e *pb.Event, s *pb.Slice) {
	okFrom, okTo := v.time("slice.from", s.From), v.time("slice.to", s.To)
	if okFrom && okTo {
		from, to := unixMs(s.From), unixMs(s.To)
		switch {
		case to <= from:
			v.add("slice.to", "must be after from")
		case to-from > MaxSlice.Milliseconds():
			v.add("slice.to", "is more than 60 s after from")
		case floorDiv(from, 60_000) != floorDiv(to-1, 60_000):
			v.add("slice.to", "is in another UTC minute than from")
		}
	}
	if v.whole("occurred_at", e.GetOccurredAt()) && okFrom && unixMs(e.GetOccurredAt()) != unixMs(s.From) {
		v.add("occurred_at", "of a slice must be its from, or absent")
	}
	v.id("slice.job", s.Job)
	v.text("slice.reason", s.Reason, 0, 64)
	v.text("slice.station", s.Station, 0, 64)
}

func (v *violations) voided(w *pb.Voided) {
	if w == nil {
		v.add("body", "is required")
		return
	}
	if w.Epoch == 0 {
		v.add("voided.epoch", "is required")
	}
	if w.LastSeq < w.FirstSeq {
		v.add("voided.last_seq", "must not be before first_seq")
	}
	v.time("voided.earliest", w.Earliest)
	v.id("voided.target_source_key", w.TargetSourceKey)
}

func (v *violations) realDay(field, s string) bool {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		if len(s) == 10 {
			v.add(field, "is not a day of the calendar")
		}
		return false
	}
	return true
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
