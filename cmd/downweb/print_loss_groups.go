package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"github.com/shopspring/decimal"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// printLossGroups writes one line per group.
func printLossGroups(w io.Writer, r *pb.GetLossesResponse) {
	var leaves []*pb.LossLeaf
	for _, t := range append(slices.Clone(r.GetGroups()), r.GetTotal()) {
		leaves = append(leaves, t.GetSum(), t.GetCleaning(), t.GetDirt())
	}
	codes := currencies(leaves...)
	g := newGrid("", ">planned h", ">OEE %", ">A %", ">E %", ">Q %", ">cleaning pt", ">h:mm", ">dirt pt", ">h:mm", ">known %")
	add := func(key string, t *pb.LossTree) {
		l := newLadder(t)
		ct, cp, _ := l.share("cleaning")
		dt, dp, _ := l.share("dirt")
		if l.clock.unit != hoursClock.unit {
			ct, dt = roundRatio(t.GetCleaning().GetTimeUs(), 1, hoursClock.unit), roundRatio(t.GetDirt().GetTimeUs(), 1, hoursClock.unit)
		}
		if !t.GetOk() { // a part of the scope: its points are shares of the whole
			cp, dp = int64(math.Round(100*t.GetCleaning().GetOeePoints())), int64(math.Round(100*t.GetDirt().GetOeePoints()))
		}
		oee, av, ef, qu := "-", "-", "-", "-"
		if t.GetOk() {
			f := func(v float64) string { return strconv.FormatFloat(100*v, 'f', 1, 64) }
			oee, av, ef, qu = f(t.GetOee()), f(t.GetAvailability()), f(t.GetEffectiveness()), f(t.GetQuality())
		}
		g.row(key, number(float64(t.GetPlannedBusyUs())/3.6e9, 1), oee, av, ef, qu,
			fixed(cp, 2), hoursClock.text(ct),
			fixed(dp, 2), hoursClock.text(dt),
			strconv.FormatFloat(100*t.GetCoverage().GetKnownShare(), 'f', 1, 64))
	}
	for _, t := range r.GetGroups() {
		key := t.GetKey()
		if key == "" {
			key = "(none)"
		}
		add(key, t)
	}
	g.rule()
	add("all", r.GetTotal())
	g.print(w)
	fmt.Fprintln(w)
	for _, code := range codes {
		printMoneyGroups(w, r, code)
	}
}

// printMoneyGroups writes the money of each group that has amounts in a purse.
func printMoneyGroups(w io.Writer, r *pb.GetLossesResponse, code string) {
	name := currencyOf(code)
	g := newGrid("", "minutes at the", ">cleaning "+name, ">dirt "+name, ">all losses "+name)
	var column [3]decimal.Decimal
	basis, rows := "", 0
	for _, t := range r.GetGroups() {
		if !priced(t.GetSum().GetMoney(), code) {
			continue
		}
		key := t.GetKey()
		if key == "" {
			key = "(none)"
		}
		for _, m := range t.GetSum().GetMoney() {
			if inPurse(m, code) {
				basis = m.GetBasis()
			}
		}
		cells := []string{key, basis}
		for i, leaf := range []*pb.LossLeaf{t.GetCleaning(), t.GetDirt(), t.GetSum()} {
			d := printed(amount(leaf.GetMoney(), code), code)
			column[i] = column[i].Add(d)
			cells = append(cells, moneyText(d, code))
		}
		g.row(cells...)
		rows++
	}
	if rows == 0 {
		return
	}
	// The sum is the whole scope's, rounded once; a rounding line closes the
	// columns.
	sum, rest, short := []string{"sum", basis}, []string{"rounding", ""}, false
	for i, leaf := range []*pb.LossLeaf{r.GetTotal().GetCleaning(), r.GetTotal().GetDirt(), r.GetTotal().GetSum()} {
		d := printed(amount(leaf.GetMoney(), code), code)
		sum, rest = append(sum, moneyText(d, code)), append(rest, moneyText(d.Sub(column[i]), code))
		short = short || !d.Equal(column[i])
	}
	if short {
		g.row(rest...)
	}
	g.rule()
	g.row(sum...)
	g.print(w)
	fmt.Fprintln(w)
}
