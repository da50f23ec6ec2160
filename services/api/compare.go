package api

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// compareSide is what one side of a comparison is about.
type compareSide struct {
	name     string // "a" or "b"
	fleet    *fleet
	from, to timeline.Day
	sums     []timeline.LossSum
	presses  []string // that are compared
	tree     *treeSum
}

// CompareLosses sets two trees against each other, b less a: leaf by leaf in
// points, and by factor with the mix of presses and families apart.
func (l *lossService) CompareLosses(ctx context.Context, req *pb.CompareLossesRequest) (*pb.CompareLossesResponse, error) {
	a, b := &compareSide{name: "a"}, &compareSide{name: "b"}
	var err error
	if a.from, a.to, err = periodAt("period_a", req.GetPeriodA()); err != nil {
		return nil, err
	}
	b.from, b.to = a.from, a.to
	if req.GetPeriodB() != nil {
		if b.from, b.to, err = periodAt("period_b", req.GetPeriodB()); err != nil {
			return nil, err
		}
	}
	if req.GetScopeB() == nil && req.GetPeriodB() == nil {
		return nil, invalid("scope_b", "give another scope, another period, or both")
	}
	if a.fleet, err = l.s.inScope(ctx, req.GetScopeA()); err != nil {
		return nil, err
	}
	b.fleet = a.fleet
	if req.GetScopeB() != nil {
		if b.fleet, err = l.s.inScope(ctx, req.GetScopeB()); err != nil {
			return nil, err
		}
	}
	both := *a.fleet
	both.scope = slices.Compact(slices.Sorted(slices.Values(append(slices.Clone(a.fleet.scope), b.fleet.scope...))))
	resp := &pb.CompareLossesResponse{}
	if resp.AsOf, err = l.s.asOf(ctx, &both); err != nil {
		return nil, err
	}
	for _, s := range []*compareSide{a, b} {
		if s.sums, err = l.s.deps.Reader.LossSums(ctx, false, s.fleet.narrow(), s.from, s.to); err != nil {
			return nil, err
		}
	}
	same := slices.Equal(a.fleet.scope, b.fleet.scope)
	resp.Notes = append(resp.Notes, leaveOut(a, b, same)...)
	for _, s := range []*compareSide{a, b} {
		s.tree = newTreeSum()
		for i := range s.sums {
			if slices.Contains(s.presses, s.sums[i].Key) {
				s.tree.addDays(&s.sums[i])
			}
		}
	}
	resp.A, resp.B = a.tree.tree("", 0), b.tree.tree("", 0)
	if why := refused(a, b, same); why != "" {
		resp.Notes = append(resp.Notes, why)
		return resp, nil
	}
	resp.Ok = true
	resp.OeePoints = 100 * (resp.B.Oee - resp.A.Oee)
	resp.Leaves = comparedLeaves(a.tree, b.tree)
	resp.Notes = append(resp.Notes, moneyNotes(a.tree, b.tree)...)
	shares, notes, err := l.decompose(ctx, a, b, same)
	if err != nil {
		return nil, err
	}
	resp.Factors = []*pb.FactorShare{
		{Factor: "availability", A: resp.A.Availability, B: resp.B.Availability, Points: 100 * shares.Availability},
		{Factor: "effectiveness", A: resp.A.Effectiveness, B: resp.B.Effectiveness, Points: 100 * shares.Effectiveness},
		{Factor: "quality", A: resp.A.Quality, B: resp.B.Quality, Points: 100 * shares.Quality},
		{Factor: "mix", A: shares.A, B: shares.MixOnly, Points: 100 * shares.Mix},
	}
	resp.Notes = append(resp.Notes, notes...)
	if math.Abs(100*(shares.B-shares.A)-resp.OeePoints) > 1e-6 {
		resp.Notes = append(resp.Notes, "Events arrived while the answer was computed: leaves and factors are of two readings. Ask again.")
	}
	return resp, nil
}

// leaveOut fixes the presses of both sides: all but those of which less than
// 90 % of planned time is known. Where both sides are the same presses, one that
// is left out of one side is left out of the other too.
func leaveOut(a, b *compareSide, same bool) (notes []string) {
	out := map[string]bool{}
	for _, s := range []*compareSide{a, b} {
		known := map[string]*loss.Sums{}
		for i := range s.sums {
			x := loss.SumOf(&s.sums[i])
			if known[s.sums[i].Key] == nil {
				known[s.sums[i].Key] = new(loss.Sums)
			}
			known[s.sums[i].Key].Merge(&x)
		}
		var names []string
		for _, id := range s.fleet.scope {
			if x := known[id]; x != nil && x.PBT > 0 && x.Known() < loss.KnownLeast {
				out[s.name+" "+id] = true
				names = append(names, fmt.Sprintf("%s (%.1f %%)", id, 100*x.Known()))
			}
		}
		if len(names) > 0 {
			notes = append(notes, fmt.Sprintf("Left out of %s, less than 90 %% of planned time known: %s.", s.name, strings.Join(names, ", ")))
		}
	}
	for _, s := range []*compareSide{a, b} {
		for _, id := range s.fleet.scope {
			if !out[s.name+" "+id] && !(same && (out["a "+id] || out["b "+id])) {
				s.presses = append(s.presses, id)
			}
		}
	}
	return notes
}

