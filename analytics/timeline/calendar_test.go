package timeline_test

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func day(t testing.TB, s string) timeline.Day {
	t.Helper()
	d, err := timeline.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// The transitions are those of the IANA time zone database: Europe/Berlin goes
// forward at 01:00Z on the last Sunday of March and back on the last of October,
// America/New_York forward at 07:00Z on the second Sunday of March and back at
// 06:00Z on the first of November. Lord Howe shifts by half an hour.
func TestLocalInstant(t *testing.T) {
	tests := []struct {
		zone, day string
		minute    int
		want      string
	}{
		{"Europe/Berlin", "2026-03-29", 1*60 + 59, "2026-03-29T00:59:00Z"},
		{"Europe/Berlin", "2026-03-29", 2 * 60, "2026-03-29T01:00:00Z"},       // does not exist: 03:00
		{"Europe/Berlin", "2026-03-29", 2*60 + 30, "2026-03-29T01:30:00Z"},    // does not exist: 03:30
		{"Europe/Berlin", "2026-03-29", 3 * 60, "2026-03-29T01:00:00Z"},       // the same instant
		{"Europe/Berlin", "2026-03-28", 26*60 + 30, "2026-03-29T01:30:00Z"},   // counted from the day before
		{"Europe/Berlin", "2026-10-25", 2*60 + 30, "2026-10-25T00:30:00Z"},    // exists twice: the first
		{"Europe/Berlin", "2026-10-25", 3 * 60, "2026-10-25T02:00:00Z"},       // once, after
		{"Europe/Berlin", "2026-10-24", 30 * 60, "2026-10-25T05:00:00Z"},      // 06:00 the next day
		{"America/New_York", "2026-03-08", 2*60 + 30, "2026-03-08T07:30:00Z"}, // 03:30
		{"America/New_York", "2026-11-01", 1*60 + 30, "2026-11-01T05:30:00Z"}, // the first
		{"America/New_York", "2026-11-01", 2 * 60, "2026-11-01T07:00:00Z"},
		{"Australia/Lord_Howe", "2026-10-04", 2*60 + 15, "2026-10-03T15:45:00Z"}, // 02:00 to 02:30: 02:45
		{"Pacific/Kiritimati", "2026-01-01", 0, "2025-12-31T10:00:00Z"},
		{"UTC", "2026-01-01", 90, "2026-01-01T01:30:00Z"},
	}
	for _, tt := range tests {
		got := time.UnixMilli(timeline.LocalInstant(zone(t, tt.zone), day(t, tt.day), tt.minute)).UTC().Format(time.RFC3339)
		if got != tt.want {
			t.Errorf("%s %s + %d min: %s, want %s", tt.zone, tt.day, tt.minute, got, tt.want)
		}
	}
}

// ISO 8601 weeks at the turn of the year, from the standard's own rule (week 1
// holds the first Thursday): 2026-12-31 is a Thursday, 2027-01-01 a Friday.
func TestDays(t *testing.T) {
	for s, want := range map[string]string{"2026-12-31": "2026-W53", "2027-01-03": "2026-W53", "2027-01-04": "2027-W01",
		"2025-12-29": "2026-W01", "1970-01-01": "1970-W01", "1969-12-31": "1970-W01"} {
		d := day(t, s)
		if d.String() != s || d.Week() != want {
			t.Errorf("%s: %s %s, want %s", s, d, d.Week(), want)
		}
	}
	if w := day(t, "2026-06-21").Weekday(); w != 7 {
		t.Errorf("a Sunday is %d", w)
	}
	if _, err := timeline.ParseDay("2026-02-30"); err == nil {
		t.Error("2026-02-30 read as a date")
	}
}

// A night shift 22:00–06:00 with a break "02:30, 30 min" through both nights on
// which the clocks change: 420 and 540 min, planned 390 and 510.
func TestNightsOfClockChange(t *testing.T) {
	for _, tt := range []struct {
		zone, day string
		length    int64
		breakAt   string
	}{
		{"Europe/Berlin", "2026-03-28", 420, "2026-03-29T01:30:00Z"},
		{"Europe/Berlin", "2026-10-24", 540, "2026-10-25T00:30:00Z"},
		{"Europe/Berlin", "2026-06-20", 480, "2026-06-21T00:30:00Z"},
		{"America/New_York", "2026-03-07", 420, "2026-03-08T07:30:00Z"},
		{"America/New_York", "2026-10-31", 540, "2026-11-01T07:30:00Z"}, // 02:30 exists once there
	} {
		c := &timeline.Calendar{Zone: zone(t, tt.zone), Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Shifts: []timeline.ShiftPattern{
			timelinetest.Shift("night", 22*60, 6*60, []int{6}, timeline.Break{Start: 150, Length: 30 * timeline.Minute})}}}}
		p := c.Plan(day(t, tt.day))
		if len(p.Shifts) != 1 || len(p.Shifts[0].Breaks) != 1 {
			t.Fatalf("%+v", p)
		}
		s := p.Shifts[0]
		at := time.UnixMilli(s.Breaks[0].From).UTC().Format(time.RFC3339)
		if s.Len() != tt.length*timeline.Minute || p.Planned() != (tt.length-30)*timeline.Minute || at != tt.breakAt || s.Breaks[0].Len() != 30*timeline.Minute {
			t.Errorf("%s %s: %d min, planned %d, break at %s", tt.zone, tt.day, s.Len()/timeline.Minute, p.Planned()/timeline.Minute, at)
		}
	}
}

