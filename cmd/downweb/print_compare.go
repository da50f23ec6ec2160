package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/shopspring/decimal"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// comparePage is what a comparison prints: b is what was asked for, a what it is set against.
type comparePage struct {
	resp             *pb.CompareLossesResponse
	scopeA, scopeB   string
	periodA, periodB *pb.Period
	zones, dayOf     []string
}

// sideWords name the sides by what differs.
func (p *comparePage) sideWords() (a, b string) {
	name := func(scope string, per *pb.Period) string {
		switch {
		case p.scopeA == p.scopeB:
			return periodText(per)
		case periodText(p.periodA) == periodText(p.periodB):
			return scope
		}
		return scope + ", " + periodText(per)
	}
	return name(p.scopeA, p.periodA), name(p.scopeB, p.periodB)
}

// printCompare writes the answer in one sentence, the factors, then leaf by leaf.
func printCompare(w io.Writer, p *comparePage) {
	r := p.resp
	a, b := p.sideWords()
	if !r.GetOk() {
		for _, n := range r.GetNotes() {
			wrapped(w, "", "  ", n)
		}
		wrapped(w, "", "  ", "a: "+a+"; b: "+b)
		p.pins(w)
		return
	}
	la, lb := newLadder(r.GetA()), newLadder(r.GetB())
	total := lb.valuablePoints - la.valuablePoints // hundredths of a point of OEE
	verb := "higher"
	if total < 0 {
		verb = "lower"
	}
	sentence := fmt.Sprintf("OEE of %s is %s %%, %s points %s than of %s (%s %%)", b, fixed(lb.valuablePoints, 2), fixed(max(total, -total), 2), verb, a, fixed(la.valuablePoints, 2))
	if total == 0 {
		sentence = fmt.Sprintf("OEE of %s is %s %%, the same as of %s", b, fixed(lb.valuablePoints, 2), a)
	}
	wrapped(w, "", "  ", sentence+".")
	fmt.Fprintln(w)
	p.factors(w, total)
	p.leaves(w, la, lb)
	for _, n := range r.GetNotes() {
		wrapped(w, "Note: ", "  ", n)
	}
	p.pins(w)
}

// factors prints what each factor contributes; the points add up as they stand.
func (p *comparePage) factors(w io.Writer, total int64) {
	var parts []int64
	for _, f := range p.resp.GetFactors() {
		parts = append(parts, int64(math.RoundToEven(f.GetPoints()*1e9)))
	}
	points := apportion(parts, 1, 1e7, total)
	g := newGrid("factor", ">a %", ">b %", ">points of OEE", "")
	var most int64
	for _, n := range points {
		most = max(most, n, -n)
	}
	for i, f := range p.resp.GetFactors() {
		va, vb := number(100*f.GetA(), 2), number(100*f.GetB(), 2)
		if f.GetFactor() == "mix" { // no value of its own
			va, vb = "", ""
		}
		g.row(f.GetFactor(), va, vb, signedPoints(points[i]), swing(points[i], most, 12))
	}
	g.rule()
	g.row("difference in OEE", "", "", signedPoints(total), "")
	g.print(w)
	fmt.Fprintln(w)
}

// leaves prints points of both sides and their difference: every column adds up as it stands.
func (p *comparePage) leaves(w io.Writer, la, lb *ladder) {
	var all []*pb.LossLeaf
	for _, l := range p.resp.GetLeaves() {
		all = append(all, &pb.LossLeaf{Money: l.GetMoney()})
	}
	codes := currencies(all...)
	if len(codes) > 2 {
		codes = codes[:2]
	}
	half := 8
	for half > 0 && p.leafGrid(codes, la, lb, half).wide() > width {
		half -= 2
	}
	p.leafGrid(codes, la, lb, half).print(w)
	fmt.Fprintln(w)
}

// leafGrid lays the leaves out with money in some purses and differences drawn to half a width.
func (p *comparePage) leafGrid(codes []string, la, lb *ladder, half int) *grid {
	heads := []string{"", "", ">a points", ">b points", ">b - a", ">min/100 h"}
	for _, c := range codes {
		heads = append(heads, ">"+purseName(c))
	}
	g := newGrid(append(heads, "")...)
	var most int64
	for i := range la.points {
		d := lb.points[i] - la.points[i]
		most = max(most, d, -d)
	}
	column := map[string]decimal.Decimal{}
	for i, l := range p.resp.GetLeaves() {
		d := lb.points[i] - la.points[i]
		share := ""
		if i < len(p.resp.GetB().GetLeaves()) {
			share = shareMark[p.resp.GetB().GetLeaves()[i].GetShare()]
		}
		cells := []string{share, l.GetName(), fixed(la.points[i], 2), fixed(lb.points[i], 2), signedPoints(d), number(l.GetMinutesPer_100H(), 1)}
		for _, c := range codes {
			m := amount(l.GetMoney(), c)
			column[c] = column[c].Add(printed(m, c))
			cells = append(cells, moneyText(m, c))
		}
		g.row(append(cells, swing(d, most, half))...)
	}
	// The sums are the trees' own, rounded once; a rounding line closes the column.
	whole, short := map[string]decimal.Decimal{}, false
	rest := []string{"", "rounding", "", "", "", ""}
	for _, c := range codes {
		whole[c] = printed(amount(p.resp.GetB().GetSum().GetMoney(), c).Sub(amount(p.resp.GetA().GetSum().GetMoney(), c)), c)
		short = short || !whole[c].Equal(column[c])
		rest = append(rest, moneyText(whole[c].Sub(column[c]), c))
	}
	if short {
		g.row(append(rest, "")...)
	}
	g.rule()
	cells := []string{"", "sum of the losses", fixed(la.sumPoints, 2), fixed(lb.sumPoints, 2), signedPoints(lb.sumPoints - la.sumPoints), number(-60*p.resp.GetOeePoints(), 1)}
	for _, c := range codes {
		cells = append(cells, moneyText(whole[c], c))
	}
	g.row(append(cells, "")...)
	return g
}

func (p *comparePage) pins(w io.Writer) {
	a, b := "a: "+p.scopeA+", "+periodText(p.periodA), "b: "+p.scopeB+", "+periodText(p.periodB)
	if k := p.resp.GetA().GetCoverage(); k.GetPlannedMs() > 0 {
		a += fmt.Sprintf(", %s planned, %s known", hours(k.GetPlannedMs()), percent(k.GetKnownShare(), 1))
	}
	if k := p.resp.GetB().GetCoverage(); k.GetPlannedMs() > 0 {
		b += fmt.Sprintf(", %s planned, %s known", hours(k.GetPlannedMs()), percent(k.GetKnownShare(), 1))
	}
	wrapped(w, "", "  ", a)
	wrapped(w, "", "  ", b)
	printPins(w, p.periodB, p.zones, p.dayOf, p.resp.GetAsOf())
}

// signedPoints writes hundredths with their sign.
func signedPoints(n int64) string {
	if n > 0 {
		return "+" + fixed(n, 2)
	}
	return fixed(n, 2)
}

// swing draws a difference to the left or right of a middle line.
func swing(v, most int64, half int) string {
	if most <= 0 || half <= 0 {
		return ""
	}
	n := int(roundRatio(max(v, -v), int64(half), most))
	if v < 0 {
		return strings.Repeat(" ", half-n) + strings.Repeat("#", n) + "|"
	}
	return strings.Repeat(" ", half) + "|" + strings.Repeat("#", n)
}
