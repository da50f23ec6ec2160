package timeline

import (
	"fmt"
	"time"
)

// Millisecond counts of common spans.
const (
	Second = int64(1000)
	Minute = 60 * Second
	Hour   = 60 * Minute
)

// Interval is the half-open range of instants [From, To), unix milliseconds.
type Interval struct{ From, To int64 }

// Len is the length in milliseconds, 0 for an empty or reversed interval.
func (i Interval) Len() int64 {
	if i.To <= i.From {
		return 0
	}
	return i.To - i.From
}

// And is the common part of two intervals; it may be empty.
func (i Interval) And(j Interval) Interval {
	return Interval{max(i.From, j.From), min(i.To, j.To)}
}

// Has says whether the instant lies in the interval.
func (i Interval) Has(t int64) bool { return t >= i.From && t < i.To }

// Day is a calendar date as days since 1970-01-01. A production day is named
// by the local date on which its first shift starts.
type Day int32

// NoDay is before every day that can be stored.
const NoDay = Day(-1 << 31)

// ParseDay reads YYYY-MM-DD.
func ParseDay(s string) (Day, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("day %q is not YYYY-MM-DD", s)
	}
	return Day(t.Unix() / 86400), nil
}

// DayOf is the date of a local time.
func DayOf(t time.Time) Day {
	y, m, d := t.Date()
	return Day(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// String is YYYY-MM-DD.
func (d Day) String() string { return d.utc().Format(time.DateOnly) }

func (d Day) utc() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

// Weekday is the ISO weekday, Monday 1 to Sunday 7.
func (d Day) Weekday() int {
	w := int(d.utc().Weekday())
	if w == 0 {
		return 7
	}
	return w
}

// ISOWeek is the ISO 8601 year and week.
func (d Day) ISOWeek() (year, week int) { return d.utc().ISOWeek() }

// Week is the ISO 8601 week as YYYY-Www.
func (d Day) Week() string {
	y, w := d.ISOWeek()
	return fmt.Sprintf("%04d-W%02d", y, w)
}

// Month is YYYY-MM.
func (d Day) Month() string { return d.utc().Format("2006-01") }

// LocalInstant is the instant of a local wall-clock time. A time that does not
// exist (clocks go forward) moves forward by the gap; one that exists twice is
// the first. Minute may exceed 24 h: it then lies on a later date.
func LocalInstant(zone *time.Location, d Day, minute int) int64 {
	y, m, dd := d.utc().Date()
	wall := time.Date(y, m, dd, 0, minute, 0, 0, time.UTC).Unix()
	// Offsets a day before and after bracket any single transition.
	_, before := time.Unix(wall-86400, 0).In(zone).Zone()
	_, after := time.Unix(wall+86400, 0).In(zone).Zone()
	// The first instant that shows this wall clock: try the offset from before
	// the transition first; in a gap neither offset shows it, and the offset
	// from before moves it forward by the gap.
	for _, off := range []int{before, after} {
		t := wall - int64(off)
		if _, o := time.Unix(t, 0).In(zone).Zone(); o == off {
			return t * 1000
		}
	}
	return (wall - int64(before)) * 1000
}
