package api

import (
	"context"
	"fmt"
	"strings"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// usualWeeks is how many weeks before a period say what is usual.
const usualWeeks = 26

// GetLossSummary answers in one sentence: what maintenance cost, where most of
// it, and whether that is usual.
func (l *lossService) GetLossSummary(ctx context.Context, req *pb.GetLossSummaryRequest) (*pb.GetLossSummaryResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := l.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.GetLossSummaryResponse{Period: req.GetPeriod()}
	if resp.AsOf, err = l.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	days, err := l.s.deps.Reader.LossSums(ctx, true, f.narrow(), from-7*usualWeeks, to)
	if err != nil {
		return nil, err
	}
	total := newTreeSum()
	byDay := map[timeline.Day]*loss.Sums{}
	for i := range days {
		d, err := timeline.ParseDay(days[i].Key)
		if err != nil {
			return nil, fmt.Errorf("stored day: %w", err)
		}
		if d >= from {
			total.addDays(&days[i])
		}
		s := loss.SumOf(&days[i])
		if byDay[d] == nil {
			byDay[d] = new(loss.Sums)
		}
		byDay[d].Merge(&s)
	}
	s := loss.Summary{Scope: scopeWords(req.GetScope()), Period: periodWords(req.GetPeriod()), Planned: total.sums.PBT, Known: total.sums.Known(), Usual: usual(f, byDay, from, to)}
	cleaning, dirt := total.sums.Share("cleaning"), total.sums.Share("dirt")
	s.CleaningUS, s.DirtUS, s.CleaningPoints, s.DirtPoints = cleaning.US, dirt.US, total.sums.Points(cleaning.US), total.sums.Points(dirt.US)
	tree := total.tree("", 0)
	for _, p := range total.purses() {
		sum := new(loss.Money)
		for _, leaf := range append(shareLeaves("cleaning"), shareLeaves("dirt")...) {
			sum.Add(sum, total.money[p][leaf])
		}
		text := loss.MoneyRound(p.currency, sum)
		if tree.Basis == "" {
			text += " at the " + p.basis()
		}
		s.Money = append(s.Money, text)
		resp.Money = append(resp.Money, &pb.Money{Currency: p.currency, Basis: p.basis(), Amount: loss.RoundMoney(sum, loss.Decimals(p.currency))})
	}
	if s.Station, s.StationPoints, err = l.worstStation(ctx, f, from, to, total.sums.PBT); err != nil {
		return nil, err
	}
	counts, err := l.s.deps.Reader.DutyCounts(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	resp.Duties, _ = countDuties(counts)
	s.Missed, s.Skipped, s.Counted = resp.Duties.Missed, resp.Duties.Skipped, resp.Duties.Compliance.N
	var parts []loss.Part
	resp.Sentence, parts = s.Sentence()
	for _, p := range parts {
		resp.Parts = append(resp.Parts, &pb.SummaryPart{Part: p.Part, Text: p.Text, Key: p.Key})
	}
	resp.CleaningPoints, resp.DirtPoints, resp.CleaningUs, resp.DirtUs = s.CleaningPoints, s.DirtPoints, s.CleaningUS, s.DirtUS
	return resp, nil
}

// worstStation is the station that the most of the time of cleaning and dirt
// names; equal ones go by name. Planned cleaning and its overrun name none: a
// session cleans many.
func (l *lossService) worstStation(ctx context.Context, f *fleet, from, to timeline.Day, pbt int64) (station string, points float64, err error) {
	facts, err := l.s.deps.Reader.FactSums(ctx, "station", f.narrow(), from, to)
	if err != nil {
		return "", 0, err
	}
	most := int64(0)
	for len(facts) > 0 {
		n := 1
		for n < len(facts) && facts[n].Key == facts[0].Key {
			n++
		}
		s, _ := loss.FactTree(facts[:n])
		if us := s.Share("cleaning").US + s.Share("dirt").US; facts[0].Key != "" && us > most {
			station, most = facts[0].Key, us
		}
		facts = facts[n:]
	}
	if most > 0 && pbt > 0 {
		points = 100 * float64(most) / float64(pbt*1000)
	}
	return station, points, nil
}

// usual gathers the maintenance share of the weeks of a period and of the weeks
// before it, each week being seven days counted from the period's first. What is
// left of the period after its last whole week is not judged.
// A week in which the events begin is none.
func usual(f *fleet, byDay map[timeline.Day]*loss.Sums, from, to timeline.Day) loss.Usual {
	u := loss.Usual{Short: to-from < 6}
	begun := to + 1
	for d, s := range byDay {
		if s.PBT > 0 {
			begun = min(begun, d)
		}
	}
	week := func(first timeline.Day) *loss.Sums {
		var s loss.Sums
		for d := first; d < first+7; d++ {
			if x := byDay[d]; x != nil {
				s.Merge(x)
			}
		}
		return &s
	}
	points := func(s *loss.Sums) float64 { return s.Points(s.Share("cleaning").US + s.Share("dirt").US) }
	for n := timeline.Day(usualWeeks); n >= 1; n-- {
		first := from - 7*n
		if begun > first && f.planned(first, begun-1) {
			continue
		}
		if s := week(first); s.PBT > 0 && s.Known() >= loss.KnownLeast {
			u.Before = append(u.Before, points(s))
		}
	}
	for first := from; first+6 <= to; first += 7 {
		s := week(first)
		if s.PBT == 0 {
			continue
		}
		if s.Known() < loss.KnownLeast {
			u.Doubt = true
		}
		u.Weeks = append(u.Weeks, points(s))
	}
	return u
}

// scopeWords names a scope for people.
func scopeWords(sc *pb.Scope) string {
	var parts []string
	if p := sc.GetPresses(); len(p) > 0 {
		if len(p) > 3 {
			p = append(append([]string{}, p[:3]...), fmt.Sprintf("%d more", len(p)-3))
		}
		parts = append(parts, strings.Join(p, ", "))
	}
	if len(sc.GetPlants()) > 0 {
		parts = append(parts, "plant "+strings.Join(sc.GetPlants(), ", "))
	}
	if len(sc.GetKinds()) > 0 {
		parts = append(parts, "kind "+strings.Join(sc.GetKinds(), ", "))
	}
	if len(parts) == 0 {
		return "the fleet"
	}
	return strings.Join(parts, ", ")
}

func periodWords(p *pb.Period) string {
	if p.GetFirstDay() == p.GetLastDay() {
		return p.GetFirstDay()
	}
	return p.GetFirstDay() + " to " + p.GetLastDay()
}
