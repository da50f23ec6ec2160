// Package opstest reads metrics in tests.
package opstest

import (
	"fmt"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"github.com/downweb/downweb/services/ops"
)

// Value is a counter's or a gauge's value under the labels, given as name and value in turn. The test fails where
// the metrics cannot be read, hold no such one, or hold any that the linter of Prometheus finds badly named or
// without help.
func Value(t testing.TB, m *ops.Metrics, name string, labels ...string) float64 {
	t.Helper()
	Lint(t, m)
	families, err := m.Gatherer().Gather()
	if err != nil {
		t.Fatalf("gather: %v", err)
	}
	for _, f := range families {
		if f.GetName() != name {
			continue
		}
	metric:
		for _, v := range f.GetMetric() {
			have := map[string]string{}
			for _, l := range v.GetLabel() {
				have[l.GetName()] = l.GetValue()
			}
			for i := 0; i+1 < len(labels); i += 2 {
				if have[labels[i]] != labels[i+1] {
					continue metric
				}
			}
			switch {
			case v.Counter != nil:
				return v.Counter.GetValue()
			case v.Gauge != nil:
				return v.Gauge.GetValue()
			case v.Histogram != nil:
				return float64(v.Histogram.GetSampleCount())
			}
		}
	}
	t.Fatalf("no metric %s%v", name, fmt.Sprint(labels))
	return 0
}

// Lint fails the test for names and help texts that Prometheus's own linter finds wrong.
func Lint(t testing.TB, m *ops.Metrics) {
	t.Helper()
	problems, err := testutil.GatherAndLint(m.Gatherer())
	if err != nil {
		t.Fatalf("lint: %v", err)
	}
	for _, p := range problems {
		t.Errorf("metric %s: %s", p.Metric, p.Text)
	}
}
