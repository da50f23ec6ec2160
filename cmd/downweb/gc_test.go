package main

import (
	"runtime/debug"
	"testing"
)

// Garbage is collected more often until the last study has ended, and then as before.
func TestStudiesShareTheirCollection(t *testing.T) {
	t.Setenv("GOGC", "")
	before := debug.SetGCPercent(150)
	defer debug.SetGCPercent(before)
	percent := func() int {
		p := debug.SetGCPercent(1)
		debug.SetGCPercent(p)
		return p
	}
	first, second := forStudy(), forStudy()
	first()
	if p := percent(); p >= 100 {
		t.Errorf("%d %% while a study is under way", p)
	}
	second()
	if p := percent(); p != 150 {
		t.Errorf("%d %% after the last, 150 before", p)
	}
	t.Setenv("GOGC", "77")
	forStudy()()
	if p := percent(); p != 150 {
		t.Errorf("the environment's was not left alone: %d", p)
	}
}