func names(p timeline.DayPlan) []string {
	var out []string
	for _, s := range p.Shifts {
		out = append(out, s.Name)
	}
	return out
}

func TestCycleClosureExtra(t *testing.T) {
	mon := day(t, "2026-06-15")
	all := []int{1, 2, 3, 4, 5, 6, 7}
	early, late := timelinetest.Shift("early", 6*60, 14*60, all), timelinetest.Shift("late", 14*60, 22*60, all)
	early.Weeks, late.Weeks = []int{1}, []int{2}
	c := &timeline.Calendar{Zone: zone(t, "Europe/Berlin"),
		Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 2, Anchor: mon + 3, Shifts: []timeline.ShiftPattern{early, late}},
			{ValidFrom: mon + 28, Cycle: 1, Shifts: []timeline.ShiftPattern{timelinetest.Shift("day", 8*60, 16*60, all)}}},
		Closed: map[timeline.Day]string{mon + 1: "holiday"},
		Extra:  []timeline.ExtraShift{{Day: mon + 1, ShiftPattern: timelinetest.Shift("extra", 10*60, 12*60, nil)}}}
	for d, want := range map[timeline.Day][]string{mon: {"early"}, mon + 6: {"early"}, mon + 7: {"late"}, mon + 14: {"early"},
		mon - 7: {"late"}, mon - 14: {"early"}, mon - 2800: {"early"}, mon + 1: {"extra"}, mon + 27: {"late"}, mon + 28: {"day"}} {
		if got := names(c.Plan(d)); !slices.Equal(got, want) {
			t.Errorf("%v: %v, want %v", d, got, want)
		}
	}
	if p := c.Plan(mon + 7); time.UnixMilli(p.Start).In(c.Zone).Hour() != 14 {
		t.Error("a production day starts with its first shift")
	}
}

// A shift belongs to the date it starts on, or by the plant's setting to that
// on which it ends; a day without shifts keeps a full length either way.
func TestDayOfEnd(t *testing.T) {
	fri := day(t, "2026-06-19")
	c := &timeline.Calendar{Zone: zone(t, "Europe/Berlin"), DayOfEnd: true, Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay,
		Shifts: []timeline.ShiftPattern{timelinetest.Shift("night", 22*60, 6*60, []int{1, 2, 3, 4}), timelinetest.Shift("early", 6*60, 14*60, timelinetest.Weekdays)}}}}
	p := c.Plan(fri)
	if got := names(p); !slices.Equal(got, []string{"night", "early"}) {
		t.Errorf("Friday: %v", got)
	}
	for d := fri - 7; d < fri+8; d++ {
		if p := c.Plan(d); p.End-p.Start != 24*timeline.Hour && d.Weekday() >= 2 && d.Weekday() <= 6 {
			t.Errorf("%v lasts %v h", d, float64(p.End-p.Start)/float64(timeline.Hour))
		}
	}
	if got := c.DayAt(timeline.LocalInstant(c.Zone, fri, 15*60)); got != fri {
		t.Errorf("Friday afternoon is of %v", got)
	}
	if got := c.DayAt(timeline.LocalInstant(c.Zone, fri+1, 12*60)); got != fri+1 {
		t.Errorf("Saturday noon is of %v", got)
	}
}

