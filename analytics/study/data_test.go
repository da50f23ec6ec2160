package study

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"
)

func small() *DataSet {
	return fleet{seed: 9, plants: 2, presses: 3, days: 12, stations: 2, effect: 0.3}.make()
}

// Bytes and Parse are inverse, and so are WriteCSV and ReadCSV.
func TestRoundTrips(t *testing.T) {
	ds := small()
	ds.Rows[3].Stations[1].Doubtful = true
	ds.Rows[4].Stations[0] = StationDay{State: NotExposed, Next: Unknown, FoundNext: None, SinceCleanMM: None}
	ds.Rows[5].RunWasteMM = -7
	again, err := Parse(ds.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(ds, again) {
		t.Error("Parse(Bytes) differs")
	}
	var b bytes.Buffer
	if err := ds.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	again, err = ReadCSV(&b)
	if err != nil {
		t.Fatal(err)
	}
	if again.SHA256() != ds.SHA256() {
		t.Error("the CSV round trip changed the bytes")
	}
	empty := &DataSet{}
	if again, err := Parse(empty.Bytes()); err != nil || len(again.Rows) != 0 {
		t.Errorf("empty data set: %v", err)
	}
}

// The layout is frozen: a stored data set must hash the same for ever. The hash
// was made by a second encoder, written from the comment of Bytes alone.
func TestBytesAreFrozen(t *testing.T) {
	ds := &DataSet{Stations: []string{"uv-1"}, Families: []string{"film"}, Rows: []Row{{
		Press: "north/p1", Plant: "north", Day: 20458, RunMM: 9_000_000, RunWasteMM: 120_000, Jobs: 3, Shifts: 2,
		CoveragePPM: 1_000_000, FamilyMM: []int64{9_000_000},
		Stations: []StationDay{{State: NotCleaned, Next: Cleaned, Missed: 1, FoundNext: 2, SinceCleanMM: 14_000_000, Doubtful: true}}}}}
	const want = "6f4dbfd136b406d0270726f5940349489907cee9de9ab914ede4e514ecd857cc"
	if got := ds.SHA256(); got != want {
		t.Errorf("SHA-256 %s, want %s", got, want)
	}
}

func TestParseRefuses(t *testing.T) {
	good := small().Bytes()
	for n := range len(good) {
		if n < 64 || n%17 == 0 {
			if _, err := Parse(good[:n]); !errors.Is(err, ErrData) {
				t.Fatalf("cut at %d: %v", n, err)
			}
		}
	}
	if _, err := Parse(append(bytes.Clone(good), 0)); !errors.Is(err, ErrData) {
		t.Errorf("trailing byte: %v", err)
	}
	old := bytes.Clone(good)
	old[len(magic)-1] = 9
	if _, err := Parse(old); !errors.Is(err, ErrData) {
		t.Errorf("other version: %v", err)
	}
}

func FuzzParse(f *testing.F) {
	f.Add(small().Bytes())
	f.Add([]byte(magic))
	f.Fuzz(func(t *testing.T, b []byte) {
		ds, err := Parse(b)
		if err != nil {
			return
		}
		if !bytes.Equal(ds.Bytes(), b) {
			t.Error("accepted bytes that Bytes would not write")
		}
	})
}

func TestCheckNamesTheRow(t *testing.T) {
	for want, spoil := range map[string]func(d *DataSet){
		"ordered":       func(d *DataSet) { d.Rows[1], d.Rows[2] = d.Rows[2], d.Rows[1] },
		"below zero":    func(d *DataSet) { d.Rows[2].RunMM = -1 },
		"coverage":      func(d *DataSet) { d.Rows[2].CoveragePPM = 1_000_001 },
		"families":      func(d *DataSet) { d.Rows[2].FamilyMM = nil },
		"station-01":    func(d *DataSet) { d.Rows[2].Stations[1].FoundNext = 4 },
		"repeated":      func(d *DataSet) { d.Stations[1] = d.Stations[0] },
		"plants":        func(d *DataSet) { d.Rows[2].Plant = "elsewhere" },
		"press and pla": func(d *DataSet) { d.Rows[0].Press = "" },
	} {
		ds := small()
		spoil(ds)
		err := ds.Check()
		if !errors.Is(err, ErrData) || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q in %v", want, err)
		}
		if _, err := Run(ds, DefaultSpec(), nil); !errors.Is(err, ErrData) {
			t.Errorf("Run took bad data (%s): %v", want, err)
		}
	}
}

