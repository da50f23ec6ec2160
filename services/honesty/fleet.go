package honesty

import (
	"fmt"
	"math"
	"math/rand/v2"

	"github.com/downweb/downweb/analytics/study"
)

// Fleet describes a simulated fleet: presses differ in level and trend, the job
// mix moves waste and skipped cleans alike, whole sessions are skipped, waste
// is skewed, over-dispersed and like that of the run before, and weekends are
// mostly idle. The zero value of a field leaves its trouble out.
type Fleet struct {
	Seed     uint64
	Plants   int
	Presses  int
	Days     int // run days of each press
	Stations int

	Effect    float64 // planted log rate ratio of a run that starts with station 0 not cleaned
	Mix       float64 // days with much film waste more and skip more: log-ratios per unit of share
	Feedback  float64 // a bad run makes the crew clean: log-odds of a skip per unit of log waste over usual
	Lasting   float64 // how much more of a run's bad luck is left in the next, beside 0.3
	PlantDay  float64 // spread of shocks that all presses of a plant share on a day: one in waste, one in the skips of each station
	Apart     float64 // further spread of the presses' levels, log
	Wrong     float64 // share of sign-offs that say the opposite of what was done
	Shutdown  bool    // cleans are due at shut-down: a busy day skips them, the next run starts dirty
	RestartMM int64   // restart waste of each station cleaned
	Follow    float64 // a trial on station 0: share of windows at which its schedule is followed; elsewhere a bad run is cleaned after, a good one is not
}

// Simulated is a fleet's data set and what was planted.
type Simulated struct {
	Data *study.DataSet
	// Extra is what the row's waste holds more, in expectation and meters,
	// because station 0 was not cleaned; 0 where it was.
	Extra []float64
	Plan  *study.TrialPlan // of a trial
	every [][]int
}

// plantDay is what all presses of a plant share on a day: log waste and, per
// station, log of how much likelier a skip is, independent of each other.
type plantDay struct {
	waste float64
	skip  []float64
}

const firstMonday = 20458 // 2026-01-05

// Make draws the fleet.
func (f Fleet) Make() *Simulated {
	ds := &study.DataSet{Families: []string{"film", "paper"}}
	for s := range f.Stations {
		ds.Stations = append(ds.Stations, fmt.Sprintf("station-%02d", s))
	}
	shared := rand.New(rand.NewPCG(f.Seed, 1))
	shocks := make([][]plantDay, f.Plants)
	for p := range shocks {
		shocks[p] = make([]plantDay, 2*f.Days+14)
		for d := range shocks[p] {
			shocks[p][d] = plantDay{f.PlantDay * shared.NormFloat64(), make([]float64, f.Stations)}
			for s := range shocks[p][d].skip {
				shocks[p][d].skip[s] = 2 * f.PlantDay * shared.NormFloat64()
			}
		}
	}
	ds.Rows = make([]study.Row, 0, f.Presses*f.Days)
	out := &Simulated{Data: ds, Extra: make([]float64, 0, f.Presses*f.Days)}
	if f.Follow > 0 {
		plan := &study.TrialPlan{Station: ds.Stations[0], Every: []int{1, 2}, Seed: f.Seed, Mondays: study.Mondays(firstMonday, int32(firstMonday+7*(f.Days/6)))}
		for p := range f.Presses {
			plan.Presses = append(plan.Presses, f.name(p))
		}
		out.Plan, out.every = plan, plan.Assign(plan.Seed, 0)
	}
	for p := range f.Presses {
		f.press(out, p, shocks[p*f.Plants/f.Presses])
	}
	ds.Link()
	if f.Wrong > 0 {
		f.misreport(ds)
	}
	return out
}

// name of a press.
func (f *Fleet) name(p int) string {
	return fmt.Sprintf("plant-%d/press-%03d", p*f.Plants/f.Presses, p)
}

