package study

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// NumberColumn is a column of numbers in a table of one's own. Lengths are in
// mm, m or km, times in ms, s, min or h, coverage in ppm, percent or share.
// An empty name: the table has no such column.
type NumberColumn struct{ Name, Unit string }

// StationRole gives one station its columns.
type StationRole struct {
	Station    string
	State      string // cleaned, not_cleaned, unknown, not_exposed; or 0 cleaned, 1 not cleaned; empty: unknown
	Found      string // 0 clean … 3 worst
	SinceClean NumberColumn
}

// Roles say what the columns of a table of one's own hold: one line for each
// press and production day with a run.
type Roles struct {
	Press, Plant, Day string // day: YYYY-MM-DD
	Run, Waste        NumberColumn

	RestartWaste, SetupWaste, ContaminationWaste, UnrelatedWaste, Planned NumberColumn // lengths
	ContaminationTime, PlannedTime                                        NumberColumn // times
	Jobs, Shifts                                                          string
	Coverage                                                              NumberColumn
	Families                                                              []NumberColumn // a column is a family
	Stations                                                              []StationRole
}

var unitSize = map[string]map[string]float64{
	"length":   {"": 1, "mm": 1, "m": 1e3, "km": 1e6},
	"time":     {"": 1, "ms": 1, "s": 1e3, "min": 6e4, "h": 3.6e6},
	"coverage": {"": 1, "ppm": 1, "percent": 1e4, "share": 1e6},
}

// ReadTable reads a table of one's own. Lines may stand in any order. A line
// without press, day, run or waste cannot be a row: it is left out and counted by
// reason; any other empty cell is "unknown" (a station), "not recorded"
// (condition, length since clean), all (coverage) or 0. A cell that is not what
// its role says is an ErrData with line and column, and so is a press-day that
// stands twice. The states of the next window follow from the rows.
func ReadTable(rd io.Reader, roles Roles) (*DataSet, []Count, error) {
	c := csv.NewReader(rd)
	head, err := c.Read()
	if err != nil {
		return nil, nil, fmt.Errorf("%w: header: %w", ErrData, err)
	}
	t := ownTable{roles: roles, col: map[string]int{}}
	for i, h := range head {
		if _, ok := t.col[h]; ok {
			return nil, nil, fmt.Errorf("%w: line 1: column %q is repeated", ErrData, h)
		}
		t.col[h] = i
	}
	if err := t.check(); err != nil {
		return nil, nil, err
	}
	d := &DataSet{}
	for _, f := range roles.Families {
		d.Families = append(d.Families, f.Name)
	}
	for _, s := range roles.Stations {
		d.Stations = append(d.Stations, s.Station)
	}
	missing := map[string]int{}
	for {
		rec, err := c.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, nil, fmt.Errorf("%w: %w", ErrData, err)
		}
		t.rec, t.err = rec, nil
		t.line, _ = c.FieldPos(0)
		if lacks := t.lacks(); lacks != "" {
			missing[lacks]++
			continue
		}
		row := t.row()
		if t.err != nil {
			return nil, nil, t.err
		}
		d.Rows = append(d.Rows, row)
	}
	var left []Count
	for reason, n := range missing {
		left = append(left, Count{Reason: "line without " + reason, Rows: n})
	}
	slices.SortFunc(left, func(a, b Count) int { return cmp.Compare(a.Reason, b.Reason) })
	d.Sort()
	d.Link()
	return d, left, d.Check()
}

// ownTable reads the lines of one file; the first fault of a line sticks.
type ownTable struct {
	roles Roles
	col   map[string]int
	rec   []string
	line  int
	err   error
}

// check refuses roles without a column, units that do not exist, and stations
// that stand twice.
func (t *ownTable) check() error {
	r := &t.roles
	bad := func(role, format string, a ...any) error {
		return fmt.Errorf("%w: columns.%s %s", ErrSpec, role, fmt.Sprintf(format, a...))
	}
	for _, x := range []struct {
		role, name string
		must       bool
	}{{"press", r.Press, true}, {"day", r.Day, true}, {"run", r.Run.Name, true}, {"waste", r.Waste.Name, true}, {"plant", r.Plant, false}, {"jobs", r.Jobs, false}, {"shifts", r.Shifts, false}} {
		if _, ok := t.col[x.name]; x.name != "" && !ok {
			return bad(x.role, "names %q, which the table does not have", x.name)
		} else if x.name == "" && x.must {
			return bad(x.role, "names no column")
		}
	}
	number := func(role, kind string, n NumberColumn) error {
		if _, ok := t.col[n.Name]; n.Name != "" && !ok {
			return bad(role, "names %q, which the table does not have", n.Name)
		}
		if _, ok := unitSize[kind][n.Unit]; !ok {
			return bad(role, "has the unit %q, want a %s", n.Unit, kind)
		}
		return nil
	}
	type numbered struct {
		role, kind string
		n          NumberColumn
	}
	all := []numbered{{"run", "length", r.Run}, {"waste", "length", r.Waste}, {"restart_waste", "length", r.RestartWaste},
		{"setup_waste", "length", r.SetupWaste}, {"contamination_waste", "length", r.ContaminationWaste}, {"unrelated_waste", "length", r.UnrelatedWaste},
		{"planned", "length", r.Planned}, {"contamination_time", "time", r.ContaminationTime}, {"planned_time", "time", r.PlannedTime}, {"coverage", "coverage", r.Coverage}}
	for _, f := range r.Families {
		all = append(all, numbered{"families", "length", f})
	}
	for i, s := range r.Stations {
		if s.Station == "" || slices.ContainsFunc(r.Stations[:i], func(o StationRole) bool { return o.Station == s.Station }) {
			return bad("stations", "holds %q, want each station once", s.Station)
		}
		for _, n := range []string{s.State, s.Found} {
			if _, ok := t.col[n]; !ok && (n != "" || n == s.State) {
				return bad("stations", "names %q for %s, which the table does not have", n, s.Station)
			}
		}
		all = append(all, numbered{"stations", "length", s.SinceClean})
	}
	if len(r.Stations) == 0 {
		return bad("stations", "are none")
	}
	for _, x := range all {
		if err := number(x.role, x.kind, x.n); err != nil {
			return err
		}
	}
	return nil
}

