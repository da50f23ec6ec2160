// Package figures is the arithmetic of printed figures: how exact times, lengths, money and points are rounded so that a
// column adds up as it stands. Command line and pages print by the same rules.
package figures

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"
	"golang.org/x/text/currency"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Apportion prints parts in whole units so that they add up to total units: each gets the floor of
// part × num / den, and the units that are left go to the largest remainders, the first of equals first
// (largest-remainder method). Where total is further from the floors than one unit a part, the parts do not
// belong to it; then each is rounded by itself.
func Apportion(parts []int64, num, den, total int64) []int64 {
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
			out[i] = RoundRatio(p, num, den)
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

// RoundRatio is v × num / den, rounded half to even.
func RoundRatio(v, num, den int64) int64 {
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

// Grouped writes digits in groups of three.
func Grouped(n int64) string {
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

// Fixed writes n units of 10^-places.
func Fixed(n int64, places int) string {
	scale := int64(1)
	for range places {
		scale *= 10
	}
	if places == 0 {
		return Grouped(n)
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%s.%0*d", sign, Grouped(n/scale), places, n%scale)
}

// Places is how many decimals a currency is written with (CLDR); 2 where it is not known.
func Places(code string) int32 {
	unit, err := currency.ParseISO(code)
	if err != nil {
		return 2
	}
	scale, _ := currency.Standard.Rounding(unit)
	return int32(scale)
}

// Amount of one currency among several; missing is zero.
func Amount(money []*pb.Money, code string) decimal.Decimal {
	sum := decimal.Zero
	for _, m := range money {
		if InPurse(m, code) {
			if d, err := decimal.NewFromString(m.GetAmount()); err == nil {
				sum = sum.Add(d)
			}
		}
	}
	return sum
}

// Printed is an amount rounded half to even to its currency's places.
func Printed(d decimal.Decimal, code string) decimal.Decimal {
	return d.RoundBank(Places(CurrencyOf(code)))
}

// MoneyText writes a printed amount.
func MoneyText(d decimal.Decimal, code string) string {
	p := Places(CurrencyOf(code))
	return Fixed(d.RoundBank(p).Shift(p).IntPart(), int(p))
}

// Purses of leaves, sorted: the purses that are never added. A currency in
// which minutes are priced in two ways makes two, each named "EUR|basis".
func Purses(leaves ...*pb.LossLeaf) []string {
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

// InPurse says whether an amount belongs to a purse of currencies.
func InPurse(m *pb.Money, code string) bool {
	c, basis, both := strings.Cut(code, "|")
	return m.GetCurrency() == c && (!both || m.GetBasis() == basis)
}

// CurrencyOf a purse.
func CurrencyOf(code string) string {
	c, _, _ := strings.Cut(code, "|")
	return c
}

// PurseName is a purse's column head, e.g. "EUR" or "EUR press h".
func PurseName(code string) string {
	c, basis, both := strings.Cut(code, "|")
	switch {
	case !both:
		return c
	case basis == "press hour":
		return c + " press h"
	}
	return c + " contrib. h"
}

// PurseText writes an amount with what it is, e.g. "EUR 3.00 at the press hour".
func PurseText(d decimal.Decimal, code string) string {
	c, basis, both := strings.Cut(code, "|")
	text := c + " " + MoneyText(d, code)
	if both {
		text += " at the " + basis
	}
	return text
}

// Percent writes a share with places decimals.
func Percent(share float64, places int) string {
	return strconv.FormatFloat(100*share, 'f', places, 64) + " %"
}

// Number writes a figure with places decimals and grouped digits; what rounds to nothing has no sign.
func Number(v float64, places int) string {
	text := strconv.FormatFloat(v, 'f', places, 64)
	whole, rest, _ := strings.Cut(text, ".")
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return text
	}
	out := Grouped(n)
	if n == 0 && strings.HasPrefix(whole, "-") && strings.Trim(rest, "0") != "" {
		out = "-0"
	}
	if rest != "" {
		out += "." + rest
	}
	return out
}

// Plural is "1 press", "2 presses".
func Plural(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return Grouped(n) + " " + many
}
