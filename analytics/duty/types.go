package duty

import "github.com/downweb/downweb/analytics/timeline"

// Outcome of a duty, numbered as in the duty service.
type Outcome uint8

// Outcomes.
const (
	OnTime      Outcome = 1
	Late        Outcome = 2
	Missed      Outcome = 3
	Skipped     Outcome = 4
	NotRequired Outcome = 5
	Unknown     Outcome = 6
	Open        Outcome = 7
)

var outcomeNames = [...]string{"", "on time", "late", "missed", "skipped", "not required", "unknown", "open"}

// String is the outcome in words.
func (o Outcome) String() string {
	if int(o) < len(outcomeNames) {
		return outcomeNames[o]
	}
	return "?"
}

// Row is one task due once. Its key is (Day, Task, Due).
type Row struct {
	Day       timeline.Day
	Task      string
	Station   string
	Cadence   timeline.Cadence
	Opens     int64 // unix ms
	Due       int64 // unix ms
	Closes    int64 // unix ms; 0: not known yet
	Outcome   Outcome
	DoneAt    int64 // instant of the sign-off or skip that decided it; 0: none
	DoneBy    timeline.ID
	Reason    string // of the skip
	ThirdSkip bool   // missed by the third skip in a row
}

// Grant is the standard time that one sign-off earns its session because it
// discharged a due duty. A duty grants its standard once.
type Grant struct {
	SignOff  timeline.ID
	At       int64 // unix ms, of the sign-off
	Task     string
	Standard int64 // ms
}

// ExposureState says how a station stood at the day's first PRODUCTION.
type ExposureState uint8

// Exposure states.
const (
	Cleaned     ExposureState = 0
	NotCleaned  ExposureState = 1 // missed and skipped alike
	NotKnown    ExposureState = 2
	NotExposed  ExposureState = 3 // the station was not in use
	neverClosed ExposureState = 255
)

// Exposure of one station, frozen at the day's first PRODUCTION slice.
type Exposure struct {
	Station       string
	State         ExposureState
	SinceMM       int64 // web since the last clean, mm; -1: never cleaned
	SinceMS       int64 // run time since the last clean, ms; -1: never cleaned
	AtLeast       bool  // unknown time lies between: the two are lower bounds
	InRow         int   // windows in a row that closed without a clean
	NextCondition int8  // condition found at the station's next sign-off, -1: none
	LateStart     bool  // signed after first PRODUCTION, within the grace
}

// Result of one production day.
type Result struct {
	Rows            []Row      // by task, due, cadence
	Grants          []Grant    // of sign-offs up to 24 h past the day, by instant
	Exposures       []Exposure // by station; none on a day without a run
	FirstProduction int64      // unix ms; 0: none
	LastProduction  int64      // end, unix ms; 0: none
	RunMS, RunMM    int64      // in PRODUCTION
}
