package timeline

import "fmt"

// Kind of an event's body.
type Kind uint8

// Kinds, numbered as the body fields of the log format.
const (
	KindUnknown          Kind = 0
	KindSlice            Kind = 10
	KindCleaningOpened   Kind = 11
	KindCleaningClosed   Kind = 12
	KindStationSignedOff Kind = 13
	KindStationSkipped   Kind = 14
	KindReasonNoted      Kind = 15
	KindDefectSeen       Kind = 16
	KindWasteBooked      Kind = 17
	KindJobStarted       Kind = 18
	KindJobEnded         Kind = 19
	KindJobCorrected     Kind = 20
	KindVoided           Kind = 21
	KindPeriodClosed     Kind = 22
	KindClockStepped     Kind = 23
)

// PlantPress stands where an event's identity names a press, for what is said
// of a whole plant: the signing of its periods. The registry refuses it as the
// name of a press, and nothing under it is projected.
const PlantPress = "plant"

// State of the press during a slice, numbered as in the log format.
type State uint8

// States.
const (
	StateNone        State = 0
	StateProduction  State = 1
	StateSetup       State = 2
	StateTrial       State = 3
	StateCleaning    State = 4
	StateMaintenance State = 5
	StateDown        State = 6
	StateWaiting     State = 7
	StateOff         State = 8
)

var stateNames = [...]string{"", "production", "setup", "trial", "cleaning", "maintenance", "down", "waiting", "off"}

// String is the lower-case name; empty for no slice.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "unknown"
}

// Occasion of a cleaning session, numbered as in the log format.
type Occasion uint8

// Occasions.
const (
	OccasionNone       Occasion = 0
	OccasionStartup    Occasion = 1
	OccasionShutdown   Occasion = 2
	OccasionChangeover Occasion = 3
	OccasionOnDemand   Occasion = 4
)

// Outcome of a sign-off, numbered as in the log format.
type Outcome uint8

// Outcomes.
const (
	OutcomeNone           Outcome = 0
	OutcomeCleaned        Outcome = 1
	OutcomeInspectedClean Outcome = 2
	OutcomeReplacedPart   Outcome = 3
)

// NoteKind says what a reason note is about.
type NoteKind uint8

// Note kinds.
const (
	NoteStop NoteKind = 1
	NoteSlow NoteKind = 2
)

// Cause that waste is booked to, numbered as in the log format.
type Cause uint8

// Causes.
const (
	CauseNone          Cause = 0
	CauseSetup         Cause = 1
	CauseSplice        Cause = 2
	CauseRestart       Cause = 3
	CauseContamination Cause = 4
	CauseCure          Cause = 5
	CauseRegister      Cause = 6
	CauseMaterial      Cause = 7
	CauseOther         Cause = 8
)

// Checks are what a crew states when it hands the press back, as bits; what a
// hand-back requires is for the site's own procedure.
type Checks uint8

// Checks.
const (
	CheckTools     Checks = 1 // tools and cloths counted out of the press
	CheckGuards    Checks = 2 // guards and interlocks restored
	CheckIsolation Checks = 4 // isolation removed by whoever applied it
	CheckStated    Checks = 8 // the session was closed by the crew; without it nothing was stated
)

// ID is an event's identity on its press.
type ID struct {
	Epoch uint64
	Seq   uint64
}

// String is epoch (16 hex digits) and seq.
func (id ID) String() string { return fmt.Sprintf("%016x/%d", id.Epoch, id.Seq) }

// Slice is the press's time and meters as an additive fact. Rated 0: none
// given.
type Slice struct {
	ID
	Interval
	Recorded int64 // unix ms
	State    State
	Reason   string
	Station  string
	Job      string
	Rated    int64 // mm/min
	Good     int64 // mm
	Waste    int64 // mm
}

// Event is any event that is not a slice. Which fields mean something follows
// from Kind; see proto/downweb/v1/event.proto.
type Event struct {
	ID
	Kind      Kind
	At        int64 // when it was said or done, unix ms
	Recorded  int64 // unix ms
	SourceKey string
	Interval  // notes and bookings: what it speaks of
	Session   string
	Task      string
	Station   string
	Reason    string
	Job       string
	Crew      string
	Family    string
	Substrate string
	Note      string
	Occasion  Occasion
	Outcome   Outcome
	NoteKind  NoteKind
	Cause     Cause
	Condition int8  // condition found 0 to 3, -1: not given
	Found     uint8 // 2: downstream
	Web       uint8
	LanesBad  int32
	Lanes     int32
	Rated     int64  // mm/min, 0: none given
	Length    int64  // booked or planned length, mm
	Began     int64  // sign-off: when work began, 0: not said
	Checks    Checks // closing: what was stated at the hand-back
	// Voided: what is taken back.
	TargetEpoch uint64
	TargetFirst uint64
	TargetLast  uint64
	Earliest    int64
}

// before orders events of one press free of arrival: by recorded time, then
// epoch, then seq.
func (e *Event) before(o *Event) bool {
	if e.Recorded != o.Recorded {
		return e.Recorded < o.Recorded
	}
	if e.Epoch != o.Epoch {
		return e.Epoch < o.Epoch
	}
	return e.Seq < o.Seq
}

// Before orders two events of one press by (recorded_at, epoch, seq): the rule
// for "the later note wins" and "the first of one source key counts".
func Before(a, b *Event) bool { return a.before(b) }
