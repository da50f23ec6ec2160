package api

import (
	"cmp"
	"slices"
	"strings"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
)

// noFamily is the family of length made on jobs that name none.
const noFamily = "(none)"

// leastRun is the time in PRODUCTION that makes a day one with a run, ms.
const leastRun = 10 * timeline.Minute

// visitsBefore is how many days before a study's first day visits are read: a
// clean in the row of the first days may be that old. Older ones are never
// called doubtful.
const visitsBefore = 35

// dataSet makes a study's data set of press-days and station visits: one row
// for each press-day with a run, by press and day. stations are the columns;
// nil: every station that a press-day names. Lengths are mm, durations ms.
//
// The outcome is waste in PRODUCTION and in unplanned stops as the counters say
// it, less what was booked to restarts after a clean; a booking above the count
// never makes it negative. Contamination time is inside planned time only, as
// in the loss tree. A day without planned time that ran anyway (a shift the
// calendar does not know) is covered by the slices that tell of the run: 1.
func dataSet(days []timeline.PressDay, visits []timeline.StationVisit, stations []string) *study.DataSet {
	d := &study.DataSet{Stations: slices.Clone(stations)}
	families := map[string]bool{}
	named := map[string]bool{}
	run := make([]*timeline.PressDay, 0, len(days))
	for i := range days {
		if r := &days[i]; r.RunMS >= leastRun && r.RunMM > 0 {
			run = append(run, r)
			for _, f := range r.Families {
				families[familyName(f)] = true
			}
			for _, s := range r.Stations {
				named[s] = true
			}
		}
	}
	id := func(r *timeline.PressDay) string { return r.Plant + "/" + r.Press }
	slices.SortStableFunc(run, func(a, b *timeline.PressDay) int {
		return cmp.Or(strings.Compare(id(a), id(b)), cmp.Compare(a.Day, b.Day))
	})
	d.Families = sortedNames(families)
	if stations == nil {
		d.Stations = sortedNames(named)
	}
	doubt := doubtsOf(visits)
	for _, r := range run {
		row := study.Row{
			Press: id(r), Plant: r.Plant, Day: int32(r.Day),
			RunMM:                r.RunMM,
			RestartWasteMM:       bothMM(r, loss.RestartWaste),
			SetupWasteMM:         r.SetupRunWaste,
			ContaminationWasteMM: bothMM(r, loss.ContaminationWaste),
			ContaminationMS:      max(0, (r.In[loss.ContaminationStop].US+r.In[loss.ContaminationSlow].US)/1000),
			UnrelatedWasteMM:     bothMM(r, loss.SpliceWaste) + bothMM(r, loss.MaterialWaste),
			PlannedMM:            r.PlannedMM, PlannedMS: r.PBT, Jobs: int32(r.Jobs), Shifts: int32(r.Shifts),
			CoveragePPM: coveragePPM(r),
			FamilyMM:    make([]int64, len(d.Families)), Stations: make([]study.StationDay, len(d.Stations)),
		}
		row.RunWasteMM = max(0, r.RunWaste-row.RestartWasteMM)
		for i, f := range r.Families {
			k, _ := slices.BinarySearch(d.Families, familyName(f))
			row.FamilyMM[k] += r.FamilyMM[i]
		}
		for k, name := range d.Stations {
			row.Stations[k] = stationDay(r, name, doubt)
		}
		if n := len(d.Rows); n > 0 && d.Rows[n-1].Press == row.Press {
			for k := range d.Stations {
				d.Rows[n-1].Stations[k].Next = row.Stations[k].State
			}
		}
		d.Rows = append(d.Rows, row)
	}
	return d
}

func sortedNames(set map[string]bool) []string {
	out := make([]string, 0, len(set))
	for n := range set {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

func familyName(f string) string {
	if f == "" {
		return noFamily
	}
	return f
}

// bothMM is a leaf's length inside and outside planned time, mm.
func bothMM(r *timeline.PressDay, l loss.Leaf) int64 { return max(0, r.In[l].MM+r.Out[l].MM) }

// coveragePPM is the share of planned time that slices cover, millionths.
func coveragePPM(r *timeline.PressDay) int32 {
	if r.PBT <= 0 {
		return 1_000_000
	}
	return int32(min(1_000_000, max(0, r.Measured*1_000_000/r.PBT)))
}

// stationDay is one station in one row. Next is Unknown until the press's next
// row is known.
func stationDay(r *timeline.PressDay, name string, doubt map[doubtKey][]visitDoubt) study.StationDay {
	out := study.StationDay{State: study.NotExposed, Next: study.Unknown, FoundNext: study.None, SinceCleanMM: study.None}
	k := slices.Index(r.Stations, name)
	if k < 0 {
		return out
	}
	out.State = study.State(min(r.StationState[k], uint8(study.NotExposed)))
	out.SinceCleanMM = max(study.None, r.StationSinceMM[k])
	out.FoundNext = int32(r.StationFound[k])
	if out.State != study.Cleaned {
		out.Missed = min(max(0, r.StationInRow[k]), 1<<15-1)
		return out
	}
	last := visitDoubt{}
	for _, v := range doubt[doubtKey{r.Plant, r.Press, name}] {
		if v.at > r.FirstRun {
			break
		}
		last = v
	}
	out.Doubtful = last.tooFast
	return out
}

type doubtKey struct{ plant, press, station string }

// visitDoubt is a sign-off and whether it came too fast to have been a clean.
type visitDoubt struct {
	at      int64 // unix ms
	tooFast bool
}

// doubtsOf lists the sign-offs of each station by instant. Too fast is a visit
// marked doubtful that took less than its standard.
func doubtsOf(visits []timeline.StationVisit) map[doubtKey][]visitDoubt {
	out := map[doubtKey][]visitDoubt{}
	for i := range visits {
		v := &visits[i]
		if v.Seq < 0 {
			continue
		}
		k := doubtKey{v.Plant, v.Press, v.Station}
		out[k] = append(out[k], visitDoubt{v.To, v.Mark == cleaning.MarkDoubtful && v.Time < v.Standard})
	}
	for _, list := range out {
		slices.SortStableFunc(list, func(a, b visitDoubt) int { return cmp.Compare(a.at, b.at) })
	}
	return out
}
