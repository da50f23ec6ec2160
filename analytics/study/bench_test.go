package study

import (
	"math"
	"testing"
)

// BenchmarkStudy is the study of the bar: 100 presses × 365 days × 20 stations
// × lags 0…14 × 9,999 shifts. "test" is the fit and the shift test of every
// station and lag, "full" adds the checks.
func BenchmarkStudy(b *testing.B) {
	ds := fleet{seed: 1, plants: 10, presses: 100, days: 365, stations: 20, effect: math.Log(1.2)}.make()
	for name, skip := range map[string]bool{"test": true, "full": false} {
		b.Run(name, func(b *testing.B) {
			spec := DefaultSpec()
			spec.SkipChecks = skip
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Run(ds, spec, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkDemo is a study of the demo's size.
func BenchmarkDemo(b *testing.B) {
	ds := fleet{seed: 1, plants: 2, presses: 12, days: 130, stations: 10, effect: math.Log(1.5)}.make()
	for b.Loop() {
		if _, err := Run(ds, DefaultSpec(), nil); err != nil {
			b.Fatal(err)
		}
	}
}