// press draws one press's rows. Presses are numbered by plant, so rows come out
// in order.
func (f *Fleet) press(out *Simulated, p int, shock []plantDay) {
	rnd := rand.New(rand.NewPCG(f.Seed, uint64(100+p)))
	u, normal := rnd.Float64, rnd.NormFloat64
	level, slope, skip := 0.4*normal()+f.Apart*normal(), 0.3*normal(), 0.12+0.12*u()
	plant := fmt.Sprintf("plant-%d", p*f.Plants/f.Presses)
	carry, bad, hurryBefore := 0.0, 0.0, 1.0
	week, nth := -1, 0
	for d, rows := 0, 0; rows < f.Days && d < len(shock); d++ {
		if d%7 >= 5 && u() < 0.9 {
			continue
		}
		rows++
		busy, film := normal(), u()
		km := math.Exp(2.2 + 0.35*busy + 0.2*normal())
		hurry := math.Exp(0.5*busy + 2*f.Mix*(film-0.5))
		due := hurry
		if f.Shutdown {
			due, hurryBefore = hurryBefore, hurry
		}
		due *= math.Exp(f.Feedback * bad)
		odds := 0.5 * skip * due
		session := u() < odds/(1+odds)
		r := study.Row{Press: f.name(p), Plant: plant, Day: int32(firstMonday + d),
			RunMM: int64(km * 1e6), PlannedMM: int64(km * 1e6 * (0.9 + 0.2*u())), PlannedMS: 57_600_000,
			Jobs: int32(2 + 4*u() + max(0, busy)), Shifts: 2, CoveragePPM: 1_000_000,
			FamilyMM: []int64{int64(film * km * 1e6), int64((1 - film) * km * 1e6)}, Stations: make([]study.StationDay, 0, f.Stations)}
		dirty := false
		for s := range f.Stations {
			x := study.StationDay{Next: study.Unknown, SinceCleanMM: 0}
			if session && u() < 0.8 || u() < 0.5*skip*due*math.Exp(shock[d].skip[s]) {
				x.State, x.SinceCleanMM = study.NotCleaned, 9_000_000
				dirty = dirty || s == 0
			} else {
				r.RestartWasteMM += int64(float64(f.RestartMM) * (0.5 + u()))
			}
			if s == 0 && out.Plan != nil {
				if d/7 != week {
					week, nth = d/7, 0
				}
				leave := week < len(out.Plan.Mondays) && nth%out.every[p][week] != 0
				if u() >= f.Follow {
					leave = bad < 0
				}
				nth++
				if x.State, dirty = study.Cleaned, leave; leave {
					x.State = study.NotCleaned
				}
			}
			worse := 0.0
			if x.State == study.NotCleaned {
				worse = 0.9
			}
			x.FoundNext = int32(min(3, max(0, 1.1+worse+0.6*normal())))
			r.Stations = append(r.Stations, x)
		}
		carry = (0.3+f.Lasting)*carry + 0.35*normal()
		// Whatever moves waste and skips alike is on record: a study can hold it.
		usual := 14 * km * math.Exp(level+slope*float64(d)/180+(0.25+f.Mix)*film+0.3*math.Log(km/9)+0.05*float64(r.Jobs)+0.03*float64(d%7))
		mu, extra := usual*math.Exp(carry+shock[d].waste), 0.0
		if dirty {
			extra = mu * (math.Exp(f.Effect) - 1)
		}
		// Two exponentials: a gamma of shape 2, mean 1.
		w := (mu + extra) * (rnd.ExpFloat64() + rnd.ExpFloat64()) / 2
		bad = math.Log(w/(14*km)) - level - slope*float64(d)/180
		r.RunWasteMM = int64(w * 1000)
		r.SetupWasteMM = int64(float64(r.Jobs) * 60_000 * (0.5 + u()))
		r.UnrelatedWasteMM = int64(2000 * km * rnd.ExpFloat64())
		r.ContaminationWasteMM = int64(0.2 * float64(r.RunWasteMM) * u())
		r.ContaminationMS = int64(300_000 * rnd.ExpFloat64())
		out.Data.Rows = append(out.Data.Rows, r)
		out.Extra = append(out.Extra, extra)
	}
}

// misreport turns a share of the sign-offs round after everything happened.
func (f *Fleet) misreport(ds *study.DataSet) {
	rnd := rand.New(rand.NewPCG(f.Seed, 2))
	for i := range ds.Rows {
		for s := range ds.Rows[i].Stations {
			x := &ds.Rows[i].Stations[s]
			if rnd.Float64() >= f.Wrong {
				continue
			}
			if x.State == study.NotCleaned {
				x.State = study.Cleaned
			} else {
				x.State = study.NotCleaned
			}
		}
	}
	ds.Link()
}
