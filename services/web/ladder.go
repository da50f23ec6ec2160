package web

import (
	"slices"
	"strconv"

	"github.com/shopspring/decimal"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// ladder is a loss tree as rows of printed figures: every column adds up as it stands.
type ladder struct {
	Purses []string // column heads of money
	Time   string   // head of the time column
	Rows   []lossRow
	Apart  []lossRow // cleaning, dirt, everything else
	Beyond []lossRow // outside planned time

	purses            []string
	planned, valuable int64 // in units of the clock
	points            []int64
	valuablePoints    int64
}

// lossRow is one line.
type lossRow struct {
	Kind   string // "whole", "leaf", "part", "rule", "sum", "good"
	Share  string // "cleaning", "dirt" or empty
	Name   string
	Href   string
	Time   string
	Meters string
	Money  []string
	Points string
	X, W   string // percent of the picture: where the bar begins, how wide it is; W empty: no bar
	Back   bool   // time won back
}

// span is how a column of times is written.
type span struct {
	name string
	unit int64 // microseconds
	text func(int64) string
}

// spanFor writes less than two days in minutes, more in hours.
func spanFor(us int64) span {
	if us < 48*3600*1e6 {
		return span{"min", 600_000, func(n int64) string { return figures.Fixed(n, 2) }}
	}
	return span{"h:mm", 60_000_000, clockText}
}

// clockText writes minutes as h:mm.
func clockText(n int64) string {
	sign := ""
	if n < 0 {
		sign, n = "−", -n
	}
	return sign + figures.Grouped(n/60) + ":" + strconv.Itoa(int(n%60/10)) + strconv.Itoa(int(n%10))
}

// lossScale is what the bars of a ladder are drawn against.
type lossScale string

const (
	scaleAll    lossScale = ""       // planned busy time
	scaleLosses lossScale = "losses" // the losses alone
)

// newLadder rounds a tree for print. Planned busy time and valuable operating time are rounded by themselves, their
// difference is the printed sum, and the leaves get it by largest remainder; so do points and meters. Money is rounded
// half to even figure by figure, and a rounding line closes the column.
func newLadder(t *pb.LossTree, scale lossScale, href func(leaf string) string) *ladder {
	clock := spanFor(t.GetPlannedBusyUs())
	l := &ladder{Time: clock.name}
	var us, mm []int64
	var totalMM int64
	for _, leaf := range t.GetLeaves() {
		us, mm = append(us, leaf.GetTimeUs()), append(mm, leaf.GetLengthMm())
		totalMM += leaf.GetLengthMm()
	}
	l.planned, l.valuable = figures.RoundRatio(t.GetPlannedBusyUs(), 1, clock.unit), figures.RoundRatio(t.GetValuableUs(), 1, clock.unit)
	time := figures.Apportion(us, 1, clock.unit, l.planned-l.valuable)
	l.points = make([]int64, len(us))
	if t.GetPlannedBusyUs() > 0 {
		l.valuablePoints = figures.RoundRatio(t.GetValuableUs(), 10_000, t.GetPlannedBusyUs())
		l.points = figures.Apportion(us, 10_000, t.GetPlannedBusyUs(), 10_000-l.valuablePoints)
	}
	sumMeters := figures.RoundRatio(totalMM, 1, 1000)
	meters := figures.Apportion(mm, 1, 1000, sumMeters)
	purses := figures.Purses(append(slices.Clone(t.GetLeaves()), t.GetSum(), t.GetCleaning(), t.GetDirt())...)
	l.purses = purses
	for _, p := range purses {
		l.Purses = append(l.Purses, figures.PurseName(p))
	}
	points := func(n int64) string {
		if t.GetPlannedBusyUs() <= 0 {
			return ""
		}
		return minus(figures.Fixed(n, 2))
	}
	cells := func(leaf *pb.LossLeaf) []string {
		out := make([]string, len(purses))
		for i, p := range purses {
			out[i] = moneyCell(leaf.GetMoney(), p)
		}
		return out
	}
	none := make([]string, len(purses))

	// The picture: each bar begins where the one above ended.
	whole := float64(t.GetPlannedBusyUs())
	base := 0.0 // left end of the picture
	if scale == scaleLosses {
		base, whole = float64(t.GetValuableUs()), float64(t.GetPlannedBusyUs()-t.GetValuableUs())
	}
	place := func(r *lossRow, from, to float64) {
		if whole <= 0 {
			return
		}
		x, w := (min(from, to)-base)/whole*100, max(from-to, to-from)/whole*100
		r.X, r.W, r.Back = pct(max(0, min(x, 99.3))), pct(max(leastBar, w)), to > from
	}
	row := lossRow{Kind: "whole", Name: "planned busy time", Time: clock.text(l.planned), Money: none, Points: points(10_000)}
	place(&row, float64(t.GetPlannedBusyUs()), base)
	l.Rows = append(l.Rows, row)
	left := float64(t.GetPlannedBusyUs())
	column := make([]decimal.Decimal, len(purses))
	for i, leaf := range t.GetLeaves() {
		row := lossRow{Kind: "leaf", Share: leaf.GetShare(), Name: leaf.GetName(), Href: href(leaf.GetLeaf()), Time: clock.text(time[i]), Meters: metersCell(leaf.GetLengthMm(), meters[i]),
			Money: cells(leaf), Points: points(l.points[i])}
		if leaf.GetTimeUs() != 0 {
			place(&row, left, left-float64(leaf.GetTimeUs()))
		}
		left -= float64(leaf.GetTimeUs())
		l.Rows = append(l.Rows, row)
		for k, p := range purses {
			column[k] = column[k].Add(figures.Printed(figures.Amount(leaf.GetMoney(), p), p))
		}
		for _, part := range leaf.GetParts() {
			l.Rows = append(l.Rows, lossRow{Kind: "part", Name: "of it " + part.GetName(), Time: clock.text(figures.RoundRatio(part.GetTimeUs(), 1, clock.unit)),
				Meters: metersCell(part.GetLengthMm(), figures.RoundRatio(part.GetLengthMm(), 1, 1000)), Money: cells(part)})
		}
	}
	rounding, closed := make([]string, len(purses)), true
	for k, p := range purses {
		d := figures.Printed(figures.Amount(t.GetSum().GetMoney(), p), p).Sub(column[k])
		rounding[k] = minus(figures.MoneyText(d, p))
		closed = closed && d.IsZero()
	}
	if !closed {
		l.Rows = append(l.Rows, lossRow{Kind: "part", Name: "rounding", Money: rounding})
	}
	l.Rows = append(l.Rows, lossRow{Kind: "sum", Name: "sum of the losses", Time: clock.text(l.planned - l.valuable), Meters: figures.Grouped(sumMeters), Money: cells(t.GetSum()),
		Points: points(10_000 - l.valuablePoints)})
	row = lossRow{Kind: "good", Name: "valuable operating time", Time: clock.text(l.valuable), Money: none, Points: points(l.valuablePoints)}
	if scale == scaleAll {
		place(&row, float64(t.GetValuableUs()), 0)
	}
	l.Rows = append(l.Rows, row)
	l.setApart(t, clock, time, meters, cells)
	for _, leaf := range t.GetOutside() {
		if leaf.GetTimeUs() == 0 && leaf.GetLengthMm() == 0 && len(leaf.GetMoney()) == 0 {
			continue
		}
		row := lossRow{Kind: "leaf", Name: leaf.GetName(), Meters: metersCell(leaf.GetLengthMm(), figures.RoundRatio(leaf.GetLengthMm(), 1, 1000)), Money: cells(leaf)}
		if leaf.GetTimeUs() != 0 {
			row.Time = clock.text(figures.RoundRatio(leaf.GetTimeUs(), 1, clock.unit))
		}
		l.Beyond = append(l.Beyond, row)
	}
	return l
}

// setApart makes the three lines that set cleaning and dirt apart from everything else; they add up to the sum.
func (l *ladder) setApart(t *pb.LossTree, clock span, time, meters []int64, cells func(*pb.LossLeaf) []string) {
	rest := lossRow{Kind: "leaf", Name: "everything else", Money: make([]string, len(l.Purses))}
	sums := map[string]*[3]int64{"cleaning": {}, "dirt": {}, "": {}}
	for i, leaf := range t.GetLeaves() {
		if s := sums[leaf.GetShare()]; s != nil {
			s[0], s[1], s[2] = s[0]+time[i], s[1]+meters[i], s[2]+l.points[i]
		}
	}
	most := max(sums["cleaning"][2], sums["dirt"][2], sums[""][2])
	for _, x := range []struct {
		share string
		leaf  *pb.LossLeaf
	}{{"cleaning", t.GetCleaning()}, {"dirt", t.GetDirt()}, {"", nil}} {
		s := sums[x.share]
		row := rest
		if x.leaf == nil { // what is left of the sum, so that the column closes
			row.Money = slices.Clone(row.Money)
			for k, p := range l.purses {
				if d := figures.Printed(figures.Amount(t.GetSum().GetMoney(), p), p); priced(t.GetSum().GetMoney(), p) {
					row.Money[k] = minus(figures.MoneyText(d.Sub(figures.Printed(figures.Amount(t.GetCleaning().GetMoney(), p), p)).Sub(figures.Printed(figures.Amount(t.GetDirt().GetMoney(), p), p)), p))
				}
			}
		} else {
			row = lossRow{Kind: "leaf", Share: x.share, Name: x.share, Money: cells(x.leaf)}
		}
		row.Time, row.Meters, row.Points = clock.text(s[0]), figures.Grouped(s[1]), figures.Fixed(s[2], 2)
		if most > 0 {
			row.X, row.W = "0", pct(max(leastBar, float64(max(s[2], 0))/float64(most)*100))
		}
		l.Apart = append(l.Apart, row)
	}
}

// leastBar is the narrowest bar, percent: it can still be seen where the picture is a thumb wide.
const leastBar = 0.7

// pct is a percentage for a drawing.
func pct(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) + "%" }

// minus writes a minus sign in place of a hyphen.
func minus(text string) string {
	if len(text) > 1 && text[0] == '-' {
		return "−" + text[1:]
	}
	return text
}

// priced says whether there is an amount of a purse.
func priced(money []*pb.Money, purse string) bool {
	return slices.ContainsFunc(money, func(m *pb.Money) bool { return figures.InPurse(m, purse) })
}

func moneyCell(money []*pb.Money, purse string) string {
	if !priced(money, purse) {
		return ""
	}
	return minus(figures.MoneyText(figures.Amount(money, purse), purse))
}

func metersCell(mm, meters int64) string {
	if mm == 0 {
		return ""
	}
	return minus(figures.Grouped(meters))
}
