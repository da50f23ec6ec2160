package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// weekReport is a week of a plant in printed figures: page and digest say the same.
type weekReport struct {
	Plant, Name, Week, Days, Zone string
	Sentence                      string   // the answer
	Change                        []string // beside the week before
	Known                         string   // why to read it with care; empty: nothing special
	Losses                        reportTable
	Presses                       reportTable
	Stations                      reportTable
	Duties                        reportTable
	Restated                      []string // signed figures that have moved
	Cautions                      []string
	Pins                          []string
}

// reportTable is a table with what is to be known to read it.
type reportTable struct {
	Heads []string // ">": at the right
	Rows  []reportRow
	Note  string
}

type reportRow struct {
	Cells []string
	Share string  // "cleaning", "dirt" or empty
	Bar   float64 // per cent of the widest; only of losses
	Sum   bool
}

// gatherWeek asks for everything once. Week empty: the last whole week before the newest data.
func gatherWeek(ctx context.Context, conn *grpc.ClientConn, plant, week string) (*weekReport, error) {
	scope := &pb.Scope{Plants: []string{plant}}
	doc, err := pb.NewRegistryServiceClient(conn).GetPlant(ctx, &pb.GetPlantRequest{Plant: plant})
	if err != nil {
		return nil, err
	}
	if week == "" {
		day, err := newestDay(ctx, conn, scope)
		if err != nil {
			return nil, err
		}
		// On a Sunday the week is whole.
		y, w := day.AddDate(0, 0, -(int(day.Weekday())+6)%7-1).ISOWeek()
		if day.Weekday() == time.Sunday {
			y, w = day.ISOWeek()
		}
		week = fmt.Sprintf("%d-W%02d", y, w)
	}
	period, err := (&periodFlags{week: week}).resolve(nil)
	if err != nil {
		return nil, err
	}
	p := doc.GetRevision().GetPlant()
	r := &weekReport{Plant: plant, Name: p.GetName(), Week: week, Days: periodText(period), Zone: p.GetZone()}
	if r.Name == "" {
		r.Name = plant
	}
	losses := pb.NewLossServiceClient(conn)
	tree, err := losses.GetLosses(ctx, &pb.GetLossesRequest{Scope: scope, Period: period, GroupBy: pb.LossGroup_LOSS_GROUP_PRESS})
	if err != nil {
		return nil, err
	}
	summary, err := losses.GetLossSummary(ctx, &pb.GetLossSummaryRequest{Scope: scope, Period: period})
	if err != nil {
		return nil, err
	}
	r.Sentence = summary.GetSentence()
	if r.Sentence == "" {
		r.Sentence = "Nothing was planned in this week, or no press has reported yet: there is no OEE to take apart."
	}
	before := &pb.Period{FirstDay: shiftDay(period.FirstDay, -7), LastDay: shiftDay(period.LastDay, -7)}
	compared, err := losses.CompareLosses(ctx, &pb.CompareLossesRequest{ScopeA: scope, PeriodA: before, ScopeB: scope, PeriodB: period})
	if err != nil {
		return nil, err
	}
	r.compare(compared)
	compliance, err := pb.NewDutyServiceClient(conn).GetCompliance(ctx, &pb.GetComplianceRequest{Scope: scope, Period: period, GroupBy: pb.ComplianceGroup_COMPLIANCE_GROUP_STATION})
	if err != nil {
		return nil, err
	}
	r.duties(compliance)
	stations, err := pb.NewCleaningServiceClient(conn).ListStationTimes(ctx, &pb.ListStationTimesRequest{Scope: scope, Period: period})
	if err != nil {
		return nil, err
	}
	r.stations(stations)
	signed, err := losses.ListClosedPeriods(ctx, &pb.ListClosedPeriodsRequest{Scope: scope, Period: period})
	if err != nil {
		return nil, err
	}
	r.restated(signed)
	r.ladder(tree.GetTotal())
	r.presses(tree)
	r.Cautions = compliance.GetCautions()
	as := tree.GetAsOf()
	pins := fmt.Sprintf("Production days %s in %s; a shift belongs to %s. As of insert %s, registry revision %d, rules %d", r.Days, r.Zone, strings.Join(dayOfWords([]*pb.Plant{p}), "; "), grouped(int64(as.GetPos())), as.GetRegistryRev(), as.GetRulesVersion())
	if as.GetThrough() != nil {
		pins += "; data of every press through " + zoned(as.GetThrough().AsTime(), []string{r.Zone})
	}
	r.Pins = append(append(r.Pins, pins+"."), tree.GetNotes()...)
	for _, b := range as.GetBehind() {
		r.Pins = append(r.Pins, "Behind the newest data: "+behindText(b, []string{r.Zone})+".")
	}
	return r, nil
}