func TestReadCSVNamesLineAndColumn(t *testing.T) {
	const head = "press,plant,day,run_mm,run_waste_mm,station.uv.state\n"
	for want, text := range map[string]string{
		"line 2, column run_mm":            head + "n/1,n,20458,1.5,0,cleaned\n",
		"line 3, column station.uv.state":  head + "n/1,n,20458,9,0,cleaned\nn/1,n,20459,9,0,dirty\n",
		`unknown column "humidity"`:        "press,plant,day,run_mm,run_waste_mm,humidity\n",
		`column "run_waste_mm" is missing`: "press,plant,day,run_mm\n",
		"repeated":                         "press,press,plant,day,run_mm,run_waste_mm\n",
		"out of range":                     head + "n/1,n,99999999999,9,0,cleaned\n",
	} {
		_, err := ReadCSV(strings.NewReader(text))
		if !errors.Is(err, ErrData) || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q in %v", want, err)
		}
	}
	ds, err := ReadCSV(strings.NewReader(head + "n/1,n,20458,900,5,not_cleaned\n"))
	if err != nil {
		t.Fatal(err)
	}
	if r := ds.Rows[0]; r.CoveragePPM != 1e6 || r.Stations[0].State != NotCleaned || r.Stations[0].FoundNext != None || r.Stations[0].Next != Unknown {
		t.Errorf("defaults: %+v", r)
	}
}

// Weekday and week against package time, over 30 years.
func TestCalendar(t *testing.T) {
	for d := int32(-400); d < 11000; d++ {
		r := Row{Day: d}
		at := time.Unix(int64(d)*86400, 0).UTC()
		want := int(at.Weekday())
		if want == 0 {
			want = 7
		}
		if r.Weekday() != want {
			t.Fatalf("day %d: weekday %d, want %d", d, r.Weekday(), want)
		}
	}
	// ISO 8601: 2027-01-01 is a Friday of week 53 of 2026.
	r := Row{Day: int32(time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC).Unix() / 86400)}
	if y, w := r.ISOWeek(); y != 2026 || w != 53 || r.Weekday() != 5 {
		t.Errorf("2027-01-01: %d-W%d-%d", y, w, r.Weekday())
	}
}

func TestSpecValidate(t *testing.T) {
	if s := DefaultSpec(); s.Validate() != nil || s.MaxLag != 14 || s.MinRunMM != 200_000 || s.MinCoverage != 0.95 || s.Permutations != 9_999 {
		t.Error("defaults")
	}
	for field, spoil := range map[string]func(s *Spec){
		"max_lag": func(s *Spec) { s.MaxLag = -1 }, "min_run_mm": func(s *Spec) { s.MinRunMM = -1 },
		"min_coverage": func(s *Spec) { s.MinCoverage = 1.5 }, "permutations": func(s *Spec) { s.Permutations = 10 },
		"alpha": func(s *Spec) { s.Alpha = 0 }, "block": func(s *Spec) { s.Block = "row" },
		"stations": func(s *Spec) { s.Stations = []string{"station-00", "station-00"} },
	} {
		s := DefaultSpec()
		spoil(&s)
		if err := s.Validate(); !errors.Is(err, ErrSpec) || !strings.Contains(err.Error(), field) {
			t.Errorf("want %s in %v", field, err)
		}
	}
	s := DefaultSpec()
	s.Stations = []string{"nowhere"}
	if _, err := Run(small(), s, nil); !errors.Is(err, ErrSpec) || !strings.Contains(err.Error(), "nowhere") {
		t.Errorf("unknown station: %v", err)
	}
}

func TestSortAndLink(t *testing.T) {
	st := func(s State) []StationDay { return []StationDay{{State: s, FoundNext: None, SinceCleanMM: None}} }
	ds := &DataSet{Stations: []string{"uv"}, Rows: []Row{
		{Press: "n/2", Plant: "n", Day: 1, Stations: st(NotCleaned)}, {Press: "n/1", Plant: "n", Day: 4, Stations: st(NotCleaned)},
		{Press: "n/1", Plant: "n", Day: 2, Stations: st(NotCleaned)}, {Press: "n/1", Plant: "n", Day: 3, Stations: st(Unknown)},
		{Press: "n/1", Plant: "n", Day: 5, Stations: st(Cleaned)}}}
	ds.Sort()
	ds.Link()
	if err := ds.Check(); err != nil {
		t.Fatal(err)
	}
	want := []StationDay{{NotCleaned, Unknown, 1, None, None, false}, {Unknown, NotCleaned, 1, None, None, false},
		{NotCleaned, Cleaned, 2, None, None, false}, {Cleaned, Unknown, 0, None, None, false}, {NotCleaned, Unknown, 1, None, None, false}}
	for i, r := range ds.Rows {
		if r.Stations[0] != want[i] {
			t.Errorf("row %d: %+v, want %+v", i, r.Stations[0], want[i])
		}
	}
}
