package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// lossPage is what `loss` prints: the answer, and what the registry says of the plants in scope.
type lossPage struct {
	resp  *pb.GetLossesResponse
	scope string   // e.g. "all presses" or "rhein/p1"
	dayOf []string // e.g. "rhein: the date a shift starts on"
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
	printLossFoot(w, p)
}

func printLossHead(w io.Writer, p lossPage) {
	t := p.resp.GetTotal()
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
	l.grid(shown, min(max(room, 4), 30)).print(w)
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
	if len(l.codes) > len(shown) {
		wrapped(w, "", "", fmt.Sprintf("Money in %s is left out of this table: see -o csv.", strings.Join(purseNames(l.codes[len(shown):]), ", ")))
	}
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
		name := "  " + leaf.GetName()
		if !begun {
			g.rule()
			begun, name = true, "outside planned time: "+leaf.GetName()
		}
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

// printLossFoot writes OEE, coverage, notes and pins.
func printLossFoot(w io.Writer, p lossPage) {
	t, c := p.resp.GetTotal(), p.resp.GetTotal().GetCoverage()
	if t.GetOk() && t.GetPlannedBusyUs() > 0 {
		wrapped(w, "", "  ", fmt.Sprintf("OEE %s = availability %s × effectiveness %s × quality %s; length yield %s", percent(t.GetOee(), 2),
			percent(t.GetAvailability(), 2), percent(t.GetEffectiveness(), 2), percent(t.GetQuality(), 2), percent(t.GetLengthYield(), 2)))
		if t.GetOutsidePlannedBusyUs() > 0 {
			wrapped(w, "", "  ", fmt.Sprintf("Policy \"outside\" (planned cleaning and maintenance taken out of planned time): OEE %s", percent(t.GetOutsideOee(), 2)))
		}
	}
	if c.GetPlannedMs() > 0 {
		wrapped(w, "", "  ", fmt.Sprintf("Coverage: %s known (measured %s, stated by people %s), unknown %s",
			percent(c.GetKnownShare(), 2), hours(c.GetMeasuredMs()), hours(c.GetStatedMs()), hours(c.GetUnknownMs())))
		if c.GetKnownShare() < 0.98 {
			wrapped(w, "", "  ", fmt.Sprintf("Less than 98 %% is known: OEE lies between %s (all unknown time lost) and %s (unknown like the rest)", percent(t.GetOeeLow(), 2), percent(t.GetOeeHigh(), 2)))
		}
		if c.GetKnownShare() < 0.90 {
			fmt.Fprintln(w, "Less than 90 % is known: not fit for comparisons, targets or limits")
		}
	} else {
		fmt.Fprintln(w, "Coverage: 0, nothing is known of this period")
	}
	note := func(n int64, text string) {
		if n != 0 {
			wrapped(w, "Note: ", "  ", text)
		}
	}
	note(t.GetClosedByRule(), plural(t.GetClosedByRule(), "cleaning session was", "cleaning sessions were")+" closed by rule, not by the crew")
	note(t.GetBookedExcessMm(), grouped(roundRatio(t.GetBookedExcessMm(), 1, 1000))+" m of waste were booked above what the counters have")
	note(t.GetNoteSpillMs(), "reason notes spill "+number(float64(t.GetNoteSpillMs())/60000, 1)+" min over states that they may not cover")
	note(t.GetAssumedRateMm(), grouped(roundRatio(t.GetAssumedRateMm(), 1, 1000))+" m ran without a rated speed: the press's own was assumed")
	note(t.GetGoodOutsideProductionMm(), grouped(roundRatio(t.GetGoodOutsideProductionMm(), 1, 1000))+" good m were made outside production: shipped, never in OEE")
	note(t.GetUnknownReasons(), plural(t.GetUnknownReasons(), "reason is", "reasons are")+" not in the registry: taken at their state's default")
	for _, n := range p.resp.GetNotes() {
		wrapped(w, "Note: ", "  ", n)
	}
	basis := "the " + t.GetBasis()
	if t.GetBasis() == "" {
		basis = "each press's own basis (they are mixed)"
	}
	sums := []*pb.LossLeaf{t.GetSum()}
	for _, g := range p.resp.GetGroups() {
		sums = append(sums, g.GetSum())
	}
	if len(currencies(append(sums, t.GetLeaves()...)...)) > 0 {
		wrapped(w, "", "  ", "Money: minutes at "+basis+", meters at the price of the web, by each day's rates. c: cleaning, d: dirt")
	} else if t.GetPressDays() == 0 {
		fmt.Fprintln(w, "c: cleaning, d: dirt")
	} else {
		fmt.Fprintln(w, "No money rates are set. c: cleaning, d: dirt")
	}
	printPins(w, p.resp.GetPeriod(), p.resp.GetZones(), p.dayOf, p.resp.GetAsOf())
}

func hours(ms int64) string { return hoursClock.duration(roundRatio(ms, 1, 60_000)) }

func periodText(p *pb.Period) string {
	if p.GetFirstDay() == p.GetLastDay() {
		return p.GetFirstDay()
	}
	return p.GetFirstDay() + " to " + p.GetLastDay()
}

// printPins writes what the answer is about and what it was computed from.
func printPins(w io.Writer, p *pb.Period, zones, dayOf []string, a *pb.AsOf) {
	text := "Production days " + periodText(p)
	if len(zones) > 0 {
		text += " (" + strings.Join(zones, ", ") + ")"
	}
	if len(dayOf) > 0 {
		text += "; a shift belongs to " + strings.Join(dayOf, ", ")
	}
	wrapped(w, "", "  ", text)
	if a == nil {
		return
	}
	through := "no data yet"
	if a.GetThrough() != nil {
		through = "data through " + instant(a.GetThrough().AsTime())
	}
	wrapped(w, "", "  ", fmt.Sprintf("As of insert %s, registry revision %d, rules %d; %s", grouped(int64(a.GetPos())), a.GetRegistryRev(), a.GetRulesVersion(), through))
	if len(a.GetBehind()) > 0 {
		var names []string
		for _, b := range a.GetBehind()[:min(3, len(a.GetBehind()))] {
			names = append(names, b.GetPress()+" (to "+instant(b.GetFrontier().AsTime())+")")
		}
		if more := len(a.GetBehind()) - len(names); more > 0 {
			names = append(names, fmt.Sprintf("and %d more", more))
		}
		wrapped(w, "Behind the newest data: ", "  ", strings.Join(names, ", "))
	}
}

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

// lossCSV gives one row per group and leaf, in exact units.
func lossCSV(r *pb.GetLossesResponse) (header []string, rows [][]string) {
	trees := r.GetGroups()
	if len(trees) == 0 {
		trees = []*pb.LossTree{r.GetTotal()}
	}
	header = []string{"first_day", "last_day", "key", "leaf", "factor", "share", "part_of", "time_us", "length_mm", "currency", "basis", "amount", "oee_points"}
	for _, t := range trees {
		add := func(l *pb.LossLeaf, partOf string) {
			row := []string{r.GetPeriod().GetFirstDay(), r.GetPeriod().GetLastDay(), t.GetKey(), l.GetLeaf(), l.GetFactor(), l.GetShare(), partOf,
				strconv.FormatInt(l.GetTimeUs(), 10), strconv.FormatInt(l.GetLengthMm(), 10)}
			money := l.GetMoney()
			if len(money) == 0 {
				money = []*pb.Money{{}}
			}
			for i, m := range money {
				line := append(slices.Clone(row), m.GetCurrency(), m.GetBasis(), m.GetAmount(), strconv.FormatFloat(l.GetOeePoints(), 'g', -1, 64))
				if i > 0 { // time, length and points stand once
					line[7], line[8], line[12] = "0", "0", "0"
				}
				rows = append(rows, line)
			}
		}
		add(&pb.LossLeaf{Leaf: "planned_busy_time", TimeUs: t.GetPlannedBusyUs(), OeePoints: 100}, "")
		for _, l := range t.GetLeaves() {
			add(l, "")
			for _, part := range l.GetParts() {
				add(part, l.GetLeaf())
			}
		}
		add(&pb.LossLeaf{Leaf: "valuable_operating_time", TimeUs: t.GetValuableUs(), OeePoints: 100 * t.GetOee()}, "")
		for _, l := range t.GetOutside() {
			add(l, "outside_planned_time")
		}
	}
	return header, rows
}