func shiftDay(day string, by int) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.AddDate(0, 0, by).Format(time.DateOnly)
}

// compare sets the week beside the one before: OEE, and the three leaves that moved most.
func (r *weekReport) compare(c *pb.CompareLossesResponse) {
	if !c.GetOk() {
		if b := c.GetB(); b.GetOk() {
			r.Change = append(r.Change, "OEE "+fixed(newLadder(b).valuablePoints, 2)+" %; there is no week before to set it beside.")
		}
		return
	}
	a, b := newLadder(c.GetA()), newLadder(c.GetB())
	moved := b.valuablePoints - a.valuablePoints
	text := "as in the week before"
	if moved != 0 {
		word := "more"
		if moved < 0 {
			word = "less"
		}
		text = fixed(max(moved, -moved), 2) + " points " + word + " than in the week before (" + fixed(a.valuablePoints, 2) + " %)"
	}
	r.Change = append(r.Change, "OEE "+fixed(b.valuablePoints, 2)+" %, "+text+".")
	leaves := c.GetLeaves()
	for range 3 {
		best := -1
		for i, l := range leaves {
			if best < 0 || max(l.GetPoints(), -l.GetPoints()) > max(leaves[best].GetPoints(), -leaves[best].GetPoints()) {
				best = i
			}
		}
		if best < 0 || max(leaves[best].GetPoints(), -leaves[best].GetPoints()) < 0.005 {
			break
		}
		l := leaves[best]
		word := "more"
		if l.GetPoints() < 0 {
			word = "less"
		}
		r.Change = append(r.Change, fmt.Sprintf("%s: %s points of OEE %s (%s, was %s).", l.GetName(), number(max(l.GetPoints(), -l.GetPoints()), 2), word, number(l.GetPointsB(), 2), number(l.GetPointsA(), 2)))
		leaves = append(append([]*pb.LeafDifference{}, leaves[:best]...), leaves[best+1:]...)
	}
}

// ladder lists the leaves that are not zero; what is printed adds up.
func (r *weekReport) ladder(t *pb.LossTree) {
	l := newLadder(t)
	heads := []string{"loss", ">" + l.clock.name, ">m"}
	for _, code := range l.codes {
		heads = append(heads, ">"+purseName(code))
	}
	r.Losses.Heads = append(heads, ">points of OEE")
	most := 0.0
	for _, leaf := range t.GetLeaves() {
		most = max(most, leaf.GetOeePoints())
	}
	row := func(name, share string, time, meters, points int64, money func(code string) string) reportRow {
		cells := []string{name, l.clock.text(time), ""}
		if meters != 0 {
			cells[2] = grouped(meters)
		}
		for _, code := range l.codes {
			cells = append(cells, money(code))
		}
		return reportRow{Cells: append(cells, fixed(points, 2)), Share: share}
	}
	for i, leaf := range t.GetLeaves() {
		if l.time[i] == 0 && l.meters[i] == 0 && l.points[i] == 0 {
			continue
		}
		x := row(leaf.GetName(), leaf.GetShare(), l.time[i], l.meters[i], l.points[i], func(code string) string { return moneyText(l.money[code][i], code) })
		if most > 0 {
			x.Bar = max(0, 100*leaf.GetOeePoints()/most)
		}
		r.Losses.Rows = append(r.Losses.Rows, x)
	}
	for _, code := range l.codes {
		if !l.rounding[code].IsZero() {
			r.Losses.Rows = append(r.Losses.Rows, row("rounding", "", 0, 0, 0, func(code string) string { return moneyText(l.rounding[code], code) }))
			break
		}
	}
	sum := row("sum of the losses", "", l.sumTime, l.sumMeters, l.sumPoints, func(code string) string { return moneyText(l.sumMoney[code], code) })
	sum.Sum = true
	r.Losses.Rows = append(r.Losses.Rows, sum)
	ct, cp, cm := l.share("cleaning")
	dt, dp, dm := l.share("dirt")
	for _, s := range []struct {
		name, share          string
		time, points, meters int64
		money                []*pb.Money
	}{{"of them cleaning", "cleaning", ct, cp, cm, t.GetCleaning().GetMoney()}, {"of them dirt", "dirt", dt, dp, dm, t.GetDirt().GetMoney()}} {
		x := row(s.name, s.share, s.time, s.meters, s.points, func(code string) string { return moneyText(printed(amount(s.money, code), code), code) })
		x.Sum = true
		r.Losses.Rows = append(r.Losses.Rows, x)
	}
	r.Losses.Note = "Of " + l.clock.duration(l.planned) + " of planned busy time. Cleaning: planned, overrun, planned maintenance, restart waste; dirt: contamination stops, slow running and waste. Leaves that are zero are left out."
	if t.GetPlannedBusyUs() > 0 && t.GetCoverage().GetKnownShare() < 0.9 {
		r.Known = "Less than 90 % of the planned time is known: read every figure with care."
	}
}

