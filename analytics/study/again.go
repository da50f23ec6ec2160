package study

import (
	"fmt"
	"math"
	"slices"
)

// What a figure needs beside the kept result is computed again from the kept
// data set: begin is a function of data set, spec and method, so it is of the same fit.

// again makes the main fit once more and returns it with the place of a unit.
// A unit or fit that gave no number is an ErrNoPicture.
func again(ds *DataSet, spec Spec, method, name string) (*run, int, error) {
	s, err := begin(ds, spec, method, nil)
	if err != nil {
		return nil, 0, err
	}
	if s.result.Refused != "" {
		return nil, 0, fmt.Errorf("%w: %s", ErrNoPicture, s.result.Refused)
	}
	k := slices.IndexFunc(s.units, func(u unit) bool { return u.name == name })
	if k < 0 {
		return nil, 0, fmt.Errorf("%w: %s is not in the study", ErrNoPicture, name)
	}
	s.describeModel()
	s.findings()
	return s, k, nil
}

// ShiftDraws is what shifting gave for one finding, and what was seen.
type ShiftDraws struct {
	Seen  float64   // |T| times the leverage factor: what the shifts are compared with
	Draws []float64 // |T| of each shift, in order of the draws
	P     float64   // as in Test
}

// Shifts runs the shift test of one finding again and keeps every draw.
func Shifts(ds *DataSet, spec Spec, method, name string) (*ShiftDraws, error) {
	s, k, err := again(ds, spec, method, name)
	if err != nil {
		return nil, err
	}
	x := &s.result.Findings[k]
	if x.Waste == nil {
		return nil, fmt.Errorf("%w: %s", ErrNoPicture, x.Refusal)
	}
	if s.result.Rows.InShifts == 0 {
		return nil, fmt.Errorf("%w: no press has the %d rows the shift test needs", ErrNoPicture, minShiftRows)
	}
	s.layout = s.rowLayout()
	var res []shiftResult
	if s.spec.Block == BlockPlant {
		res = s.plantShifts([]int{k}, nil)
	} else {
		col := s.column(k)
		col.lags = 0
		res = shiftTest(s.layout, s.main.fit.Resid, s.main.fit.Used, []shiftColumn{col}, &s.spec, nil)
	}
	return &ShiftDraws{Seen: res[0].fair, Draws: res[0].draws, P: res[0].P[0]}, nil
}

const (
	freshKM  = 1.0 // a web is set up and inched after a clean; up to here a run starts right after it
	rivalMax = 0.8 // correlation of two clocks from which they cannot be told apart
)

// DoseOf draws waste by km since clean of one finding, runs that started up to
// 1 km after a clean as the base. It is refused where another station's clock
// runs beside this one.
func DoseOf(ds *DataSet, spec Spec, method, name string) (*Dose, error) {
	s, k, err := again(ds, spec, method, name)
	if err != nil {
		return nil, err
	}
	if len(s.units[k].stations) != 1 {
		return nil, fmt.Errorf("%w: %s are one answer for several stations, which have no clock in common", ErrNoPicture, name)
	}
	at := s.units[k].stations[0]
	others := rivals(ds, at)
	for _, o := range ds.Stations {
		if r, ok := others[o]; ok && math.Abs(r) >= rivalMax {
			return nil, fmt.Errorf("%w: the km since clean of %s run beside those of %s (correlation %.2f)", ErrNoPicture, name, o, r)
		}
	}
	d := s.dose(k, freshKM)
	if d == nil {
		return nil, fmt.Errorf("%w: the km since the last clean of %s fill fewer than two bins of %d runs on %d presses, or it rarely ran right after a clean", ErrNoPicture, name, doseRows, dosePresses)
	}
	if d.Bins[0].FromKM == 0 {
		d.Bins[0].FromKM = freshKM
	}
	more := []string{fmt.Sprintf("Right after a clean: up to %g km since. Not drawn: runs that started over %.1f km after one (the farthest 5 %%, and those too few for a bin).", freshKM, d.Bins[len(d.Bins)-1].ToKM)}
	near, most := "", 0.0
	for _, o := range ds.Stations {
		if r := math.Abs(others[o]); r > most {
			near, most = o, r
		}
	}
	if near != "" {
		more = append(more, fmt.Sprintf("The clock of another station that runs most like this one: %s, correlation %.2f; from %.1f on nothing is drawn.", near, others[near], rivalMax))
	}
	d.Lines = append(more, d.Lines...)
	return d, nil
}
