package study

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

var ownRoles = Roles{Press: "machine", Day: "date", Run: NumberColumn{"made", "m"}, Waste: NumberColumn{"lost", "m"},
	PlannedTime: NumberColumn{"hours", "h"}, Coverage: NumberColumn{"known", "percent"}, Jobs: "jobs",
	Families: []NumberColumn{{"film", "km"}},
	Stations: []StationRole{{Station: "uv", State: "uv missed", Found: "uv found", SinceClean: NumberColumn{"uv km", "km"}}}}

const ownHead = "date,machine,made,lost,hours,known,jobs,film,uv missed,uv found,uv km,remark\n"

// Units are turned, lines are sorted, states follow from the rows, empty cells
// have their rule, and a line that cannot be a row is counted.
func TestReadTable(t *testing.T) {
	d, left, err := ReadTable(strings.NewReader(ownHead+
		"2026-01-06,b/2,2500.5,12.25,7.5,98.5,3,1.2,1,2,14.5,x\n"+
		"2026-01-05,b/2,2000,8,7.5,,2,0.2,0,,0,\n"+
		"2026-01-05,a,1000,0,,,,,,,,\n"+
		"2026-01-07,b/2,,3,,,,,,,,no run\n2026-01-08,b/2,,3,,,,,,,,\n2026-01-08,,3,3,,,,,,,,\n"), ownRoles)
	if err != nil {
		t.Fatal(err)
	}
	if want := []Count{{"line without press", 1}, {"line without run", 2}}; !slices.Equal(left, want) {
		t.Errorf("left out %v, want %v", left, want)
	}
	if len(d.Rows) != 3 || d.Rows[0].Press != "a" || d.Rows[0].Plant != "table" || d.Rows[0].Stations[0].State != Unknown || d.Rows[0].CoveragePPM != 1e6 {
		t.Fatalf("%+v", d.Rows)
	}
	first, last := d.Rows[1], d.Rows[2]
	if first.Stations[0] != (StationDay{Cleaned, NotCleaned, 0, None, 0, false}) || first.Plant != "b" {
		t.Errorf("%+v", first)
	}
	if last.RunMM != 2_500_500 || last.RunWasteMM != 12_250 || last.PlannedMS != 27_000_000 || last.CoveragePPM != 985_000 || last.Jobs != 3 || last.FamilyMM[0] != 1_200_000 ||
		last.Stations[0] != (StationDay{NotCleaned, Unknown, 1, 2, 14_500_000, false}) {
		t.Errorf("%+v", last)
	}
}

func TestReadTableRefuses(t *testing.T) {
	good := "2026-01-05,a,1000,0,1,100,1,1,0,1,1,\n"
	for want, text := range map[string]string{
		"line 2, column made":      "2026-01-05,a,1e,0,1,100,1,1,0,1,1,\n",
		"line 3, column lost":      good + "2026-01-06,a,1,-1,1,100,1,1,0,1,1,\n",
		"line 2, column date":      "05.01.2026,a,1,1,1,100,1,1,0,1,1,\n",
		"line 2, column uv missed": "2026-01-05,a,1,1,1,100,1,1,perhaps,1,1,\n",
		"line 2, column uv found":  "2026-01-05,a,1,1,1,100,1,1,0,4,1,\n",
		"line 2, column known":     "2026-01-05,a,1,1,1,101,1,1,0,1,1,\n",
		"line 2, column jobs":      "2026-01-05,a,1,1,1,100,1.5,1,0,1,1,\n",
		"each press-day once":      good + good,
	} {
		if _, _, err := ReadTable(strings.NewReader(ownHead+text), ownRoles); !errors.Is(err, ErrData) || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q in %v", want, err)
		}
	}
	for want, spoil := range map[string]func(r *Roles){
		"columns.press":          func(r *Roles) { r.Press = "" },
		"columns.jobs":           func(r *Roles) { r.Jobs = "tasks" },
		"columns.waste":          func(r *Roles) { r.Waste.Unit = "kg" },
		"columns.coverage":       func(r *Roles) { r.Coverage.Unit = "m" },
		"columns.families":       func(r *Roles) { r.Families = []NumberColumn{{"paper", "m"}} },
		"columns.stations names": func(r *Roles) { r.Stations = []StationRole{{Station: "uv"}} },
		"columns.stations holds": func(r *Roles) { r.Stations = append(slices.Clone(r.Stations), r.Stations[0]) },
		"columns.stations are":   func(r *Roles) { r.Stations = nil },
	} {
		r := ownRoles
		spoil(&r)
		if _, _, err := ReadTable(strings.NewReader(ownHead+good), r); !errors.Is(err, ErrSpec) || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q in %v", want, err)
		}
	}
}

