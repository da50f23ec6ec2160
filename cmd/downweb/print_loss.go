package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// lossPage is what `loss` prints: the answer, and what the registry says of the plants in scope.
type lossPage struct {
	resp  *pb.GetLossesResponse
	scope string   // e.g. "all presses" or "rhein/p1"
	dayOf []string // e.g. "rhein: the date a shift starts on"

	summary *pb.GetLossSummaryResponse // the sentence; nil: it is made from the tree
	as      string                     // scheme of the view, as the flag names it
}

// ladder is a tree in printed figures: every column adds up as it stands.
type ladder struct {
	tree   *pb.LossTree
	clock  clock
	codes  []string
	time   []int64 // per leaf, in units of the clock
	points []int64 // per leaf, hundredths of an OEE point
	meters []int64 // per leaf
	money  map[string][]decimal.Decimal

	sumTime, sumPoints, sumMeters     int64
	planned, valuable, valuablePoints int64
	sumMoney, rounding                map[string]decimal.Decimal
}

// newLadder rounds a tree for print. Planned busy time and valuable operating time are rounded by themselves,
// their difference is the printed sum, and the leaves get it by largest remainder; so do meters. Money is
// rounded half to even figure by figure, and the rounding line is what the printed column is short of the
// printed sum.
func newLadder(t *pb.LossTree) *ladder {
	l := &ladder{tree: t, clock: clockFor(t.GetPlannedBusyUs()), money: map[string][]decimal.Decimal{},
		sumMoney: map[string]decimal.Decimal{}, rounding: map[string]decimal.Decimal{}}
	var us, mm []int64
	var totalMM int64
	for _, leaf := range t.GetLeaves() {
		us, mm = append(us, leaf.GetTimeUs()), append(mm, leaf.GetLengthMm())
		totalMM += leaf.GetLengthMm()
	}
	l.planned, l.valuable = roundRatio(t.GetPlannedBusyUs(), 1, l.clock.unit), roundRatio(t.GetValuableUs(), 1, l.clock.unit)
	l.sumTime = l.planned - l.valuable
	l.time = apportion(us, 1, l.clock.unit, l.sumTime)
	l.points = make([]int64, len(us))
	if t.GetPlannedBusyUs() > 0 {
		l.valuablePoints = roundRatio(t.GetValuableUs(), 10_000, t.GetPlannedBusyUs())
		l.sumPoints = 10_000 - l.valuablePoints
		l.points = apportion(us, 10_000, t.GetPlannedBusyUs(), l.sumPoints)
	}
	l.sumMeters = roundRatio(totalMM, 1, 1000)
	l.meters = apportion(mm, 1, 1000, l.sumMeters)
	l.codes = currencies(append(slices.Clone(t.GetLeaves()), t.GetSum(), t.GetCleaning(), t.GetDirt())...)
	for _, code := range l.codes {
		exact, column := decimal.Zero, decimal.Zero
		for _, leaf := range t.GetLeaves() {
			a := amount(leaf.GetMoney(), code)
			exact = exact.Add(a)
			p := printed(a, code)
			column = column.Add(p)
			l.money[code] = append(l.money[code], p)
		}
		if len(t.GetSum().GetMoney()) > 0 {
			exact = amount(t.GetSum().GetMoney(), code)
		}
		l.sumMoney[code] = printed(exact, code)
		l.rounding[code] = l.sumMoney[code].Sub(column)
	}
	return l
}

// share adds the printed figures of the leaves of one share, "cleaning" or "dirt".
func (l *ladder) share(name string) (time, points, meters int64) {
	for i, leaf := range l.tree.GetLeaves() {
		if leaf.GetShare() == name {
			time, points, meters = time+l.time[i], points+l.points[i], meters+l.meters[i]
		}
	}
	return time, points, meters
}

// sums writes amounts of every currency, e.g. "EUR 12.30 and CHF 4.00".
func (l *ladder) sums(money ...[]*pb.Money) string {
	var parts []string
	for _, code := range l.codes {
		sum := decimal.Zero
		for _, m := range money {
			sum = sum.Add(printed(amount(m, code), code))
		}
		parts = append(parts, purseText(sum, code))
	}
	return strings.Join(parts, " and ")
}

var shareMark = map[string]string{"cleaning": "c", "dirt": "d"}

// printLoss writes the sentence, the ladder, and all that says how far to trust it.
func printLoss(w io.Writer, p lossPage) {
	t := p.resp.GetTotal()
	printLossHead(w, p)
	if len(p.resp.GetGroups()) > 0 {
		printLossGroups(w, p.resp)
	}
	if t.GetPlannedBusyUs() > 0 || len(t.GetOutside()) > 0 {
		printLadder(w, newLadder(t))
	}
	if len(t.GetView()) > 0 {
		printView(w, p)
	}
	printLossFoot(w, p)
}