func drawCalendar(t *rapid.T) *timeline.Calendar {
	z, err := time.LoadLocation(rapid.SampledFrom([]string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"}).Draw(t, "zone"))
	if err != nil {
		t.Fatal(err)
	}
	c := &timeline.Calendar{Zone: z, DayOfEnd: rapid.Bool().Draw(t, "end"), Closed: map[timeline.Day]string{}}
	shift := func(name string) timeline.ShiftPattern {
		s := timeline.ShiftPattern{Name: name, Start: rapid.IntRange(0, 1439).Draw(t, "start"), End: rapid.IntRange(0, 1439).Draw(t, "stop")}
		for d := 1; d <= 7; d++ {
			s.Days[d] = rapid.IntRange(0, 3).Draw(t, "on") > 0
		}
		for range rapid.IntRange(0, 2).Draw(t, "breaks") {
			s.Breaks = append(s.Breaks, timeline.Break{Start: rapid.IntRange(0, 1439).Draw(t, "break"), Length: int64(rapid.IntRange(1, 90).Draw(t, "long")) * timeline.Minute})
		}
		return s
	}
	base := 20_440 // 2025-12-18
	for i := range rapid.IntRange(0, 2).Draw(t, "patterns") {
		p := timeline.Pattern{ValidFrom: timeline.Day(base + 150*i), Cycle: rapid.IntRange(1, 3).Draw(t, "cycle"), Anchor: timeline.Day(base)}
		if i == 0 {
			p.ValidFrom = timeline.NoDay
		}
		for range rapid.IntRange(0, 3).Draw(t, "shifts") {
			p.Shifts = append(p.Shifts, shift(string(rune('a'+len(p.Shifts)))))
		}
		c.Patterns = append(c.Patterns, p)
	}
	for range rapid.IntRange(0, 4).Draw(t, "closures") {
		c.Closed[timeline.Day(base+rapid.IntRange(0, 400).Draw(t, "closed"))] = "x"
	}
	for range rapid.IntRange(0, 3).Draw(t, "extras") {
		c.Extra = append(c.Extra, timeline.ExtraShift{Day: timeline.Day(base + rapid.IntRange(0, 400).Draw(t, "extra")), ShiftPattern: shift("x")})
	}
	return c
}

// Segments of consecutive days cover all time once, whatever the calendar.
func TestSegmentsTile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCalendar(t)
		first := timeline.Day(20_440 + rapid.IntRange(0, 380).Draw(t, "first"))
		var all []timeline.Interval
		for d := first; d < first+12; d++ {
			p := c.Plan(d)
			for i, s := range p.Segments {
				if s.Len() == 0 || s.Planned && s.Break || s.Shift == timeline.Unplanned && (s.Planned || s.Break) {
					t.Fatalf("%v: segment %+v", d, s)
				}
				if i > 0 && s.From < p.Segments[i-1].To {
					t.Fatalf("%v: segments overlap", d)
				}
				all = append(all, s.Interval)
			}
		}
		slices.SortFunc(all, func(a, b timeline.Interval) int { return int(a.From - b.From) })
		lo, hi := c.Plan(first+2).Start, c.Plan(first+9).End
		for i := 1; i < len(all); i++ {
			a, b := all[i-1], all[i]
			if b.From < a.To {
				t.Fatalf("%v and %v overlap", a, b)
			}
			if b.From > a.To && a.To >= lo && b.From <= hi {
				t.Fatalf("hole from %v to %v", time.UnixMilli(a.To).In(c.Zone), time.UnixMilli(b.From).In(c.Zone))
			}
		}
		at := lo + int64(rapid.IntRange(0, 6*24*60).Draw(t, "at"))*timeline.Minute
		if at < hi {
			d := c.DayAt(at)
			p := c.Plan(d)
			if !slices.ContainsFunc(p.Segments, func(s timeline.Segment) bool { return s.Has(at) }) {
				t.Fatalf("%v is said to be of %v", time.UnixMilli(at).In(c.Zone), d)
			}
		}
	})
}