// The same rows from a table of one's own give the same answer to the bit.
func TestOwnTableRunsTheSameEngine(t *testing.T) {
	ds := fleet{seed: 12, plants: 2, presses: 6, days: 60, stations: 2, effect: 0.4}.make()
	roles := Roles{Press: "p", Plant: "q", Day: "d", Run: NumberColumn{"run", "km"}, Waste: NumberColumn{"waste", "m"}, RestartWaste: NumberColumn{"restart", ""},
		SetupWaste: NumberColumn{"setup", ""}, ContaminationWaste: NumberColumn{"dirt", ""}, UnrelatedWaste: NumberColumn{"other", "mm"}, Planned: NumberColumn{"plan", "m"},
		ContaminationTime: NumberColumn{"dirt time", "s"}, PlannedTime: NumberColumn{"plan time", "min"}, Jobs: "jobs", Shifts: "shifts", Coverage: NumberColumn{"known", "share"},
		Families: []NumberColumn{{"film", ""}, {"paper", ""}}}
	head := "p,q,d,run,waste,restart,setup,dirt,other,plan,dirt time,plan time,jobs,shifts,known,film,paper"
	for _, s := range ds.Stations {
		head += "," + s + "," + s + " found," + s + " km"
		roles.Stations = append(roles.Stations, StationRole{Station: s, State: s, Found: s + " found", SinceClean: NumberColumn{s + " km", "km"}})
	}
	var b strings.Builder
	b.WriteString(head + "\n")
	for _, r := range slices.Backward(ds.Rows) {
		fmt.Fprintf(&b, "%s,%s,%s,%.6f,%.3f,%d,%d,%d,%d,%.3f,%.3f,%v,%d,%d,%.6f,%d,%d", r.Press, r.Plant, time.Unix(int64(r.Day)*86400, 0).UTC().Format(time.DateOnly),
			float64(r.RunMM)/1e6, float64(r.RunWasteMM)/1e3, r.RestartWasteMM, r.SetupWasteMM, r.ContaminationWasteMM, r.UnrelatedWasteMM, float64(r.PlannedMM)/1e3,
			float64(r.ContaminationMS)/1e3, float64(r.PlannedMS)/6e4, r.Jobs, r.Shifts, float64(r.CoveragePPM)/1e6, r.FamilyMM[0], r.FamilyMM[1])
		for _, s := range r.Stations {
			fmt.Fprintf(&b, ",%s,%d,%.6f", s.State, s.FoundNext, float64(s.SinceCleanMM)/1e6)
		}
		b.WriteString("\n")
	}
	again, left, err := ReadTable(strings.NewReader(b.String()), roles)
	if err != nil || len(left) > 0 {
		t.Fatal(left, err)
	}
	if again.SHA256() != ds.SHA256() {
		t.Error("the same rows give another data set")
	}
}

// Every column is documented, in the order of the file.
func TestColumnsAreThoseOfTheFile(t *testing.T) {
	ds := small()
	var b strings.Builder
	if err := ds.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(b.String(), "\n")
	var names []string
	for _, c := range ds.Columns() {
		names = append(names, c.Name)
		if c.Doc == "" {
			t.Errorf("%s is not documented", c.Name)
		}
		if strings.HasSuffix(c.Name, "_mm") != (c.Unit == "mm") && !strings.HasPrefix(c.Name, "family.") {
			t.Errorf("%s has the unit %q", c.Name, c.Unit)
		}
	}
	if got := strings.Join(names, ","); got != head {
		t.Errorf("documented %s, written %s", got, head)
	}
}