// lacks names what a line must have and has not.
func (t *ownTable) lacks() string {
	for _, x := range [][2]string{{"press", t.roles.Press}, {"day", t.roles.Day}, {"run", t.roles.Run.Name}, {"waste", t.roles.Waste.Name}} {
		if t.cell(x[1]) == "" {
			return x[0]
		}
	}
	return ""
}

func (t *ownTable) cell(name string) string {
	if name == "" {
		return ""
	}
	return strings.TrimSpace(t.rec[t.col[name]])
}

func (t *ownTable) fail(column, format string, a ...any) {
	if t.err == nil {
		t.err = fmt.Errorf("%w: line %d, column %s: %s", ErrData, t.line, column, fmt.Sprintf(format, a...))
	}
}

// number is a cell in the base unit of its kind, rounded to a whole one.
func (t *ownTable) number(kind string, c NumberColumn, missing int64) int64 {
	text := t.cell(c.Name)
	if text == "" {
		return missing
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || v < 0 || v*unitSize[kind][c.Unit] > 1e15 {
		t.fail(c.Name, "%q is not a number of 0 or more", text)
		return missing
	}
	return int64(math.Round(v * unitSize[kind][c.Unit]))
}

func (t *ownTable) count(name string) int32 {
	text := t.cell(name)
	if text == "" {
		return 0
	}
	v, err := strconv.ParseInt(text, 10, 32)
	if err != nil || v < 0 {
		t.fail(name, "%q is not a whole number of 0 or more", text)
	}
	return int32(v)
}

func (t *ownTable) state(name string) State {
	text := strings.ToLower(t.cell(name))
	switch text {
	case "":
		return Unknown
	case "0", "false":
		return Cleaned
	case "1", "true":
		return NotCleaned
	}
	if s := slices.Index(stateNames[:], text); s >= 0 {
		return State(s)
	}
	t.fail(name, "%q is not one of %s, 0 or 1", text, strings.Join(stateNames[:], ", "))
	return Unknown
}

func (t *ownTable) row() Row {
	r := &t.roles
	row := Row{Press: t.cell(r.Press), Plant: t.cell(r.Plant)}
	if row.Plant == "" {
		plant, _, ok := strings.Cut(row.Press, "/")
		if row.Plant = plant; !ok {
			row.Plant = "table"
		}
	}
	day, err := time.Parse(time.DateOnly, t.cell(r.Day))
	if err != nil {
		t.fail(r.Day, "%q is not a day, want YYYY-MM-DD", t.cell(r.Day))
	}
	row.Day = int32(day.Unix() / 86400)
	length := func(c NumberColumn) int64 { return t.number("length", c, 0) }
	row.RunMM, row.RunWasteMM = length(r.Run), length(r.Waste)
	row.RestartWasteMM, row.SetupWasteMM = length(r.RestartWaste), length(r.SetupWaste)
	row.ContaminationWasteMM, row.UnrelatedWasteMM, row.PlannedMM = length(r.ContaminationWaste), length(r.UnrelatedWaste), length(r.Planned)
	row.ContaminationMS, row.PlannedMS = t.number("time", r.ContaminationTime, 0), t.number("time", r.PlannedTime, 0)
	row.Jobs, row.Shifts = t.count(r.Jobs), t.count(r.Shifts)
	row.CoveragePPM = int32(min(1_000_001, t.number("coverage", r.Coverage, 1_000_000)))
	if row.CoveragePPM > 1_000_000 {
		t.fail(r.Coverage.Name, "%q is more than all", t.cell(r.Coverage.Name))
	}
	for _, f := range r.Families {
		row.FamilyMM = append(row.FamilyMM, length(f))
	}
	for _, s := range r.Stations {
		x := StationDay{State: t.state(s.State), Next: Unknown, FoundNext: None, SinceCleanMM: t.number("length", s.SinceClean, None)}
		if t.cell(s.Found) != "" {
			if x.FoundNext = t.count(s.Found); x.FoundNext > 3 {
				t.fail(s.Found, "%d is not a condition, want 0 to 3", x.FoundNext)
			}
		}
		row.Stations = append(row.Stations, x)
	}
	return row
}
