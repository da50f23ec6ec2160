package study

import (
	"errors"
	"math"
	"slices"
	"testing"

	"github.com/downweb/downweb/analytics/stats"
)

// TestShiftsAreTheTest: the draws that a figure shows are those of the test.
func TestShiftsAreTheTest(t *testing.T) {
	ds := fleet{seed: 5, plants: 2, presses: 8, days: 80, stations: 2, effect: 0.2}.make()
	res := mustRun(t, ds, quick())
	for _, f := range res.Findings {
		s, err := Shifts(ds, quick(), Method, f.Name)
		if err != nil {
			t.Fatal(err)
		}
		over := 1
		for _, d := range s.Draws {
			if d >= s.Seen-1e-9 {
				over++
			}
		}
		if s.P != f.Test.P || float64(over)/float64(len(s.Draws)+1) != f.Test.P || math.Abs(s.Seen-f.Test.Leverage*math.Abs(f.Test.T)) > 1e-12 {
			t.Errorf("%s: p %v, counted %d, kept %v", f.Name, s.P, over, f.Test.P)
		}
	}
	if _, err := Shifts(ds, quick(), Method, "no-such"); !errors.Is(err, ErrNoPicture) {
		t.Error(err)
	}
}

// TestEventRows: an event is the first not-cleaned row after three cleaned
// ones; the recovery is the first cleaned row after; rows in which the station
// was not required are passed over. Worked by hand.
func TestEventRows(t *testing.T) {
	const c, n, x = Cleaned, NotCleaned, NotExposed
	s := &run{frame: &frame{presses: []string{"a"}, start: []int{0, 10}, rows: make([]*Row, 10)}, units: []unit{{state: []State{c, c, c, n, n, x, c, n, c, c}}}}
	miss, recovered := s.eventRows(0)
	if !slices.Equal(miss, []bool{false, false, false, true, false, false, false, false, false, false}) {
		t.Error("miss", miss)
	}
	if !slices.Equal(recovered, []bool{false, false, false, false, false, false, true, false, true, false}) {
		t.Error("recovery", recovered)
	}
	// One event at row 3: the first column holds all rows 7 or more before it,
	// the last all rows 7 or more after it.
	if got := s.eventColumn(miss, eventReach); !slices.Equal(got, []float64{0, 0, 0, 0, 0, 0, 0, 0, 0, 0}) {
		t.Error(got)
	}
	if got := s.eventColumn(miss, 2); !slices.Equal(got, []float64{0, 0, 0, 0, 0, 1, 0, 0, 0, 0}) {
		t.Error(got)
	}
	late := make([]bool, 10)
	late[8] = true
	if got := s.eventColumn(late, -eventReach); !slices.Equal(got, []float64{1, 1, 0, 0, 0, 0, 0, 0, 0, 0}) {
		t.Error(got)
	}
}

// TestEventsSeeThePlantedRun: over fleets with a planted ratio of e^0.3 the
// point at 0 is near it, points before the event are near 1, and the band over
// all points is wider than the intervals one by one; the recovery falls.
func TestEventsSeeThePlantedRun(t *testing.T) {
	var at0, before, after []float64
	low := 0
	for seed := range uint64(6) {
		ds := fleet{seed: 100 + seed, plants: 2, presses: 12, days: 110, stations: 2, effect: 0.3}.make()
		e, err := Events(ds, quick(), Method, "station-00")
		if err != nil {
			t.Fatal(err)
		}
		if e.Miss.PLeads <= 0.05 {
			low++
		}
		for i, p := range e.Miss.Points {
			if p.K == -1 {
				if p.Ratio != 1 || i != eventReach-1 {
					t.Errorf("the reference is %+v at %d", p, i)
				}
				continue
			}
			if !(p.AllLow < p.Low && p.Low < p.Ratio && p.Ratio < p.High && p.High < p.AllHigh) {
				t.Errorf("limits of %+v", p)
			}
			switch {
			case p.K == 0:
				at0 = append(at0, math.Log(p.Ratio))
			case p.K < 0:
				before = append(before, math.Log(p.Ratio))
			}
		}
		for _, p := range e.Recovery.Points {
			if p.K == 0 {
				after = append(after, math.Log(p.Ratio))
			}
		}
	}
	m0, _ := stats.Mean(at0)
	mb, _ := stats.Mean(before)
	ma, _ := stats.Mean(after)
	if math.Abs(m0-0.3) > 0.08 || math.Abs(mb) > 0.06 || math.Abs(ma+0.3) > 0.1 || low > 2 {
		t.Errorf("at 0 %.3f, before %.3f, recovery %.3f, leads below 5 %% in %d of 6", m0, mb, ma, low)
	}
}

