package api

import (
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/services/honesty"
)

// A report quotes counts of its own method only, of the nearest number of
// presses, and none for a study that is not the default one or has no answer.
func TestMethodHonesty(t *testing.T) {
	counts := honesty.NewTally()
	counts.Fleets = 2000
	counts.Shares["level"] = honesty.Share{Of: 2000, Yes: 180}
	book := &honesty.Book{Method: study.Method, Rows: map[string]*honesty.Tally{"presses-12": counts}}
	res := &study.Result{Method: study.Method, Spec: study.DefaultSpec(), Presses: make([]study.Press, 14)}
	say := func() string { return strings.Join(methodHonesty(book, res), " ") }
	if got := say(); !strings.Contains(got, "fleets of 12 presses") || !strings.Contains(got, "nearest to the 14") || !strings.Contains(got, "9.0 %") || !strings.Contains(got, "Outside its bar") {
		t.Error(got)
	}
	res.Spec.Block = study.BlockPlant
	if got := say(); !strings.Contains(got, "this study shifts the presses of a plant together") {
		t.Error(got)
	}
	res.Method = "default-1"
	if got := say(); strings.Contains(got, "9.0") || !strings.Contains(got, "default-1") {
		t.Error(got)
	}
	res.Method, res.Spec.Controls.NoTrend = study.Method, true
	if got := say(); strings.Contains(got, "9.0") || !strings.Contains(got, "not the default study") {
		t.Error(got)
	}
	if res.Refused = "two presses"; say() != "" {
		t.Error("a study without an answer is given figures")
	}
}
