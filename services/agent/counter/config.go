package counter

import (
	"errors"
	"fmt"
)

// Config of one press's counters.
type Config struct {
	// Threshold is the speed from which the web counts as running, mm/min.
	Threshold int64 `json:"threshold"`
	// Good counts the length delivered as good, Waste that known as waste.
	Good  Meter `json:"good"`
	Waste Meter `json:"waste"`
	// MaxGapMs: samples further apart leave a gap; 0: 10,000 ms.
	MaxGapMs int64 `json:"maxGapMs"`
}

// Meter says how a counter counts.
type Meter struct {
	// Wrap is the number of values before it starts at 0 again, 65536 for 16
	// bits, 1000000 for six digits; 0: it never does.
	Wrap uint64 `json:"wrap"`
	// A count is Num/Den millimeters; both 0: one millimeter.
	Num uint64 `json:"num"`
	Den uint64 `json:"den"`
	// Fastest rise that can be true, mm/min; 0: 2,000,000, twice the fastest
	// web any rule of this project allows for. More is a jump and no length.
	Fastest int64 `json:"fastest"`
}

// Limits and defaults.
const (
	// MaxSliceMm is the longest length of a slice, mm.
	MaxSliceMm = 100_000_000
	// StepMs: a source whose time falls back by more than this, and goes on
	// there, has had its clock stepped; less is a late sample.
	StepMs = 5 * 60_000

	defaultMaxGapMs = 10_000
	defaultFastest  = 2_000_000
	maxScale        = 1_000_000_000
)

// Validate returns every wrong setting.
func (c Config) Validate() error {
	var errs []error
	if c.Threshold <= 0 {
		errs = append(errs, fmt.Errorf("counter: threshold %d mm/min is not above 0", c.Threshold))
	}
	if c.MaxGapMs < 0 || c.MaxGapMs > 60_000 {
		errs = append(errs, fmt.Errorf("counter: largest gap %d ms is not 0 to 60000", c.MaxGapMs))
	}
	for name, m := range map[string]Meter{"good": c.Good, "waste": c.Waste} {
		if (m.Num == 0) != (m.Den == 0) || m.Num > maxScale || m.Den > maxScale {
			errs = append(errs, fmt.Errorf("counter: %s counter: %d/%d mm a count: want both 0, or both 1 to %d", name, m.Num, m.Den, maxScale))
		}
		if m.Fastest < 0 || m.Fastest > defaultFastest {
			errs = append(errs, fmt.Errorf("counter: %s counter: fastest %d mm/min is not 0 to %d", name, m.Fastest, defaultFastest))
		}
		if m.Wrap == 1 {
			errs = append(errs, fmt.Errorf("counter: %s counter: wraps at 1", name))
		}
	}
	return errors.Join(errs...)
}

func (c Config) filled() Config {
	if c.MaxGapMs == 0 {
		c.MaxGapMs = defaultMaxGapMs
	}
	for _, m := range []*Meter{&c.Good, &c.Waste} {
		if m.Den == 0 {
			m.Num, m.Den = 1, 1
		}
		if m.Fastest == 0 {
			m.Fastest = defaultFastest
		}
	}
	return c
}
