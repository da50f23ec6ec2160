package study

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/stats"
)

// fleet describes a simulated fleet. The truth is planted: a run that starts
// with station 0 not cleaned wastes exp(effect) times as much.
type fleet struct {
	seed     uint64
	plants   int
	presses  int
	days     int
	stations int
	effect   float64
	mix      float64 // film days skip more and waste more, both by this log-ratio per unit of share
}

// make draws a fleet: presses differ in level and trend, the job mix moves
// waste and skips alike (busy days skip more), whole sessions are skipped, waste
// is skewed and over-dispersed, condition found follows the skips, weekends are
// idle.
func (f fleet) make() *DataSet {
	rnd, at := stats.Random{Seed: f.seed}, uint64(0)
	u := func() float64 { at++; return rnd.Float64(77, at) }
	normal := func() float64 { return math.Sqrt(-2*math.Log(1-u())) * math.Cos(2*math.Pi*u()) }
	ds := &DataSet{Families: []string{"film", "paper"}}
	for s := range f.stations {
		ds.Stations = append(ds.Stations, fmt.Sprintf("station-%02d", s))
	}
	const monday = 20458 // 2026-01-05
	for p := range f.presses {
		level, slope, skip := 0.4*normal(), 0.3*normal(), 0.12+0.12*u()
		plant := fmt.Sprintf("plant-%d", p%f.plants)
		carry := 0.0
		var rows []Row
		for d := 0; len(rows) < f.days; d++ {
			if d%7 >= 5 && u() < 0.9 {
				continue
			}
			busy := normal()
			km := math.Exp(2.2 + 0.35*busy + 0.2*normal())
			film := u()
			hurry := math.Exp(0.5*busy + 2*f.mix*(film-0.5))
			session := u() < 0.5*skip*hurry
			r := Row{Press: fmt.Sprintf("%s/press-%03d", plant, p), Plant: plant, Day: int32(monday + d),
				RunMM: int64(km * 1e6), PlannedMM: int64(km * 1e6 * (0.9 + 0.2*u())), PlannedMS: 57_600_000,
				Jobs: int32(2 + 4*u() + max(0, busy)), Shifts: 2, CoveragePPM: 1_000_000}
			r.FamilyMM = []int64{int64(film * km * 1e6), int64((1 - film) * km * 1e6)}
			dirt := 0.0
			for s := range f.stations {
				x := StationDay{Next: Unknown, FoundNext: None, SinceCleanMM: 0}
				if session && u() < 0.8 || u() < 0.5*skip*hurry {
					x.State, x.SinceCleanMM = NotCleaned, 9_000_000
					if s == 0 {
						dirt = f.effect
					}
				}
				worse := 0.0
				if x.State == NotCleaned {
					worse = 0.9
				}
				x.FoundNext = int32(min(3, max(0, 0.6+worse+0.6*normal()+0.5)))
				r.Stations = append(r.Stations, x)
			}
			carry = 0.3*carry + 0.35*normal()
			mu := 14 * km * math.Exp(level+slope*float64(d)/180+(0.25+f.mix)*film+0.2*busy+dirt+carry+0.03*float64(d%7))
			w := mu * -math.Log((1-u())*(1-u())) / 2
			r.RunWasteMM = int64(w * 1000)
			r.RestartWasteMM = int64(4000 * u() * float64(f.stations))
			r.SetupWasteMM = int64(float64(r.Jobs) * 60_000 * (0.5 + u()))
			r.UnrelatedWasteMM = int64(2000 * km * -math.Log(1-u()))
			r.ContaminationWasteMM = int64(0.2 * float64(r.RunWasteMM) * u())
			r.ContaminationMS = int64(300_000 * -math.Log(1-u()))
			rows = append(rows, r)
		}
		ds.Rows = append(ds.Rows, rows...)
	}
	ds.Sort()
	ds.Link()
	return ds
}
