package api

import (
	"bytes"
	"reflect"
	"testing"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
)

// runDay is a day with a run; numbers are invented.
func runDay(press string, day timeline.Day) timeline.PressDay {
	r := timeline.PressDay{Plant: "rhein", Press: press, Day: day, PBT: 480 * timeline.Minute, Measured: 456 * timeline.Minute,
		RunMS: 300 * timeline.Minute, RunMM: 20_000_000, RunWaste: 700_000, SetupRunWaste: 120_000, FirstRun: int64(day)*24*timeline.Hour + 6*timeline.Hour,
		Jobs: 2, PlannedMM: 21_000_000, Shifts: 1, Families: []string{"", "wine"}, FamilyMM: []int64{5_000_000, 15_000_000},
		Stations: []string{"treater", "uv-1"}, StationState: []uint8{0, 1}, StationSinceMM: []int64{4_000_000, -1}, StationInRow: []int32{0, 3}, StationFound: []int8{2, -1}}
	r.In[loss.RestartWaste].MM, r.Out[loss.RestartWaste].MM = 80_000, 20_000
	r.In[loss.ContaminationWaste].MM = 30_000
	r.In[loss.SpliceWaste].MM, r.Out[loss.MaterialWaste].MM = 7_000, 4_000
	r.In[loss.ContaminationStop].US, r.In[loss.ContaminationSlow].US = 5*60_000_000, 90_000_000
	return r
}

func TestDataSetRow(t *testing.T) {
	d := dataSet([]timeline.PressDay{runDay("p1", 20_000)}, nil, nil)
	if err := d.Check(); err != nil {
		t.Fatal(err)
	}
	want := study.Row{Press: "rhein/p1", Plant: "rhein", Day: 20_000,
		RunMM: 20_000_000, RunWasteMM: 600_000, RestartWasteMM: 100_000, SetupWasteMM: 120_000,
		ContaminationWasteMM: 30_000, ContaminationMS: 390_000, UnrelatedWasteMM: 11_000,
		PlannedMM: 21_000_000, PlannedMS: 480 * 60_000, Jobs: 2, Shifts: 1, CoveragePPM: 950_000,
		FamilyMM: []int64{5_000_000, 15_000_000},
		Stations: []study.StationDay{
			{State: study.Cleaned, Next: study.Unknown, FoundNext: 2, SinceCleanMM: 4_000_000},
			{State: study.NotCleaned, Next: study.Unknown, Missed: 3, FoundNext: study.None, SinceCleanMM: study.None}}}
	if !reflect.DeepEqual(d.Rows, []study.Row{want}) {
		t.Errorf("row %+v\nwant %+v", d.Rows, want)
	}
	if !reflect.DeepEqual(d.Families, []string{noFamily, "wine"}) || !reflect.DeepEqual(d.Stations, []string{"treater", "uv-1"}) {
		t.Errorf("families %q, stations %q", d.Families, d.Stations)
	}
}

// Days without a run are no rows; the next row's state is told to the one
// before it, over the gap, on the same press only.
func TestDataSetRows(t *testing.T) {
	days := []timeline.PressDay{runDay("p2", 20_001), runDay("p1", 20_003), runDay("p1", 20_000), runDay("p1", 20_001), runDay("p1", 20_002)}
	days[3].RunMS = 9 * timeline.Minute // too short to be a run
	days[4].RunMS, days[4].RunMM, days[4].Stations = 0, 0, nil
	days[1].StationState = []uint8{1, 2}
	d := dataSet(days, nil, nil)
	var got []string
	for _, r := range d.Rows {
		got = append(got, r.Press+" "+timeline.Day(r.Day).String())
	}
	if want := []string{"rhein/p1 2024-10-04", "rhein/p1 2024-10-07", "rhein/p2 2024-10-05"}; !reflect.DeepEqual(got, want) {
		t.Fatalf("rows %q, want %q", got, want)
	}
	if s := d.Rows[0].Stations; s[0].Next != study.NotCleaned || s[1].Next != study.Unknown || d.Rows[1].Stations[0].Next != study.Unknown {
		t.Errorf("next states %+v, %+v", s, d.Rows[1].Stations)
	}
	// Chosen stations are the columns; one that a press has not is not exposed.
	d = dataSet(days, nil, []string{"anilox", "treater"})
	if s := d.Rows[0].Stations; s[0].State != study.NotExposed || s[1].State != study.Cleaned {
		t.Errorf("chosen stations %+v", s)
	}
	// The order of what is read does not matter.
	again := dataSet([]timeline.PressDay{days[4], days[3], days[2], days[0], days[1]}, nil, []string{"anilox", "treater"})
	if !bytes.Equal(again.Bytes(), d.Bytes()) {
		t.Error("another order gives other bytes")
	}
}

// Numbers never break the data set's rules, whatever was booked.
func TestDataSetBounds(t *testing.T) {
	r := runDay("p1", 20_000)
	r.RunWaste = 50_000 // less than booked to restarts
	r.In[loss.ContaminationSlow].US = -400_000_000
	r.PBT, r.Measured = 0, 0
	r.StationInRow[1] = 1 << 20
	d := dataSet([]timeline.PressDay{r}, nil, nil)
	if err := d.Check(); err != nil {
		t.Fatal(err)
	}
	if x := d.Rows[0]; x.RunWasteMM != 0 || x.ContaminationMS != 0 || x.CoveragePPM != 1_000_000 {
		t.Errorf("row %+v", x)
	}
	r.PBT, r.Measured = 100, 200
	if x := dataSet([]timeline.PressDay{r}, nil, nil).Rows[0]; x.CoveragePPM != 1_000_000 {
		t.Errorf("coverage %d", x.CoveragePPM)
	}
	if d := dataSet(nil, nil, nil); d.Check() != nil || len(d.Rows) != 0 {
		t.Errorf("empty: %+v", d)
	}
}

// The last sign-off before the run says whether a clean is to be doubted.
func TestDataSetDoubtful(t *testing.T) {
	r := runDay("p1", 20_000)
	visit := func(before, time int64, mark string) timeline.StationVisit {
		return timeline.StationVisit{Plant: "rhein", Press: "p1", Day: 20_000, Station: "treater", To: r.FirstRun - before, Time: time, Standard: 10 * timeline.Minute, Mark: mark}
	}
	fast, slow := visit(timeline.Hour, timeline.Minute, cleaning.MarkDoubtful), visit(timeline.Hour, 40*timeline.Minute, cleaning.MarkDoubtful)
	good := visit(2*timeline.Hour, 9*timeline.Minute, "")
	after := visit(-timeline.Hour, timeline.Minute, cleaning.MarkDoubtful)
	for _, c := range []struct {
		name   string
		visits []timeline.StationVisit
		want   bool
	}{
		{"none", nil, false}, {"fast", []timeline.StationVisit{fast}, true}, {"slow is no doubt of the clean", []timeline.StationVisit{slow}, false},
		{"fast after good", []timeline.StationVisit{fast, good}, true}, {"good before a fast one of later", []timeline.StationVisit{good, after}, false},
	} {
		if got := dataSet([]timeline.PressDay{r}, c.visits, nil).Rows[0].Stations[0].Doubtful; got != c.want {
			t.Errorf("%s: doubtful %v", c.name, got)
		}
	}
}
