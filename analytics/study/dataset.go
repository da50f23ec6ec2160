package study

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"time"
)

// State says how a station entered the run of a row: frozen at the first
// PRODUCTION slice, for the latest required window before it. A start-up duty
// belongs to the row of its day, a shut-down duty to the next row; a weekly,
// km or hour duty is "not cleaned" from the close of its window until cleaned.
type State uint8

const (
	// Cleaned: the window closed with a clean (also "inspected clean" or a
	// replaced part).
	Cleaned State = iota
	// NotCleaned: missed, or skipped for want of time, material or tool.
	NotCleaned
	// Unknown: the record has a gap where the clean may have been. The row is
	// left out and counted.
	Unknown
	// NotExposed: the press has no such station, it was not in use, or no
	// window was required.
	NotExposed
)

// None marks a missing whole number: condition found, meters since clean.
const None = -1

// StationDay is one station in one row.
type StationDay struct {
	State State
	// Next is the state for the next run row of the press (Unknown on the last).
	Next State
	// Missed counts the not-cleaned windows in a row up to this one; 0 when
	// cleaned.
	Missed int32
	// FoundNext is the condition found (0 clean … 3 worst) at the next sign-off
	// after the row started, or None.
	FoundNext int32
	// SinceCleanMM is the length run since the station's last clean at the
	// first PRODUCTION slice, mm, or None.
	SinceCleanMM int64
	// Doubtful marks a clean signed off too fast to have been one.
	Doubtful bool
}

// Row is one press on one production day with a run. Lengths are mm, durations
// ms, waste is what the counters say unless "booked" is in the name.
type Row struct {
	Press string // plant/press
	Plant string
	Day   int32 // local production day, days since 1970-01-01

	RunMM          int64 // length made in PRODUCTION, good and waste
	RunWasteMM     int64 // waste in PRODUCTION and unplanned stops, restart-after-clean waste taken out: the outcome
	RestartWasteMM int64 // restart-after-clean waste
	SetupWasteMM   int64 // waste in SETUP

	ContaminationWasteMM int64 // booked contamination waste
	ContaminationMS      int64 // contamination stop and slow time
	UnrelatedWasteMM     int64 // booked splice and material waste

	PlannedMM   int64 // planned length of the jobs of the day; 0 unknown
	PlannedMS   int64 // planned busy time; 0 unknown
	Jobs        int32 // jobs run
	Shifts      int32 // shifts worked
	CoveragePPM int32 // share of planned time covered by slices, millionths

	FamilyMM []int64      // length run per product family, order of DataSet.Families
	Stations []StationDay // order of DataSet.Stations
}

// Weekday returns the ISO weekday, 1 Monday … 7 Sunday.
func (r *Row) Weekday() int { return int((int64(r.Day)+3)%7+7)%7 + 1 }

// ISOWeek returns the ISO 8601 year and week.
func (r *Row) ISOWeek() (year, week int) {
	return time.Unix(int64(r.Day)*86400, 0).UTC().ISOWeek()
}

// DataSet is what a study runs on. Rows are ordered by press (byte order), then
// day; a press-day occurs once.
type DataSet struct {
	Stations []string
	Families []string
	Rows     []Row
}

// Check returns an ErrData that names the first row that breaks a rule.
func (d *DataSet) Check() error {
	for _, names := range [][]string{d.Stations, d.Families} {
		seen := map[string]bool{}
		for _, s := range names {
			if s == "" || seen[s] {
				return fmt.Errorf("%w: station or family %q is empty or repeated", ErrData, s)
			}
			seen[s] = true
		}
	}
	plant := map[string]string{}
	for i := range d.Rows {
		r := &d.Rows[i]
		bad := func(format string, a ...any) error {
			return fmt.Errorf("%w: row %d (%s day %d): %s", ErrData, i+1, r.Press, r.Day, fmt.Sprintf(format, a...))
		}
		if r.Press == "" || r.Plant == "" {
			return bad("press and plant are required")
		}
		if p, ok := plant[r.Press]; ok && p != r.Plant {
			return bad("press belongs to plants %s and %s", p, r.Plant)
		}
		plant[r.Press] = r.Plant
		if i > 0 {
			b := &d.Rows[i-1]
			if r.Press < b.Press || r.Press == b.Press && r.Day <= b.Day {
				return bad("rows must be ordered by press, then day, each press-day once")
			}
		}
		for _, v := range []int64{r.RunMM, r.RestartWasteMM, r.SetupWasteMM, r.ContaminationWasteMM,
			r.UnrelatedWasteMM, r.PlannedMM, r.PlannedMS, int64(r.Jobs), int64(r.Shifts)} {
			if v < 0 {
				return bad("a length, time or count is below zero")
			}
		}
		if r.CoveragePPM < 0 || r.CoveragePPM > 1e6 {
			return bad("coverage %d is outside 0…1000000", r.CoveragePPM)
		}
		if len(r.FamilyMM) != len(d.Families) || len(r.Stations) != len(d.Stations) {
			return bad("%d families and %d stations, want %d and %d", len(r.FamilyMM), len(r.Stations), len(d.Families), len(d.Stations))
		}
		for _, v := range r.FamilyMM {
			if v < 0 {
				return bad("a family length is below zero")
			}
		}
		for s, x := range r.Stations {
			if x.State > NotExposed || x.Next > NotExposed || x.FoundNext < None || x.FoundNext > 3 ||
				x.SinceCleanMM < None || x.Missed < 0 || x.Missed > math.MaxInt16 {
				return bad("station %s holds a value that does not exist", d.Stations[s])
			}
		}
	}
	return nil
}

// Sort puts rows in the order Check wants: press, then day.
func (d *DataSet) Sort() {
	slices.SortStableFunc(d.Rows, func(a, b Row) int {
		return cmp.Or(cmp.Compare(a.Press, b.Press), cmp.Compare(a.Day, b.Day))
	})
}

// Link sets Next and Missed of every station from the State of the rows of the
// same press, which must be sorted: Next is the state of the following row
// (Unknown on the last), Missed counts not-cleaned rows in a row; unknown and
// not-exposed rows leave the count as it is.
func (d *DataSet) Link() {
	for i := range d.Rows {
		r := &d.Rows[i]
		for s := range r.Stations {
			x := &r.Stations[s]
			x.Next, x.Missed = Unknown, 0
			if i+1 < len(d.Rows) && d.Rows[i+1].Press == r.Press {
				x.Next = d.Rows[i+1].Stations[s].State
			}
			if x.State == Cleaned {
				continue
			}
			if i > 0 && d.Rows[i-1].Press == r.Press {
				x.Missed = d.Rows[i-1].Stations[s].Missed
			}
			if x.State == NotCleaned {
				x.Missed++
			}
		}
	}
}

// SHA256 returns the lower-case hex SHA-256 of Bytes.
func (d *DataSet) SHA256() string {
	h := sha256.Sum256(d.Bytes())
	return hex.EncodeToString(h[:])
}
