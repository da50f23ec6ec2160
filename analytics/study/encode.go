package study

import (
	"encoding/binary"
	"fmt"
)

// magic opens the canonical bytes; its last byte is the version of the layout.
const magic = "downweb-study\x00\x01"

// Bytes returns the canonical encoding, version 1. Two data sets are equal if
// and only if their bytes are.
//
// Layout: magic; station names, family names (each list: count, then length
// and UTF-8 of each); count of rows; rows in order. A row: press, plant, then
// day, RunMM, RunWasteMM, RestartWasteMM, SetupWasteMM, ContaminationWasteMM,
// ContaminationMS, UnrelatedWasteMM, PlannedMM, PlannedMS, Jobs, Shifts,
// CoveragePPM, the families' mm, and per station: one byte
// State | Next<<2 | Doubtful<<4, Missed, FoundNext, SinceCleanMM. Counts are
// unsigned LEB128 varints, all other numbers zig-zag varints, as
// encoding/binary writes them.
func (d *DataSet) Bytes() []byte {
	b := append(make([]byte, 0, 64+len(d.Rows)*(60+6*len(d.Stations))), magic...)
	str := func(s string) {
		b = binary.AppendUvarint(b, uint64(len(s)))
		b = append(b, s...)
	}
	for _, names := range [][]string{d.Stations, d.Families} {
		b = binary.AppendUvarint(b, uint64(len(names)))
		for _, s := range names {
			str(s)
		}
	}
	b = binary.AppendUvarint(b, uint64(len(d.Rows)))
	for i := range d.Rows {
		r := &d.Rows[i]
		str(r.Press)
		str(r.Plant)
		for _, v := range r.numbers() {
			b = binary.AppendVarint(b, v)
		}
		for _, v := range r.FamilyMM {
			b = binary.AppendVarint(b, v)
		}
		for _, s := range r.Stations {
			c := byte(s.State) | byte(s.Next)<<2
			if s.Doubtful {
				c |= 1 << 4
			}
			b = append(b, c)
			b = binary.AppendVarint(b, int64(s.Missed))
			b = binary.AppendVarint(b, int64(s.FoundNext))
			b = binary.AppendVarint(b, s.SinceCleanMM)
		}
	}
	return b
}

// rowColumns names the numbers of a row in the order of Bytes and of the CSV.
var rowColumns = []string{"day", "run_mm", "run_waste_mm", "restart_waste_mm", "setup_waste_mm",
	"contamination_waste_mm", "contamination_ms", "unrelated_waste_mm", "planned_mm", "planned_ms",
	"jobs", "shifts", "coverage_ppm"}

func (r *Row) numbers() [13]int64 {
	return [13]int64{int64(r.Day), r.RunMM, r.RunWasteMM, r.RestartWasteMM, r.SetupWasteMM,
		r.ContaminationWasteMM, r.ContaminationMS, r.UnrelatedWasteMM, r.PlannedMM, r.PlannedMS,
		int64(r.Jobs), int64(r.Shifts), int64(r.CoveragePPM)}
}

func (r *Row) setNumbers(v [13]int64) error {
	for _, i := range []int{0, 10, 11, 12} {
		if int64(int32(v[i])) != v[i] {
			return fmt.Errorf("%w: %s %d is out of range", ErrData, rowColumns[i], v[i])
		}
	}
	r.Day, r.RunMM, r.RunWasteMM, r.RestartWasteMM, r.SetupWasteMM = int32(v[0]), v[1], v[2], v[3], v[4]
	r.ContaminationWasteMM, r.ContaminationMS, r.UnrelatedWasteMM = v[5], v[6], v[7]
	r.PlannedMM, r.PlannedMS = v[8], v[9]
	r.Jobs, r.Shifts, r.CoveragePPM = int32(v[10]), int32(v[11]), int32(v[12])
	return nil
}

// reader walks canonical bytes; the first fault sticks.
type reader struct {
	b   []byte
	err error
}

func (r *reader) fail(what string) {
	if r.err == nil {
		r.err = fmt.Errorf("%w: %s", ErrData, what)
	}
	r.b = nil
}

func (r *reader) count(each int) int {
	v, n := binary.Uvarint(r.b)
	if n <= 0 || v > uint64(len(r.b))/uint64(each)+1 {
		r.fail("truncated or impossible count")
		return 0
	}
	r.b = r.b[n:]
	return int(v)
}

func (r *reader) number() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.fail("truncated number")
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) small() int32 {
	v := r.number()
	if int64(int32(v)) != v {
		r.fail("number out of range")
	}
	return int32(v)
}

func (r *reader) octet() byte {
	if len(r.b) == 0 {
		r.fail("truncated")
		return 0
	}
	c := r.b[0]
	r.b = r.b[1:]
	return c
}

func (r *reader) text() string {
	n := r.count(1)
	if n > len(r.b) {
		r.fail("truncated text")
		return ""
	}
	s := string(r.b[:n])
	r.b = r.b[n:]
	return s
}

// Parse reads canonical bytes and refuses anything that Bytes would not have
// written, with an ErrData.
func Parse(b []byte) (*DataSet, error) {
	if len(b) < len(magic) || string(b[:len(magic)]) != magic {
		return nil, fmt.Errorf("%w: not a study data set of version 1", ErrData)
	}
	r := &reader{b: b[len(magic):]}
	d := &DataSet{}
	for _, names := range []*[]string{&d.Stations, &d.Families} {
		for range r.count(1) {
			*names = append(*names, r.text())
		}
	}
	perRow := 2 + len(rowColumns) + len(d.Families) + 4*len(d.Stations)
	d.Rows = make([]Row, r.count(perRow))
	for i := range d.Rows {
		row := &d.Rows[i]
		row.Press, row.Plant = r.text(), r.text()
		var v [13]int64
		for j := range v {
			v[j] = r.number()
		}
		if err := row.setNumbers(v); err != nil {
			return nil, err
		}
		row.FamilyMM = make([]int64, len(d.Families))
		for j := range row.FamilyMM {
			row.FamilyMM[j] = r.number()
		}
		row.Stations = make([]StationDay, len(d.Stations))
		for j := range row.Stations {
			c := r.octet()
			if c >= 1<<5 {
				r.fail("unknown station bits")
			}
			row.Stations[j] = StationDay{State: State(c & 3), Next: State(c >> 2 & 3), Doubtful: c&(1<<4) != 0,
				Missed: r.small(), FoundNext: r.small(), SinceCleanMM: r.number()}
		}
		if r.err != nil {
			return nil, r.err
		}
	}
	if r.err != nil {
		return nil, r.err
	}
	if len(r.b) != 0 {
		return nil, fmt.Errorf("%w: %d bytes after the last row", ErrData, len(r.b))
	}
	if err := d.Check(); err != nil {
		return nil, err
	}
	if string(d.Bytes()) != string(b) {
		return nil, fmt.Errorf("%w: not in canonical form", ErrData)
	}
	return d, nil
}
