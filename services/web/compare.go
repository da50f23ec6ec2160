package web

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// comparePage sets presses and days against others: b is what the picker names, a what it is set against.
type comparePage struct {
	frame
	A, B    string // the sides in words
	Said    string
	Other   *picker // the form that names the other side
	Factors []factorRow
	Leaves  []differenceRow
	Money   []string
	Notes   []string
	OK      bool
}

type factorRow struct {
	Name, A, B, Points string
	swing
}

type differenceRow struct {
	Share, Name, A, B, Points, Per100h string
	Money                              []string
	swing
	Sum bool
}

// swing is a bar to the left or right of a middle line.
type swing struct {
	X, W  string // percent of the picture; W empty: none
	Worse bool
}

func newSwing(v, most int64, worse bool) swing {
	if most <= 0 || v == 0 {
		return swing{}
	}
	half := float64(max(v, -v)) / float64(most) * 49
	if v < 0 {
		return swing{pct(50 - half), pct(half), worse}
	}
	return swing{"50%", pct(half), worse}
}

func (s *Site) serveCompare(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/", "Losses compared", "with", "bfrom", "bto")
	if !ok {
		return
	}
	v := r.URL.Query()
	o := url.Values{"from": {named(v.Get("bfrom"), q.From.Format(time.DateOnly))}, "to": {named(v.Get("bto"), q.To.Format(time.DateOnly))}, "scope": {strings.Join(q.Scopes, ",")}, "kind": {q.Kind}}
	if v.Has("with") {
		o.Set("scope", v.Get("with"))
		o.Del("kind")
	}
	if !v.Has("with") && v.Get("bfrom") == "" && v.Get("bto") == "" { // nothing is named yet: the days before
		from, to := q.before()
		o.Set("from", from.Format(time.DateOnly))
		o.Set("to", to.Format(time.DateOnly))
	}
	other, err := s.read(r.Context(), o)
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	resp, err := s.losses.CompareLosses(r.Context(), &pb.CompareLossesRequest{ScopeA: other.scope(), PeriodA: other.period(), ScopeB: q.scope(), PeriodB: q.period()})
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	f.Foot = q.pins(resp.GetAsOf())
	p := comparePage{frame: f, OK: resp.GetOk()}
	p.A, p.B = sides(other, q)
	p.Other = newPicker("/losses/compare", other)
	for _, n := range resp.GetNotes() {
		p.Notes = append(p.Notes, sentence(n))
	}
	if p.OK {
		p.fill(resp)
	} else {
		p.Said = "These cannot be compared."
	}
	s.write(w, http.StatusOK, "compare", p)
}

// sides name both sides by what differs.
func sides(a, b *query) (string, string) {
	switch {
	case a.Words() == b.Words():
		return a.Days(), b.Days()
	case a.Days() == b.Days():
		return a.Words(), b.Words()
	}
	return a.Words() + ", " + a.Days(), b.Words() + ", " + b.Days()
}

func (p *comparePage) fill(r *pb.CompareLossesResponse) {
	none := func(string) string { return "" }
	la, lb := newLadder(r.GetA(), scaleAll, none), newLadder(r.GetB(), scaleAll, none)
	total := lb.valuablePoints - la.valuablePoints // hundredths of a point
	switch {
	case total == 0:
		p.Said = "OEE of " + p.B + " is " + figures.Fixed(lb.valuablePoints, 2) + " %, the same as of " + p.A + "."
	case total > 0:
		p.Said = "OEE of " + p.B + " is " + figures.Fixed(lb.valuablePoints, 2) + " %, " + figures.Fixed(total, 2) + " points higher than of " + p.A + " (" + figures.Fixed(la.valuablePoints, 2) + " %)."
	default:
		p.Said = "OEE of " + p.B + " is " + figures.Fixed(lb.valuablePoints, 2) + " %, " + figures.Fixed(-total, 2) + " points lower than of " + p.A + " (" + figures.Fixed(la.valuablePoints, 2) + " %)."
	}
	var parts []int64
	for _, x := range r.GetFactors() {
		parts = append(parts, int64(x.GetPoints()*1e9))
	}
	shares := figures.Apportion(parts, 1, 1e7, total)
	var most int64
	for _, n := range shares {
		most = max(most, n, -n)
	}
	for i, x := range r.GetFactors() {
		row := factorRow{Name: x.GetFactor(), A: figures.Number(100*x.GetA(), 2), B: figures.Number(100*x.GetB(), 2), Points: signedHundredths(shares[i]), swing: newSwing(shares[i], most, shares[i] < 0)}
		if x.GetFactor() == "mix" { // no value of its own
			row.A, row.B = "", ""
		}
		p.Factors = append(p.Factors, row)
	}
	var all []*pb.LossLeaf
	for _, l := range r.GetLeaves() {
		all = append(all, &pb.LossLeaf{Money: l.GetMoney()})
	}
	purses := figures.Purses(all...)
	for _, x := range purses {
		p.Money = append(p.Money, figures.PurseName(x))
	}
	most = 0
	for i := range la.points {
		most = max(most, lb.points[i]-la.points[i], la.points[i]-lb.points[i])
	}
	for i, l := range r.GetLeaves() {
		if i >= len(la.points) || i >= len(lb.points) {
			break
		}
		d := lb.points[i] - la.points[i]
		row := differenceRow{Share: r.GetB().GetLeaves()[i].GetShare(), Name: l.GetName(), A: figures.Fixed(la.points[i], 2), B: figures.Fixed(lb.points[i], 2), Points: signedHundredths(d),
			Per100h: minus(figures.Number(l.GetMinutesPer_100H(), 1)), swing: newSwing(d, most, d > 0)}
		for _, x := range purses {
			row.Money = append(row.Money, moneyCell(l.GetMoney(), x))
		}
		p.Leaves = append(p.Leaves, row)
	}
	sumA, sumB := 10_000-la.valuablePoints, 10_000-lb.valuablePoints
	sum := differenceRow{Name: "sum of the losses", A: figures.Fixed(sumA, 2), B: figures.Fixed(sumB, 2), Points: signedHundredths(sumB - sumA), Per100h: minus(figures.Number(-60*r.GetOeePoints(), 1)), Sum: true}
	for _, x := range purses {
		d := figures.Amount(r.GetB().GetSum().GetMoney(), x).Sub(figures.Amount(r.GetA().GetSum().GetMoney(), x))
		sum.Money = append(sum.Money, minus(figures.MoneyText(d, x)))
	}
	p.Leaves = append(p.Leaves, sum)
}

func signedHundredths(n int64) string {
	if n > 0 {
		return "+" + figures.Fixed(n, 2)
	}
	return minus(figures.Fixed(n, 2))
}
