package timeline

import "math/big"

// The shapes of the projections: what the projector computes and the warehouse
// stores. They live here because both speak of them and neither knows the
// other. Leaves, causes and outcomes are by their stored numbers.

// MaxLeaf bounds the leaf numbers of package loss.
const MaxLeaf = 25

// LeafAmount is what a leaf holds of one press-day.
type LeafAmount struct {
	US       int64 // time, µs
	MM       int64 // length, mm
	Material int64 // material, billionths of the currency
}

// PressDay is one press on one production day: the row that answers fleet and
// year.
type PressDay struct {
	Plant, Press string
	Day          Day

	Currency    string
	HourMicro   int64 // value of one hour, millionths: contribution if Constrained, else press hour
	Constrained bool

	PBT int64 // planned busy time, ms
	APT int64 // actual production time, ms
	In  [MaxLeaf]LeafAmount
	Out [MaxLeaf]LeafAmount

	PartNoRecord      int64 // cleaning overrun without a session, µs
	PartDirtCleaning  int64 // cleaning inside contamination stop, µs
	PartSetupCleaning int64 // cleaning inside set-up, µs

	Valuable int64 // valuable operating time, µs
	Good     int64 // good length of planned production, mm
	Made     int64 // all length of planned production, mm

	Measured, Stated, Unknown int64 // coverage of planned time, ms

	GoodOutside    int64 // good length outside PRODUCTION, mm
	ExtraGood      int64 // good length of production outside planned time, mm
	Excess         int64 // booked above the count, mm
	NoteSpill      int64 // ms
	AssumedMM      int64 // mm
	UnknownReasons int64
	OutLabour      int64 // labour of cleaning outside planned time, billionths
	OverlapMS      int64
	OverlapMM      int64
	Sessions       int64
	ClosedByRule   int64

	RunMS          int64 // time in PRODUCTION, ms
	RunMM          int64 // length made in PRODUCTION, mm
	RunWaste       int64 // waste in PRODUCTION and in unplanned stops, gross, mm
	SetupRunWaste  int64 // waste counted in SETUP, mm
	FirstRun       int64 // first PRODUCTION, unix ms; 0: none
	LastRun        int64 // end of the last PRODUCTION, unix ms; 0: none
	Jobs           int64 // jobs that ran
	PlannedMM      int64 // their planned length, mm
	Shifts         int64 // shifts with production
	Families       []string
	FamilyMM       []int64
	Stations       []string // stations of the plan, sorted; empty on a day without a run
	StationState   []uint8  // study exposure: 0 cleaned, 1 not cleaned, 2 unknown, 3 not exposed
	StationSinceMM []int64
	StationInRow   []int32
	StationFound   []int8

	Downstream int64 // length moved from good to waste by what was found later, mm

	// Restart windows after cleans that ended on the day (loss.Restarts).
	RestartCleans  int64
	RestartMM      int64 // length made in them, mm
	RestartWaste   int64 // waste counted in them, mm
	RestartExcess  int64 // waste less the steady share of the length, mm; signed
	RestartSquares int64 // Σ of the squares of each clean's excess, cm²

	Through int64  // how far the press is known inside the day, unix ms
	Carry   string // what the next day's fold starts from
}

// ShiftFact is time and length of one press-day booked to one key.
type ShiftFact struct {
	Plant, Press string
	Day          Day
	Shift        string
	Planned      bool
	Leaf, Sub    uint8
	State        State
	Reason       string
	Station      string
	Job          string
	Family       string
	Rated        int64 // mm/min
	Minor        bool
	Dur          int64 // ms
	Good, Waste  int64 // mm
	Material     int64 // waste, billionths of the currency
	// Stops is the number of whole stops that begin in the fact: stretches of one
	// leaf and station without production, over breaks and the ends of shifts and
	// days; a stop that changes its reason or job is one.
	Stops int64
}

// StationVisit is one station's share of a cleaning session.
type StationVisit struct {
	Plant, Press string
	Day          Day
	Session      string
	Occasion     Occasion
	SessionFrom  int64 // unix ms
	SessionTo    int64
	ClosedByRule bool
	Allowance    int64 // of the session's group, ms; on the group's first row only
	Overrun      int64 // session time over the allowance, in and out of planned time, ms; on the group's first row only
	Unused       int64 // allowance not used, ms; on the group's first row only
	Closing      int64 // time after the last sign-off, ms; on the session's last row only
	Seq          int32 // position in the session, from 0; -1: the session itself, without a station
	Station      string
	Task         string
	From, To     int64 // unix ms
	Time         int64 // press time, ms
	Standard     int64 // ms
	Interruption int64 // ms
	Mark         string
	Crew         string // pseudonym of the crew that signed off, or opened the session (Seq -1); empty: not said
	Own          int64  // the crew's own time on the station, not shared with other chains, ms
	Checks       Checks // stated at the hand-back; on the session's row (Seq -1) only
}

// DutyRow is one task due once.
type DutyRow struct {
	Plant, Press string
	Day          Day
	Task         string
	Station      string
	Cadence      Cadence
	Opens        int64 // unix ms
	Due          int64
	Closes       int64 // 0: not known yet
	Outcome      uint8
	DoneAt       int64 // 0: none
	Reason       string
	ThirdSkip    bool
	Hazards      []uint8
	Isolate      bool
}

// Projections are the rows of one press from one production day on, each list
// in order of its key.
type Projections struct {
	Days   []PressDay
	Facts  []ShiftFact
	Visits []StationVisit
	Duties []DutyRow
}

// LossSum is press-days added up by a key, a currency and a basis of money.
// Fields of PressDay that do not add are zero; Through is the latest.
type LossSum struct {
	Key       string
	PressDays int64
	PressDay
	// Priced is, by leaf, Σ time in µs × value of the hour in millionths, over
	// planned time: divided by 3.6e15 it is money. Nil: the leaf has no time.
	Priced [MaxLeaf]*big.Int
}

// FactSum is facts added up by one part of their key.
type FactSum struct {
	Key         string
	Currency    string
	Constrained bool
	HourMicro   int64
	Planned     bool
	Leaf, Sub   uint8
	State       State
	Rated       int64
	// JobOpen says that the slices name a job. A gap has no slice and therefore
	// none: unaccounted time and an isolated press count as without a job.
	JobOpen     bool
	Minor       bool // the whole stop was shorter than five minutes
	Stops       int64
	Dur         int64
	Good, Waste int64
	Material    int64
}
