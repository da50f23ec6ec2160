package loss

import (
	"strings"
	"testing"
)

func weeksLike(v ...float64) []float64 { return v }

func TestSentence(t *testing.T) {
	before := weeksLike(9, 10, 11, 10, 9, 10, 11, 10, 9, 10)
	base := Summary{Scope: "the fleet", Period: "2026-06-22 to 2026-06-28", Planned: 3_600_000_000, CleaningUS: 70 * 3600e6, DirtUS: 3200 * 60e6,
		CleaningPoints: 7.04, DirtPoints: 5.33, Money: []string{"EUR 12,345.60"}, Station: "uv-1", StationPoints: 3.21,
		Missed: 12, Skipped: 3, Counted: 1240, Known: 0.98765, Usual: Usual{Weeks: []float64{12.4}, Before: before}}
	text, parts := base.Sentence()
	// 9.9 ± 2.6587 × 10/9.
	want := "Maintenance cost the fleet 12.3 points of OEE, 123 h and EUR 12,345.60: cleaning 7.0 (70 h), dirt 5.3 (53 h); most put down to one station: uv-1 (3.2); 12 missed and 3 skipped of 1,240 duties; 98.7 % of the time known; within usual variation (7.2 to 12.6 a week in the 10 weeks before)."
	base.Usual.Weeks[0] = 12.4
	if text != want {
		t.Errorf("got\n%s\nwant\n%s", text, want)
	}
	var names []string
	for _, p := range parts {
		names = append(names, p.Part)
		if p.Text == "" {
			t.Errorf("%+v", p)
		}
	}
	if got := strings.Join(names, " "); got != "cost cleaning dirt station missed known usual" {
		t.Error(got)
	}
	short := base // under a hundred hours the minutes are told, thousands of duties in groups
	short.CleaningUS, short.DirtUS, short.Missed, short.Skipped = 46*3600e6, 3200*60e6, 1356, 1002
	if text, _ := short.Sentence(); !strings.Contains(text, "99 h 20 min and") || !strings.Contains(text, "(46 h 00 min), dirt 5.3 (53 h 20 min)") || !strings.Contains(text, "1,356 missed and 1,002 skipped") {
		t.Error(text)
	}
	for _, c := range []struct {
		usual Usual
		want  string
	}{
		{Usual{Weeks: []float64{13}, Before: before}, "more than usual (7.2"},
		{Usual{Weeks: []float64{3}, Before: before}, "less than usual (7.2"},
		{Usual{Weeks: []float64{13, 10, 10, 10}, Before: before}, "1 of 4 weeks outside usual variation"},
		{Usual{Weeks: []float64{10}, Before: before[:7]}, "too few weeks before it to say what is usual"},
		{Usual{Before: before, Short: true}, "less than a week"},
		{Usual{Weeks: []float64{10}, Before: before, Doubt: true}, "too little is known"},
	} {
		s := base
		s.Usual = c.usual
		if text, _ := s.Sentence(); !strings.Contains(text, c.want) {
			t.Errorf("%+v: %s", c.usual, text)
		}
	}
	none := Summary{Scope: "rhein/p1", Period: "2026-06-15"}
	if text, parts := none.Sentence(); !strings.HasPrefix(text, "Nothing was planned for rhein/p1 in 2026-06-15") || len(parts) != 1 {
		t.Error(text)
	}
	two := base
	two.Money, two.Station, two.Counted, two.Missed, two.Skipped, two.Known = []string{"CHF 4.00", "EUR 12.30"}, "", 0, 0, 0, 0.99999
	if text, _ := two.Sentence(); !strings.Contains(text, "123 h, CHF 4.00 and EUR 12.30: ") || !strings.Contains(text, "no station is named in it; no duties were due; 99.9 %") {
		t.Error(text)
	}
}

func TestMoneyRound(t *testing.T) {
	for _, c := range []struct{ amount, want string }{{"257695.59", "EUR 257,696"}, {"-12345.60", "EUR -12,346"}, {"9999.40", "EUR 9,999.40"}, {"259.875", "EUR 259.88"}, {"0", "EUR 0.00"}} {
		m, _ := new(Money).SetString(c.amount)
		if got := MoneyRound("EUR", m); got != c.want {
			t.Errorf("%s: %s, want %s", c.amount, got, c.want)
		}
	}
}
