package study

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// The CSV form has one line per row: press, plant, the columns of rowColumns
// (lengths mm, times ms, day as days since 1970-01-01), family.NAME in mm, and
// per station NAME: station.NAME.state and .next (cleaned, not_cleaned,
// unknown, not_exposed), .missed, .found (0…3, empty when none), .since_clean_mm
// (empty when unknown) and .doubtful (0, 1).

var stateNames = [...]string{"cleaned", "not_cleaned", "unknown", "not_exposed"}

// String returns the name used in CSV.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "state(" + strconv.Itoa(int(s)) + ")"
}

var stationColumns = []string{"state", "next", "missed", "found", "since_clean_mm", "doubtful"}

// WriteCSV writes the data set with a header line. ReadCSV of it gives the
// same bytes.
func (d *DataSet) WriteCSV(w io.Writer) error {
	if err := d.Check(); err != nil {
		return err
	}
	c := csv.NewWriter(w)
	head := append([]string{"press", "plant"}, rowColumns...)
	for _, f := range d.Families {
		head = append(head, "family."+f)
	}
	for _, s := range d.Stations {
		for _, col := range stationColumns {
			head = append(head, "station."+s+"."+col)
		}
	}
	if err := c.Write(head); err != nil {
		return fmt.Errorf("write study data: %w", err)
	}
	optional := func(v int64) string {
		if v == None {
			return ""
		}
		return strconv.FormatInt(v, 10)
	}
	for i := range d.Rows {
		r := &d.Rows[i]
		line := []string{r.Press, r.Plant}
		for _, v := range r.numbers() {
			line = append(line, strconv.FormatInt(v, 10))
		}
		for _, v := range r.FamilyMM {
			line = append(line, strconv.FormatInt(v, 10))
		}
		for _, s := range r.Stations {
			doubt := "0"
			if s.Doubtful {
				doubt = "1"
			}
			line = append(line, s.State.String(), s.Next.String(), strconv.Itoa(int(s.Missed)),
				optional(int64(s.FoundNext)), optional(s.SinceCleanMM), doubt)
		}
		if err := c.Write(line); err != nil {
			return fmt.Errorf("write study data: %w", err)
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("write study data: %w", err)
	}
	return nil
}

// ReadCSV reads what WriteCSV writes. Columns may stand in any order; of the
// row columns only press, plant, day, run_mm and run_waste_mm must be there,
// of a station only its state. Missing ones are 0, "cleaned at the next window
// unknown", none. Errors name line and column.
func ReadCSV(rd io.Reader) (*DataSet, error) {
	c := csv.NewReader(rd)
	head, err := c.Read()
	if err != nil {
		return nil, fmt.Errorf("%w: header: %w", ErrData, err)
	}
	d := &DataSet{}
	col := map[string]int{}
	for i, h := range head {
		if _, ok := col[h]; ok {
			return nil, fmt.Errorf("%w: line 1: column %q is repeated", ErrData, h)
		}
		col[h] = i
		switch {
		case strings.HasPrefix(h, "family."):
			d.Families = append(d.Families, strings.TrimPrefix(h, "family."))
		case strings.HasPrefix(h, "station.") && strings.HasSuffix(h, ".state"):
			d.Stations = append(d.Stations, strings.TrimSuffix(strings.TrimPrefix(h, "station."), ".state"))
		}
	}
	known := map[string]bool{"press": true, "plant": true}
	for _, n := range rowColumns {
		known[n] = true
	}
	for _, f := range d.Families {
		known["family."+f] = true
	}
	for _, s := range d.Stations {
		for _, n := range stationColumns {
			known["station."+s+"."+n] = true
		}
	}
	for _, h := range head {
		if !known[h] {
			return nil, fmt.Errorf("%w: line 1: unknown column %q", ErrData, h)
		}
	}
	for _, n := range []string{"press", "plant", "day", "run_mm", "run_waste_mm"} {
		if _, ok := col[n]; !ok {
			return nil, fmt.Errorf("%w: line 1: column %q is missing", ErrData, n)
		}
	}
	for {
		rec, err := c.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrData, err)
		}
		line, _ := c.FieldPos(0)
		p := lineParser{rec: rec, col: col, line: line}
		row := Row{Press: rec[col["press"]], Plant: rec[col["plant"]]}
		var v [13]int64
		for j, n := range rowColumns {
			def := int64(0)
			if n == "coverage_ppm" {
				def = 1e6
			}
			v[j] = p.number(n, def)
		}
		if p.err == nil {
			p.err = row.setNumbers(v)
		}
		for _, f := range d.Families {
			row.FamilyMM = append(row.FamilyMM, p.number("family."+f, 0))
		}
		for _, s := range d.Stations {
			at := "station." + s + "."
			row.Stations = append(row.Stations, StationDay{
				State: p.state(at+"state", NotExposed), Next: p.state(at+"next", Unknown),
				Missed: p.small(at+"missed", 0), FoundNext: p.small(at+"found", None),
				SinceCleanMM: p.number(at+"since_clean_mm", None), Doubtful: p.number(at+"doubtful", 0) == 1,
			})
		}
		if p.err != nil {
			return nil, p.err
		}
		d.Rows = append(d.Rows, row)
	}
	if err := d.Check(); err != nil {
		return nil, err
	}
	return d, nil
}

// lineParser reads the cells of one line; the first fault sticks.
type lineParser struct {
	rec  []string
	col  map[string]int
	line int
	err  error
}

func (p *lineParser) number(name string, missing int64) int64 {
	i, ok := p.col[name]
	if !ok || p.rec[i] == "" {
		return missing
	}
	v, err := strconv.ParseInt(p.rec[i], 10, 64)
	if err != nil && p.err == nil {
		p.err = fmt.Errorf("%w: line %d, column %s: %q is not a whole number", ErrData, p.line, name, p.rec[i])
	}
	return v
}

func (p *lineParser) small(name string, missing int64) int32 {
	v := p.number(name, missing)
	if int64(int32(v)) != v && p.err == nil {
		p.err = fmt.Errorf("%w: line %d, column %s: %d is out of range", ErrData, p.line, name, v)
	}
	return int32(v)
}

func (p *lineParser) state(name string, missing State) State {
	i, ok := p.col[name]
	if !ok {
		return missing
	}
	for s, n := range stateNames {
		if p.rec[i] == n {
			return State(s)
		}
	}
	if p.err == nil {
		p.err = fmt.Errorf("%w: line %d, column %s: %q is not one of %s", ErrData, p.line, name, p.rec[i], strings.Join(stateNames[:], ", "))
	}
	return missing
}
