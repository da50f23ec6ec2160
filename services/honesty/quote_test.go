package honesty

import (
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/study"
)

// counted is a book as a run of 2,000 fleets might give it.
func counted() *Book {
	row := func(level int) *Tally {
		t := NewTally()
		t.Fleets = 2000
		t.Shares["planted"] = Share{Of: 2000, Yes: 1896}
		t.Shares["level"] = Share{Of: 1990, Yes: level}
		t.Shares["found"] = Share{Of: 2000, Yes: 1500}
		return t
	}
	return &Book{Method: "m", Rows: map[string]*Tally{"presses-6": row(100), "presses-12": row(160), "trial": row(90)}}
}

// The row nearest to the study's number of presses is quoted with its own
// counts, and what is outside its bar is said.
func TestQuote(t *testing.T) {
	b := counted()
	got := strings.Join(b.Quote("m", 12, false), " ")
	for _, want := range []string{"fleets of 12 presses, 130 run days and 8 stations", "held the planted difference in 94.8 %", "without a difference in 8.0 %", "of 2000 fleets",
		"Outside its bar, by the exact binomial test at 1 %: the test called a station without a difference in 8.0 %, where 5 % or less was asked."} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %q", want, got)
		}
	}
	if strings.Contains(got, "75.0") || strings.Contains(got, "trial") {
		t.Errorf("says what is not judged or not asked: %q", got)
	}
	got = strings.Join(b.Quote("m", 7, true), " ")
	for _, want := range []string{"fleets of 6 presses (of the numbers that were counted the nearest to the 7 of this study)", "None of these is outside its bar", "On simulated trials of 12 presses"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %q", want, got)
		}
	}
	if r := b.nearest(500); r.Name != "presses-12" {
		t.Errorf("500 presses are nearest to %s", r.Name)
	}
}

// Counts of another method are never quoted.
func TestQuoteOfAnotherMethod(t *testing.T) {
	for _, b := range []*Book{nil, counted()} {
		got := b.Quote("n", 12, true)
		if len(got) != 1 || !strings.Contains(got[0], "method n") || strings.Contains(got[0], "%") {
			t.Errorf("%q", got)
		}
	}
}

// What this program was built with can be quoted, and may be said. Where a book
// is kept it is of the study's method and has a row for any number of presses.
func TestQuoteOfTheKeptBook(t *testing.T) {
	b, err := Kept()
	if err != nil {
		t.Fatal(err)
	}
	if b == nil {
		t.Log("no book is kept: every report says so")
	} else if b.Method != study.Method {
		t.Errorf("the kept book is of %s, the study's method is %s", b.Method, study.Method)
	}
	for _, n := range []int{2, 5, 12, 100} {
		lines := b.Quote(study.Method, n, true)
		if len(lines) == 0 || b != nil && len(lines) < 2 {
			t.Errorf("%d presses: %q", n, lines)
		}
		if bad := study.ForbiddenWords(strings.Join(lines, " ")); bad != nil {
			t.Errorf("%d presses: says %q", n, bad)
		}
	}
}
