package main

import (
	"fmt"
	"strings"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// The arithmetic that the pages in a browser print by, too.
var (
	apportion  = figures.Apportion
	roundRatio = figures.RoundRatio
	grouped    = figures.Grouped
	fixed      = figures.Fixed
	places     = figures.Places
	amount     = figures.Amount
	printed    = figures.Printed
	moneyText  = figures.MoneyText
	currencies = figures.Purses
	inPurse    = figures.InPurse
	currencyOf = figures.CurrencyOf
	purseName  = figures.PurseName
	purseText  = figures.PurseText
	percent    = figures.Percent
	number     = figures.Number
	plural     = figures.Plural
)

// clock is how a column of times is written: the printed unit, and the text of n of them.
type clock struct {
	name string
	unit int64 // microseconds
	text func(n int64) string
}

var (
	minutesClock = clock{"min", 600_000, func(n int64) string { return fixed(n, 2) }} // hundredths of a minute
	hoursClock   = clock{"h:mm", 60_000_000, func(n int64) string {
		sign := ""
		if n < 0 {
			sign, n = "-", -n
		}
		return fmt.Sprintf("%s%s:%02d", sign, grouped(n/60), n%60)
	}}
)

// clockFor writes less than two days in minutes, more in hours.
func clockFor(us int64) clock {
	if us < 48*3600*1e6 {
		return minutesClock
	}
	return hoursClock
}

// duration is a time in words for a sentence.
func (c clock) duration(n int64) string {
	if c.unit == minutesClock.unit {
		return c.text(n) + " min"
	}
	if n < 0 {
		return "-" + c.duration(-n)
	}
	return fmt.Sprintf("%s h %02d min", grouped(n/60), n%60)
}

// bar draws v on a scale whose longest bar is most, in plain characters. A negative value, time won back, is
// drawn as one mark.
func bar(v, most int64, width int) string {
	if most <= 0 || v == 0 || width <= 0 {
		return ""
	}
	if v < 0 {
		return "<"
	}
	n := roundRatio(v, int64(width), most)
	if n == 0 {
		return "."
	}
	return strings.Repeat("#", int(n))
}

// interval writes an estimate with its ends, or why there is none.
func interval(e *pb.Estimate, places int) string {
	if !e.GetOk() {
		return "too few"
	}
	return fmt.Sprintf("%s (%s to %s)", number(e.GetValue(), places), number(e.GetLow(), places), number(e.GetHigh(), places))
}

// instant writes a UTC instant.
func instant(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.UTC().Format("2006-01-02 15:04Z")
}

// zoned writes an instant in the zone of the plants, with the zone named; in UTC where there are several or none.
func zoned(t time.Time, zones []string) string {
	if t.IsZero() {
		return "-"
	}
	if len(zones) == 1 {
		if z, err := time.LoadLocation(zones[0]); err == nil {
			return t.In(z).Format("2006-01-02 15:04") + " " + zones[0]
		}
	}
	return t.UTC().Format("2006-01-02 15:04") + " UTC"
}
