package study

import (
	"fmt"
	"slices"
)

// Block says which presses are shifted together in the shift test.
type Block string

const (
	// BlockPress shifts every press on its own: the default.
	BlockPress Block = "press"
	// BlockPlant shifts all presses of a plant by the same share of their rows:
	// for cleaning that is decided per plant.
	BlockPlant Block = "plant"
)

// Controls switches parts of the model off. The zero value keeps all on; a
// study with one off is labelled so.
type Controls struct {
	NoTrend       bool `json:"no_trend,omitempty"`        // linear trend per press
	NoWeekday     bool `json:"no_weekday,omitempty"`      // weekday levels
	NoLogKM       bool `json:"no_log_km,omitempty"`       // free slope on log km (the offset stays)
	NoLaggedWaste bool `json:"no_lagged_waste,omitempty"` // waste rate of the run before
	NoJobMix      bool `json:"no_job_mix,omitempty"`      // planned km, jobs, families, shifts, idle days
	NoPlantWeek   bool `json:"no_plant_week,omitempty"`   // plant × ISO week, used with ≥ 3 presses per plant
}

// Spec is a question. It fixes family and lags before the run; an edited spec
// is another study.
type Spec struct {
	Stations     []string `json:"stations,omitempty"` // empty: all of the data set
	MaxLag       int      `json:"max_lag"`            // lags 0…MaxLag of the map, in run rows; the first MaxLag rows of a press are burn-in
	MinRunMM     int64    `json:"min_run_mm"`         // shorter runs are left out
	MinCoverage  float64  `json:"min_coverage"`       // 0…1; rows covered less are left out
	Permutations int      `json:"permutations"`       // shifts drawn
	Seed         uint64   `json:"seed"`
	Alpha        float64  `json:"alpha"` // two-sided error of tests and intervals
	Block        Block    `json:"block"`
	PlainShift   bool     `json:"plain_shift,omitempty"` // shift test without the leverage factor
	Controls     Controls `json:"controls"`
	SkipChecks   bool     `json:"skip_checks,omitempty"` // model and shift test only; grades then stop at 2

	// AnyDependence takes Benjamini–Yekutieli in place of Benjamini–Hochberg on
	// the map: valid whatever the dependence between stations and lags.
	AnyDependence bool `json:"any_dependence,omitempty"`
	// Trial is the plan by which the windows of one station were assigned at
	// random: that station is answered by assigning them again.
	Trial *TrialPlan `json:"trial,omitempty"`
}

// DefaultSpec is the default study.
func DefaultSpec() Spec {
	return Spec{MaxLag: 14, MinRunMM: 200_000, MinCoverage: 0.95, Permutations: 9_999, Seed: 1, Alpha: 0.05, Block: BlockPress}
}

// Validate returns an ErrSpec that names the first field out of range.
func (s *Spec) Validate() error {
	bad := func(field string, v any, want string) error {
		return fmt.Errorf("%w: %s is %v, want %s", ErrSpec, field, v, want)
	}
	switch {
	case s.MaxLag < 0 || s.MaxLag > 60:
		return bad("max_lag", s.MaxLag, "0…60")
	case s.MinRunMM < 0:
		return bad("min_run_mm", s.MinRunMM, "0 or more")
	case !(s.MinCoverage >= 0 && s.MinCoverage <= 1):
		return bad("min_coverage", s.MinCoverage, "0…1")
	case s.Permutations < 99 || s.Permutations > 1_000_000:
		return bad("permutations", s.Permutations, "99…1000000")
	case !(s.Alpha >= 0.001 && s.Alpha <= 0.2):
		return bad("alpha", s.Alpha, "0.001…0.2")
	case s.Block != BlockPress && s.Block != BlockPlant:
		return bad("block", s.Block, "press or plant")
	}
	if s.Trial != nil {
		if err := s.Trial.Check(); err != nil {
			return err
		}
		if len(s.Stations) > 0 && !slices.Contains(s.Stations, s.Trial.Station) {
			return bad("trial.station", s.Trial.Station, "one of stations")
		}
	}
	for i, n := range s.Stations {
		if slices.Contains(s.Stations[:i], n) {
			return bad("stations", n, "each station once")
		}
	}
	return nil
}