func (r *weekReport) presses(tree *pb.GetLossesResponse) {
	r.Presses.Heads = []string{"press", ">planned", ">OEE %", ">cleaning", ">dirt", ">known %"}
	for _, g := range tree.GetGroups() {
		l := newLadder(g)
		_, c, _ := l.share("cleaning")
		_, d, _ := l.share("dirt")
		oee := "-"
		if g.GetOk() {
			oee = fixed(l.valuablePoints, 2)
		}
		r.Presses.Rows = append(r.Presses.Rows, reportRow{Cells: []string{g.GetKey(), hoursClock.text(roundRatio(g.GetPlannedBusyUs(), 1, hoursClock.unit)), oee, fixed(c, 2), fixed(d, 2),
			number(100*g.GetCoverage().GetKnownShare(), 1)}})
	}
	r.Presses.Note = "Planned busy time in h:mm; cleaning and dirt in points of OEE. In the order of their names: presses of different kinds are no league table."
}

func (r *weekReport) stations(s *pb.ListStationTimesResponse) {
	r.Stations.Heads = []string{"station", ">visits", ">median min", ">plan min", ">above h", ">below h"}
	for _, x := range s.GetStations() {
		visits, plan := grouped(x.GetVisits()), "-"
		if x.GetSmall() {
			visits += "*"
		}
		if x.GetStandardMinutes() > 0 {
			plan = number(x.GetStandardMinutes(), 1)
		}
		r.Stations.Rows = append(r.Stations.Rows, reportRow{Cells: []string{x.GetStation(), visits, number(x.GetMedianMinutes(), 1), plan, number(x.GetOwnExcessMinutes()/60, 1), number(x.GetSavedMinutes()/60, 1)}})
	}
	r.Stations.Note = "Time of a visit against the plan; above and below: hours over and under it, summed. * fewer than 10 visits: read with care. Visits signed in a batch or by crews at two presses are not timed. Faster is not better: a time far below the plan may be a clean not done."
}

func (r *weekReport) duties(c *pb.GetComplianceResponse) {
	r.Duties.Heads = []string{"station", ">on time", ">late", ">missed", ">skipped", ">unknown", ">on time (95 %)"}
	add := func(name string, n *pb.DutyCounts, sum bool) {
		r.Duties.Rows = append(r.Duties.Rows, reportRow{Sum: sum, Cells: []string{name, grouped(n.GetOnTime()), grouped(n.GetLate()), grouped(n.GetMissed()), grouped(n.GetSkipped()), grouped(n.GetUnknown()), rateText(n.GetCompliance())}})
	}
	for _, x := range c.GetRows() {
		add(x.GetKey(), x.GetCounts(), false)
	}
	add("all", c.GetTotal().GetCounts(), true)
	r.Duties.Note = "Rate: on time / (on time + late + missed + skipped), Wilson 95 %. A skip with a reason is not a miss; unknown: the press told nothing."
}

// restated says which signed figures that touch the week have moved since.
func (r *weekReport) restated(c *pb.ListClosedPeriodsResponse) {
	for _, p := range c.GetPeriods() {
		if p.GetVoided() {
			continue
		}
		head := fmt.Sprintf("%s, signed by %s on %s: ", periodText(p.GetPeriod()), p.GetAuthor(), zoned(p.GetAt().AsTime(), []string{r.Zone}))
		if !p.GetRestated() {
			r.Restated = append(r.Restated, head+"as signed, OEE "+oeeText(p.GetSigned())+".")
			continue
		}
		text := head + "restated. OEE signed " + oeeText(p.GetSigned()) + ", now " + oeeText(p.GetNow()) + "."
		for _, d := range p.GetDifferences() {
			text += " " + d.GetName() + " " + signed(number(d.GetPoints(), 2)) + " points."
		}
		r.Restated = append(r.Restated, text)
	}
	if len(r.Restated) == 0 {
		r.Restated = []string{"Nothing that touches this week is signed: every figure may still move when more is told."}
	}
}