func printLossHead(w io.Writer, p lossPage) {
	t := p.resp.GetTotal()
	if text := p.summary.GetSentence(); text != "" {
		wrapped(w, "", "  ", text)
		fmt.Fprintln(w)
		return
	}
	if !t.GetOk() || t.GetPlannedBusyUs() <= 0 {
		wrapped(w, "", "", fmt.Sprintf("Nothing was planned for %s in %s, or no press has reported yet: there is no OEE to take apart.", p.scope, periodText(p.resp.GetPeriod())))
		fmt.Fprintln(w)
		return
	}
	l := newLadder(t)
	ct, cp, cm := l.share("cleaning")
	dt, dp, dm := l.share("dirt")
	say := func(time, points, meters int64, money string) string {
		text := fmt.Sprintf("%s OEE points: %s, %s m of web", fixed(points, 2), l.clock.duration(time), grouped(meters))
		if money != "" {
			text += ", " + money
		}
		return text
	}
	c, d := t.GetCleaning().GetMoney(), t.GetDirt().GetMoney()
	wrapped(w, "", "", fmt.Sprintf("Maintenance cost %s %s.", p.scope, say(ct+dt, cp+dp, cm+dm, l.sums(c, d))))
	wrapped(w, "  ", "  ", "Cleaning took "+say(ct, cp, cm, l.sums(c))+";")
	wrapped(w, "  ", "  ", "dirt took "+say(dt, dp, dm, l.sums(d))+".")
	fmt.Fprintln(w)
}

// printLadder writes the columns of the ladder, the bars in what is left of the line.
func printLadder(w io.Writer, l *ladder) {
	shown := l.codes
	if len(shown) > 2 {
		shown = shown[:2]
	}
	room := width - l.grid(shown, 0).wide() - 2
	for room < 0 && len(shown) > 1 { // names and two purses do not always fit
		shown = shown[:len(shown)-1]
		room = width - l.grid(shown, 0).wide() - 2
	}
	if room < 4 {
		room = 0
	}
	l.grid(shown, min(room, 30)).print(w)
	fmt.Fprintln(w)
	var apart []string // outside planned time, in a currency that the losses have no money in
	for _, leaf := range l.tree.GetOutside() {
		for _, m := range leaf.GetMoney() {
			if !slices.ContainsFunc(l.codes, func(code string) bool { return inPurse(m, code) }) {
				apart = append(apart, leaf.GetName()+" "+m.GetCurrency()+" "+moneyCell(leaf.GetMoney(), m.GetCurrency()))
			}
		}
	}
	if len(apart) > 0 {
		wrapped(w, "", "  ", "Outside planned time: "+strings.Join(apart, ", "))
	}
	if rest := l.codes[len(shown):]; len(rest) > 0 {
		l.moneyGrid(rest[:min(len(rest), 4)]).print(w)
		fmt.Fprintln(w)
		if len(rest) > 4 {
			wrapped(w, "", "", fmt.Sprintf("Money in %s is left out of these tables: see -o csv.", strings.Join(purseNames(rest[4:]), ", ")))
		}
	}
}

// moneyGrid lays out money that did not fit beside the ladder.
func (l *ladder) moneyGrid(codes []string) *grid {
	heads := []string{"", ""}
	for _, code := range codes {
		heads = append(heads, ">"+purseName(code))
	}
	g := newGrid(heads...)
	line := func(mark, name string, money func(code string) string) {
		cells := []string{mark, name}
		for _, code := range codes {
			cells = append(cells, money(code))
		}
		g.row(cells...)
	}
	for i, leaf := range l.tree.GetLeaves() {
		line(shareMark[leaf.GetShare()], leaf.GetName(), func(code string) string {
			if !priced(leaf.GetMoney(), code) {
				return ""
			}
			return moneyText(l.money[code][i], code)
		})
	}
	if slices.ContainsFunc(codes, func(code string) bool { return !l.rounding[code].IsZero() }) {
		line("", "rounding", func(code string) string { return moneyText(l.rounding[code], code) })
	}
	g.rule()
	line("", "sum of the losses", func(code string) string { return moneyText(l.sumMoney[code], code) })
	line("c", "of the losses: cleaning", func(code string) string { return moneyCell(l.tree.GetCleaning().GetMoney(), code) })
	line("d", "of the losses: dirt", func(code string) string { return moneyCell(l.tree.GetDirt().GetMoney(), code) })
	return g
}

