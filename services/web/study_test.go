package web_test

import (
	"strings"
	"testing"
)

// What a study says of a station stands under that station's name, the surest first; only what is of the whole study
// stands by itself. A sentence such as "No difference was seen." means nothing without the name.
func TestStudyWordsNameTheirStation(t *testing.T) {
	s, _ := newSite(t, "")
	_, page, _ := get(t, s, "/studies/"+studyID)
	got := text(page)
	want := "1344 of 1524 press-days were compared. The whole report"
	words := "UV unit 1, grade 3. Runs that started with uv-1 not cleaned wasted 26.6 m more (13.7 to 39.0 m, 95 %) than runs that started clean. It does not show that the clean would have avoided it. Anilox and chamber, grade 1. No difference was seen."
	if !strings.Contains(got, want) || !strings.Contains(got, words) || strings.Count(got, "No difference was seen.") != 1 {
		t.Errorf("want %q and %q in %s", want, words, got)
	}
	if !strings.Contains(page, `plot/dose?station=uv-1"`) {
		t.Error("the figures of one station are not those of the surest finding")
	}
}
