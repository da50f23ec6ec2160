package main

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"
	"golang.org/x/text/currency"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// apportion prints parts in whole units so that they add up to total units: each gets the floor of
// part × num / den, and the units that are left go to the largest remainders, the first of equals first
// (largest-remainder method). Where total is further from the floors than one unit a part, the parts do not
// belong to it; then each is rounded by itself.
func apportion(parts []int64, num, den, total int64) []int64 {
	out, rest := make([]int64, len(parts)), make([]*big.Int, len(parts))
	left := total
	for i, p := range parts {
		q, m := new(big.Int), new(big.Int)
		q.DivMod(new(big.Int).Mul(big.NewInt(p), big.NewInt(num)), big.NewInt(den), m)
		out[i], rest[i] = q.Int64(), m
		left -= out[i]
	}
	if left < 0 || left > int64(len(parts)) {
		for i, p := range parts {
			out[i] = roundRatio(p, num, den)
		}
		return out
	}
	order := make([]int, len(parts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return rest[b].Cmp(rest[a]) })
	for _, i := range order[:left] {
		out[i]++
	}
	return out
}

// roundRatio is v × num / den, rounded half to even.
func roundRatio(v, num, den int64) int64 {
	q, m := new(big.Int), new(big.Int)
	q.DivMod(new(big.Int).Mul(big.NewInt(v), big.NewInt(num)), big.NewInt(den), m)
	switch m.Lsh(m, 1).CmpAbs(big.NewInt(den)) {
	case 1:
		return q.Int64() + 1
	case 0:
		return q.Int64() + q.Int64()&1
	}
	return q.Int64()
}

// grouped writes digits in groups of three.
func grouped(n int64) string {
	text := strconv.FormatInt(n, 10)
	sign := ""
	if text[0] == '-' {
		sign, text = "-", text[1:]
	}
	for i := len(text) - 3; i > 0; i -= 3 {
		text = text[:i] + "," + text[i:]
	}
	return sign + text
}

// fixed writes n units of 10^-places.
func fixed(n int64, places int) string {
	scale := int64(1)
	for range places {
		scale *= 10
	}
	if places == 0 {
		return grouped(n)
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%s.%0*d", sign, grouped(n/scale), places, n%scale)
}

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

// places is how many decimals a currency is written with (CLDR); 2 where it is not known.
func places(code string) int32 {
	unit, err := currency.ParseISO(code)
	if err != nil {
		return 2
	}
	scale, _ := currency.Standard.Rounding(unit)
	return int32(scale)
}

// amount of one currency among several; missing is zero.
func amount(money []*pb.Money, code string) decimal.Decimal {
	sum := decimal.Zero
	for _, m := range money {
		if inPurse(m, code) {
			if d, err := decimal.NewFromString(m.GetAmount()); err == nil {
				sum = sum.Add(d)
			}
		}
	}
	return sum
}

// printed is an amount rounded half to even to its currency's places.
func printed(d decimal.Decimal, code string) decimal.Decimal {
	return d.RoundBank(places(currencyOf(code)))
}

// moneyText writes a printed amount.
func moneyText(d decimal.Decimal, code string) string {
	p := places(currencyOf(code))
	return fixed(d.RoundBank(p).Shift(p).IntPart(), int(p))
}

// currencies of leaves, sorted: the purses that are never added. A currency in
// which minutes are priced in two ways makes two, each named "EUR|basis".
func currencies(leaves ...*pb.LossLeaf) []string {
	bases := map[string][]string{}
	for _, l := range leaves {
		for _, m := range l.GetMoney() {
			c, b := m.GetCurrency(), m.GetBasis()
			if _, known := bases[c]; !known {
				bases[c] = nil
			}
			if b != "" && !slices.Contains(bases[c], b) {
				bases[c] = append(bases[c], b)
			}
		}
	}
	var codes []string
	for c, list := range bases {
		if len(list) < 2 {
			codes = append(codes, c)
			continue
		}
		for _, b := range list {
			codes = append(codes, c+"|"+b)
		}
	}
	slices.Sort(codes)
	return codes
}

// inPurse says whether an amount belongs to a purse of currencies.
func inPurse(m *pb.Money, code string) bool {
	c, basis, both := strings.Cut(code, "|")
	return m.GetCurrency() == c && (!both || m.GetBasis() == basis)
}

// currencyOf a purse.
func currencyOf(code string) string {
	c, _, _ := strings.Cut(code, "|")
	return c
}

// purseName is a purse's column head, e.g. "EUR" or "EUR press h".
func purseName(code string) string {
	c, basis, both := strings.Cut(code, "|")
	switch {
	case !both:
		return c
	case basis == "press hour":
		return c + " press h"
	}
	return c + " contrib. h"
}

// purseText writes an amount with what it is, e.g. "EUR 3.00 at the press hour".
func purseText(d decimal.Decimal, code string) string {
	c, basis, both := strings.Cut(code, "|")
	text := c + " " + moneyText(d, code)
	if both {
		text += " at the " + basis
	}
	return text
}

// eighths are the ends of a bar.
var eighths = []rune(" ▏▎▍▌▋▊▉█")

// bar draws v on a scale whose longest bar is most. A negative value, time won back, is drawn as one mark.
func bar(v, most int64, width int) string {
	if most <= 0 || v == 0 {
		return ""
	}
	if v < 0 {
		return "◂"
	}
	n := roundRatio(v, int64(width)*8, most)
	if n == 0 {
		n = 1
	}
	text := strings.Repeat("█", int(n/8))
	if n%8 > 0 {
		text += string(eighths[n%8])
	}
	return text
}

// percent writes a share with places decimals.
func percent(share float64, places int) string {
	return strconv.FormatFloat(100*share, 'f', places, 64) + " %"
}

// number writes a figure with places decimals and grouped digits.
func number(v float64, places int) string {
	text := strconv.FormatFloat(v, 'f', places, 64)
	whole, rest, _ := strings.Cut(text, ".")
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return text
	}
	out := grouped(n)
	if n == 0 && strings.HasPrefix(whole, "-") {
		out = "-0"
	}
	if rest != "" {
		out += "." + rest
	}
	return out
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

// plural is "1 press", "2 presses".
func plural(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return grouped(n) + " " + many
}
