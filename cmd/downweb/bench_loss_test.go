package main

import (
	"encoding/json"
	"testing"
)

// The benches run through, at sizes that say nothing about speed.
func TestBenchLossRuns(t *testing.T) {
	needEngine(t)
	t.Setenv("TEST_PLAY", "downweb")
	code, out, errs := command(t, "bench", "loss", "--presses", "2", "--days", "35", "--weeks", "1", "--repeats", "1", "--rewritten", "0.1", "-o", "json")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var r lossReport
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if r.PressDays != 70 || r.Facts == 0 || r.Rewritten == 0 || len(r.Cases) != 24 {
		t.Errorf("%+v", r)
	}
	if len(r.Pages) != 2 || r.Pages[0].P50 <= 0 || r.Pages[1].Bytes < 10_000 {
		t.Errorf("pages %+v", r.Pages)
	}
	for _, c := range r.Cases {
		if c.P50 <= 0 || c.Baseline <= 0 || c.Rows == 0 {
			t.Errorf("%+v", c)
		}
	}
}

func TestBenchRebuildRuns(t *testing.T) {
	needEngine(t)
	t.Setenv("TEST_PLAY", "downweb")
	code, out, errs := command(t, "bench", "rebuild", "--presses", "2", "--days", "4", "--batch-rows", "5000", "-o", "json")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	var r rebuildReport
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if r.ChecksumEqual == nil || !*r.ChecksumEqual || r.RebuiltDays < 8 || r.Slices < 2*4*1440 || r.Repeats == 0 || r.Voids == 0 || !r.Extrapolated || r.BytesPerSlice <= 0 {
		t.Errorf("%+v", r)
	}
}