// refused says why two sides are not compared; empty: they are.
func refused(a, b *compareSide, same bool) string {
	for _, s := range []*compareSide{a, b} {
		if s.tree.sums.PBT > 0 {
			continue
		}
		if len(s.presses) == 0 && len(s.fleet.scope) > 0 {
			return "Refused: too little is known of every press of " + s.name + "."
		}
		return "Refused: nothing was planned in " + s.name + ", or no press of it has reported."
	}
	if same {
		return ""
	}
	if ka, kb := pressKinds(a), pressKinds(b); !slices.Equal(ka, kb) {
		return fmt.Sprintf("Refused: presses of different kinds are not compared (a: %s; b: %s).", strings.Join(ka, ", "), strings.Join(kb, ", "))
	}
	return ""
}

func pressKinds(s *compareSide) []string {
	var out []string
	for _, id := range s.presses {
		if k := s.fleet.presses[id].Kind; !slices.Contains(out, k) {
			out = append(out, k)
		}
	}
	slices.Sort(out)
	return out
}

// decompose shares the difference among the factors and the mix: by press and
// family where both sides are the same presses, else by press kind and family.
func (l *lossService) decompose(ctx context.Context, a, b *compareSide, same bool) (loss.Shares, []string, error) {
	sides := [2]*loss.Side{}
	for i, s := range []*compareSide{a, b} {
		facts, err := l.s.deps.Reader.FactSums(ctx, factsPressFamily, s.presses, s.from, s.to)
		if err != nil {
			return loss.Shares{}, nil, err
		}
		sides[i] = loss.SideOf(facts, func(key string) (loss.Cell, bool) {
			press, family, _ := strings.Cut(key, "|")
			if !same {
				press = s.fleet.presses[press].Kind
			}
			return loss.Cell{Unit: press, Family: family}, true
		})
	}
	unit := "press"
	if !same {
		unit = "press kind"
	}
	return loss.Decompose(sides[0], sides[1]), []string{
		"Factors: Shapley values over availability, effectiveness, quality and mix (" + unit + " × product family); a press or family that one side does not have is mix. For the mix the two values are OEE of a, and what a's figures would give with b's mix.",
		"Both sides use policy \"inside\": planned cleaning and planned maintenance are inside planned time.",
	}, nil
}

func comparedLeaves(a, b *treeSum) []*pb.LeafDifference {
	b.price()
	var out []*pb.LeafDifference
	for _, d := range loss.Differences(&a.sums, &b.sums) {
		x := &pb.LeafDifference{Leaf: d.Leaf.Slug(), Name: d.Leaf.String(), PointsA: d.A, PointsB: d.B, Points: d.B - d.A, MinutesPer_100H: d.MinutesPer100Hrs}
		for _, p := range a.purses() {
			if b.money[p] == nil {
				continue
			}
			m := new(loss.Money).Sub(b.money[p][d.Leaf], a.money[p][d.Leaf])
			x.Money = append(x.Money, &pb.Money{Currency: p.currency, Amount: loss.RoundMoney(m, loss.Decimals(p.currency)), Basis: p.basis()})
		}
		out = append(out, x)
	}
	return out
}

// moneyNotes say what the money of a comparison is and is not.
func moneyNotes(a, b *treeSum) []string {
	var out []string
	one := func(x, y *treeSum, has, lacks string) {
		for _, p := range x.purses() {
			if y.money[p] == nil {
				out = append(out, fmt.Sprintf("Money in %s at the %s stands in %s alone, not in %s: it is not compared.", p.currency, p.basis(), has, lacks))
			}
		}
	}
	one(a, b, "a", "b")
	one(b, a, "b", "a")
	if pa, pb := a.sums.PBT, b.sums.PBT; len(a.purses()) > 0 && math.Abs(float64(pb-pa)) > 0.01*float64(pa) {
		out = append(out, fmt.Sprintf("Planned time differs (a %.1f h, b %.1f h): compare points; the money is as booked, of unequal time.", float64(pa)/float64(timeline.Hour), float64(pb)/float64(timeline.Hour)))
	}
	return out
}