// TestClock: a planted growth of 1.2 % a km comes back, inside the interval
// nearly always; gaps are read off by hand.
func TestClock(t *testing.T) {
	const slope, fleets = 0.012, 8
	var mean float64
	inside := 0
	for seed := range uint64(fleets) {
		ds := fleet{seed: 40 + seed, plants: 2, presses: 12, days: 110, stations: 2}.make()
		rnd := stats.Random{Seed: 4 + seed}
		for i := range ds.Rows {
			x := &ds.Rows[i].Stations[0]
			x.SinceCleanMM = 0
			if x.State == NotCleaned {
				x.SinceCleanMM = int64(1e6 * (10 + 70*rnd.Float64(1, uint64(i))))
			}
			ds.Rows[i].RunWasteMM = int64(float64(ds.Rows[i].RunWasteMM) * math.Exp(slope*float64(x.SinceCleanMM)/1e6))
		}
		c, err := ClockOf(ds, quick(), Method, "station-00")
		if err != nil || c.Refusal != "" {
			t.Fatal(err, c)
		}
		g := c.Linear
		mean += g.B / fleets
		if g.Low < slope && slope < g.High {
			inside++
		}
		if !(g.BaseLow > g.Base && g.Base > g.BaseHigh) || !(c.Log.B > 0) {
			t.Errorf("%+v %+v", g, c.Log)
		}
	}
	if math.Abs(mean-slope) > 0.002 || inside < fleets-2 {
		t.Errorf("mean slope %.4f, planted %.4f, inside the interval in %d of %d", mean, slope, inside, fleets)
	}
	// A clean before the 2nd row (gap 10), none before the 3rd, one in the middle
	// of the 3rd (its last 4 km), one before the 5th; an unknown clock ends it.
	hand := &DataSet{Stations: []string{"a"}}
	for i, r := range []struct{ since, run int64 }{{0, 10}, {0, 8}, {8, 12}, {4, 6}, {0, 5}, {-1, 5}, {0, 3}} {
		since := r.since * 1e6
		if r.since < 0 {
			since = None
		}
		hand.Rows = append(hand.Rows, Row{Press: "p/1", Plant: "p", Day: int32(100 + i), RunMM: r.run * 1e6, Stations: []StationDay{{SinceCleanMM: since}}})
	}
	var km []float64
	for _, g := range gaps(hand, 0) {
		km = append(km, g.Km)
	}
	if !slices.Equal(km, []float64{10, 16, 10}) {
		t.Errorf("gaps %v", km)
	}
}

// TestDoseFromFirstKilometer: where no run starts at exactly 0 km, those up to
// 1 km are the base; a clock that runs beside another station's is refused.
func TestDoseFromFirstKilometer(t *testing.T) {
	ds := fleet{seed: 21, plants: 2, presses: 12, days: 110, stations: 2, effect: 0.35}.make()
	rnd := stats.Random{Seed: 8}
	for i := range ds.Rows {
		for s := range ds.Rows[i].Stations {
			x := &ds.Rows[i].Stations[s]
			x.SinceCleanMM = int64(1e4 + 9e4*rnd.Float64(uint64(s), uint64(i)))
			if x.State == NotCleaned {
				x.SinceCleanMM = int64(1e6 * (5 + 60*rnd.Float64(uint64(10+s), uint64(i))))
			}
		}
	}
	d, err := DoseOf(ds, quick(), Method, "station-00")
	if err != nil {
		t.Fatal(err)
	}
	if d.Bins[0].FromKM != freshKM || len(d.Bins) < 2 {
		t.Errorf("%+v", d.Bins)
	}
	inside := 0
	for _, b := range d.Bins {
		if b.Low <= math.Exp(0.35) && math.Exp(0.35) <= b.High {
			inside++
		}
	}
	if inside < len(d.Bins)-1 {
		t.Errorf("%d of %d bins hold the planted ratio: %+v", inside, len(d.Bins), d.Bins)
	}
	for i := range ds.Rows {
		ds.Rows[i].Stations[1].SinceCleanMM = ds.Rows[i].Stations[0].SinceCleanMM
	}
	if _, err := DoseOf(ds, quick(), Method, "station-00"); !errors.Is(err, ErrNoPicture) {
		t.Error(err)
	}
}