// Three crews on a cycle of three weeks and four crews on one of four, each
// counted over a whole year with a leap day: every shift of a full week has one
// crew and every crew gets its share of it.
func TestRotations(t *testing.T) {
	all := []int{1, 2, 3, 4, 5, 6, 7}
	hours := map[string][2]int{"early": {6 * 60, 14 * 60}, "late": {14 * 60, 22 * 60}, "night": {22 * 60, 6 * 60}}
	order := []string{"early", "late", "night"}
	for _, crews := range []int{3, 4} {
		// In each week of the cycle the crews move on by a shift; with four crews
		// each has one week in four free.
		p := timeline.Pattern{ValidFrom: timeline.NoDay, Cycle: crews, Anchor: day(t, "2028-01-03")}
		for k := range crews {
			for i, n := range order {
				s := timelinetest.Shift(string(rune('A'+k))+" "+n, hours[n][0], hours[n][1], all)
				s.Weeks = []int{(i-k+crews)%crews + 1}
				p.Shifts = append(p.Shifts, s)
			}
		}
		c := &timeline.Calendar{Zone: zone(t, "Europe/Berlin"), Patterns: []timeline.Pattern{p}}
		first := day(t, "2028-01-03") // a Monday; 2028 has a leap day
		if a, b, over := c.Overlap(first, first+400); over {
			t.Fatalf("%d crews: %+v and %+v overlap", crews, a, b)
		}
		got := map[string]int{}
		var planned int64
		weeks := 4 * 3 * 7 // whole cycles of both
		for d := first; d < first+timeline.Day(7*weeks); d++ {
			x := c.Plan(d)
			planned += x.Planned()
			if len(x.Shifts) != 3 {
				t.Fatalf("%d crews, %v: %v", crews, d, names(x))
			}
			for _, n := range names(x) {
				got[n]++
			}
		}
		for n, k := range got {
			if k != 7*weeks/crews {
				t.Errorf("%d crews: %s %d times, want %d", crews, n, k, 7*weeks/crews)
			}
		}
		// 84 weeks from January 2028 to August 2029 hold two spring nights and one
		// autumn night: an hour less than the wall clock says.
		wall := int64(7*weeks) * 24 * timeline.Hour
		span := timeline.LocalInstant(c.Zone, first+timeline.Day(7*weeks), 360) - timeline.LocalInstant(c.Zone, first, 360)
		if planned != span || wall-span != timeline.Hour {
			t.Errorf("%d crews: planned %d h of %d", crews, planned/timeline.Hour, span/timeline.Hour)
		}
	}
	leap := day(t, "2028-02-29")
	if leap.Weekday() != 2 || (leap+1).String() != "2028-03-01" || leap.Week() != "2028-W09" || leap.Month() != "2028-02" {
		t.Errorf("leap day %v %d %s %s", leap, leap.Weekday(), leap.Week(), leap.Month())
	}
	if _, err := timeline.ParseDay("2100-02-29"); err == nil {
		t.Error("2100 has no leap day")
	}
}

// Shifts that share time are found, over midnight and the end of a week too.
func TestOverlap(t *testing.T) {
	mon := day(t, "2026-06-15")
	cal := func(s ...timeline.ShiftPattern) *timeline.Calendar {
		return &timeline.Calendar{Zone: zone(t, "Europe/Berlin"), Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1, Shifts: s}}}
	}
	early, night := timelinetest.Shift("early", 360, 840, []int{1}), timelinetest.Shift("night", 1320, 361, []int{7})
	if _, _, ok := cal(early, timelinetest.Shift("late", 840, 1320, []int{1})).Overlap(mon-7, mon+7); ok {
		t.Error("shifts that touch do not overlap")
	}
	if a, b, ok := cal(early, night).Overlap(mon-7, mon+7); !ok || a.Name != "night" || b.Name != "early" {
		t.Errorf("%v %v %v", a, b, ok)
	}
	long := timelinetest.Shift("long", 0, 1320, []int{1})
	if _, b, ok := cal(long, early).Overlap(mon, mon); !ok || b.Name != "early" {
		t.Error("a shift inside another overlaps it")
	}
}