// grid lays the ladder out with money in the shown currencies and bars of a width.
func (l *ladder) grid(shown []string, barWidth int) *grid {
	t := l.tree
	exact := func(leaf *pb.LossLeaf) func(code string) string {
		return func(code string) string { return moneyCell(leaf.GetMoney(), code) }
	}
	heads := []string{"", "", ">" + l.clock.name, ">m"}
	for _, code := range shown {
		heads = append(heads, ">"+purseName(code))
	}
	g := newGrid(append(heads, ">points", "")...)
	line := func(mark, name, time, meters string, money func(code string) string, points, bar string) {
		cells := []string{mark, name, time, meters}
		for _, code := range shown {
			cells = append(cells, money(code))
		}
		g.row(append(cells, points, bar)...)
	}
	none := func(string) string { return "" }
	whole := ""
	if t.GetPlannedBusyUs() > 0 {
		whole = fixed(10_000, 2)
	}
	line("", "planned busy time", l.clock.text(l.planned), "", none, whole, "")
	g.rule()
	var most int64
	for _, leaf := range t.GetLeaves() {
		most = max(most, leaf.GetTimeUs())
	}
	for i, leaf := range t.GetLeaves() {
		line(shareMark[leaf.GetShare()], leaf.GetName(), l.clock.text(l.time[i]), metersCell(leaf.GetLengthMm(), l.meters[i]),
			func(code string) string {
				if !priced(leaf.GetMoney(), code) {
					return ""
				}
				return moneyText(l.money[code][i], code)
			}, fixed(l.points[i], 2), bar(leaf.GetTimeUs(), most, barWidth))
		for _, part := range leaf.GetParts() {
			line("", "  of it "+part.GetName(), l.clock.text(roundRatio(part.GetTimeUs(), 1, l.clock.unit)), metersCell(part.GetLengthMm(), roundRatio(part.GetLengthMm(), 1, 1000)),
				exact(part), "", "")
		}
	}
	rounded := slices.ContainsFunc(shown, func(code string) bool { return !l.rounding[code].IsZero() })
	if rounded {
		line("", "rounding", "", "", func(code string) string { return moneyText(l.rounding[code], code) }, "", "")
	}
	g.rule()
	line("", "sum of the losses", l.clock.text(l.sumTime), grouped(l.sumMeters), func(code string) string {
		if !priced(t.GetSum().GetMoney(), code) {
			return ""
		}
		return moneyText(l.sumMoney[code], code)
	}, pointsCell(t, l.sumPoints), "")
	line("", "valuable operating time", l.clock.text(l.valuable), "", none, pointsCell(t, l.valuablePoints), "")
	g.rule()
	for _, s := range []struct {
		mark, name string
		leaf       *pb.LossLeaf
	}{{"c", "cleaning", t.GetCleaning()}, {"d", "dirt", t.GetDirt()}} {
		time, points, meters := l.share(s.name)
		line(s.mark, "of the losses: "+s.name, l.clock.text(time), grouped(meters),
			exact(s.leaf), pointsCell(t, points), "")
	}
	begun := false
	for _, leaf := range t.GetOutside() {
		if leaf.GetTimeUs() == 0 && leaf.GetLengthMm() == 0 && !slices.ContainsFunc(shown, func(code string) bool { return priced(leaf.GetMoney(), code) }) {
			continue
		}
		if !begun {
			g.rule()
			line("", "outside planned time", "", "", none, "", "")
			begun = true
		}
		name := "  " + strings.TrimSuffix(leaf.GetName(), " outside planned time")
		time := ""
		if leaf.GetTimeUs() != 0 {
			time = l.clock.text(roundRatio(leaf.GetTimeUs(), 1, l.clock.unit))
		}
		line("", name, time, metersCell(leaf.GetLengthMm(), roundRatio(leaf.GetLengthMm(), 1, 1000)), exact(leaf), "", "")
	}
	return g
}

func pointsCell(t *pb.LossTree, points int64) string {
	if t.GetPlannedBusyUs() <= 0 {
		return ""
	}
	return fixed(points, 2)
}

// priced says whether there is an amount of a currency.
func priced(money []*pb.Money, code string) bool {
	return slices.ContainsFunc(money, func(m *pb.Money) bool { return inPurse(m, code) })
}

func purseNames(codes []string) []string {
	var out []string
	for _, c := range codes {
		out = append(out, purseName(c))
	}
	return out
}

func moneyCell(money []*pb.Money, code string) string {
	if !priced(money, code) {
		return ""
	}
	return moneyText(amount(money, code), code)
}

func metersCell(mm, meters int64) string {
	if mm == 0 {
		return ""
	}
	return grouped(meters)
}
