package method

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/study"
)

// FromDataSet makes a table of a study's data set: one row per press and
// production day, with press, plant, day (days since 1970-01-01), week (plant
// and ISO week), weekday, run_km, run_waste_m, waste_m_per_km, restart_waste_m,
// setup_waste_m, contamination_waste_m, contamination_min, unrelated_waste_m,
// planned_km, planned_min, jobs, shifts, coverage (0…1), share.FAMILY (of the
// length run), and per station STATION.not_cleaned (1, 0; missing where unknown
// or not exposed), STATION.missed (windows not cleaned in a row), STATION.km
// (since its last clean) and STATION.found (condition found at the next
// sign-off).
func FromDataSet(ds *study.DataSet) *Table {
	t := &Table{}
	text := func(name string, get func(r *study.Row) string) {
		c := Column{Name: name, Text: make([]string, len(ds.Rows))}
		for i := range ds.Rows {
			c.Text[i] = get(&ds.Rows[i])
		}
		t.Columns = append(t.Columns, c)
	}
	number := func(name string, get func(r *study.Row) float64) {
		c := Column{Name: name, Numbers: make([]float64, len(ds.Rows))}
		for i := range ds.Rows {
			if c.Numbers[i] = get(&ds.Rows[i]); math.IsInf(c.Numbers[i], 0) {
				c.Numbers[i] = math.NaN()
			}
		}
		t.Columns = append(t.Columns, c)
	}
	text("press", func(r *study.Row) string { return r.Press })
	text("plant", func(r *study.Row) string { return r.Plant })
	number("day", func(r *study.Row) float64 { return float64(r.Day) })
	text("week", func(r *study.Row) string {
		y, w := r.ISOWeek()
		return fmt.Sprintf("%s %d-W%02d", r.Plant, y, w)
	})
	text("weekday", func(r *study.Row) string { return fmt.Sprintf("%d", r.Weekday()) })
	number("run_km", func(r *study.Row) float64 { return float64(r.RunMM) / 1e6 })
	number("run_waste_m", func(r *study.Row) float64 { return float64(r.RunWasteMM) / 1e3 })
	number("waste_m_per_km", func(r *study.Row) float64 { return float64(r.RunWasteMM) / 1e3 / (float64(r.RunMM) / 1e6) })
	number("restart_waste_m", func(r *study.Row) float64 { return float64(r.RestartWasteMM) / 1e3 })
	number("setup_waste_m", func(r *study.Row) float64 { return float64(r.SetupWasteMM) / 1e3 })
	number("contamination_waste_m", func(r *study.Row) float64 { return float64(r.ContaminationWasteMM) / 1e3 })
	number("contamination_min", func(r *study.Row) float64 { return float64(r.ContaminationMS) / 60e3 })
	number("unrelated_waste_m", func(r *study.Row) float64 { return float64(r.UnrelatedWasteMM) / 1e3 })
	number("planned_km", func(r *study.Row) float64 { return float64(r.PlannedMM) / 1e6 })
	number("planned_min", func(r *study.Row) float64 { return float64(r.PlannedMS) / 60e3 })
	number("jobs", func(r *study.Row) float64 { return float64(r.Jobs) })
	number("shifts", func(r *study.Row) float64 { return float64(r.Shifts) })
	number("coverage", func(r *study.Row) float64 { return float64(r.CoveragePPM) / 1e6 })
	for f, name := range ds.Families {
		number("share."+name, func(r *study.Row) float64 {
			var sum int64
			for _, v := range r.FamilyMM {
				sum += v
			}
			return float64(r.FamilyMM[f]) / float64(sum)
		})
	}
	for s, name := range ds.Stations {
		number(name+".not_cleaned", func(r *study.Row) float64 {
			switch r.Stations[s].State {
			case study.Cleaned:
				return 0
			case study.NotCleaned:
				return 1
			}
			return math.NaN()
		})
		number(name+".missed", func(r *study.Row) float64 { return float64(r.Stations[s].Missed) })
		number(name+".km", func(r *study.Row) float64 {
			if v := r.Stations[s].SinceCleanMM; v != study.None {
				return float64(v) / 1e6
			}
			return math.NaN()
		})
		number(name+".found", func(r *study.Row) float64 {
			if v := r.Stations[s].FoundNext; v != study.None {
				return float64(v)
			}
			return math.NaN()
		})
	}
	return t
}
