package api

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math/big"
	"slices"

	"google.golang.org/grpc/codes"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// maxRows is the largest analytic answer, in groups or rows.
const maxRows = 10_000

type lossService struct {
	pb.UnimplementedLossServiceServer
	s *Server
}

// GetLosses returns the loss tree of a scope and period, whole and by group.
func (l *lossService) GetLosses(ctx context.Context, req *pb.GetLossesRequest) (*pb.GetLossesResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := l.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.GetLossesResponse{Period: req.GetPeriod(), Zones: f.zones()}
	if resp.AsOf, err = l.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	byDay := false
	switch req.GetGroupBy() {
	case pb.LossGroup_LOSS_GROUP_DAY, pb.LossGroup_LOSS_GROUP_WEEK, pb.LossGroup_LOSS_GROUP_MONTH:
		byDay = true
	}
	// Total and groups are of one reading, so that the groups add up to it while
	// events arrive.
	sums, err := l.s.deps.Reader.LossSums(ctx, byDay, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	total := newTreeSum()
	for i := range sums {
		total.addDays(&sums[i])
	}
	resp.Total = total.tree("", 0)
	groups := map[string]*treeSum{}
	group := func(key string) *treeSum {
		if groups[key] == nil {
			groups[key] = newTreeSum()
		}
		return groups[key]
	}
	key := func(k string) string { return k } // of a fact's group, in the answer
	base := int64(0)                          // what points are a share of; 0: the group's own planned time
	switch by := req.GetGroupBy(); by {
	case pb.LossGroup_LOSS_GROUP_UNSPECIFIED:
	case pb.LossGroup_LOSS_GROUP_PRESS, pb.LossGroup_LOSS_GROUP_KIND, pb.LossGroup_LOSS_GROUP_PLANT:
		for i := range sums {
			key := sums[i].Key
			if p := f.presses[key]; by == pb.LossGroup_LOSS_GROUP_KIND {
				key = p.Kind
			} else if by == pb.LossGroup_LOSS_GROUP_PLANT {
				key = p.Plant
			}
			group(key).addDays(&sums[i])
		}
	case pb.LossGroup_LOSS_GROUP_DAY, pb.LossGroup_LOSS_GROUP_WEEK, pb.LossGroup_LOSS_GROUP_MONTH:
		for i := range sums {
			d, err := timeline.ParseDay(sums[i].Key)
			if err != nil {
				return nil, fmt.Errorf("stored day: %w", err)
			}
			key := sums[i].Key
			if by == pb.LossGroup_LOSS_GROUP_WEEK {
				key = d.Week()
			} else if by == pb.LossGroup_LOSS_GROUP_MONTH {
				key = d.Month()
			}
			group(key).addDays(&sums[i])
		}
	case pb.LossGroup_LOSS_GROUP_SHIFT, pb.LossGroup_LOSS_GROUP_STATION, pb.LossGroup_LOSS_GROUP_FAMILY:
		name := map[pb.LossGroup]string{pb.LossGroup_LOSS_GROUP_SHIFT: "shift", pb.LossGroup_LOSS_GROUP_STATION: "station", pb.LossGroup_LOSS_GROUP_FAMILY: "family"}[by]
		facts, err := l.s.deps.Reader.FactSums(ctx, name, f.narrow(), from, to)
		if err != nil {
			return nil, err
		}
		if by == pb.LossGroup_LOSS_GROUP_SHIFT {
			refused, err := l.s.shiftsRefused(ctx, f, from, to, facts)
			if err != nil {
				return nil, err
			}
			if len(refused) > 0 {
				key = func(k string) string {
					if refused[k] {
						return shiftsTogether
					}
					return k
				}
				resp.Notes = append(resp.Notes, fmt.Sprintf("Shifts with fewer than %d badges or %d cleaning sessions, in themselves or in all others together, are shown as one (%s): fewer would speak of persons.",
					cleaning.CellBadges, cleaning.CellSessions, shiftsTogether))
			}
		}
		for len(facts) > 0 {
			n := 1
			for n < len(facts) && facts[n].Key == facts[0].Key {
				n++
			}
			group(key(facts[0].Key)).addFacts(facts[:n])
			facts = facts[n:]
		}
		if by != pb.LossGroup_LOSS_GROUP_SHIFT {
			base = total.sums.PBT
			resp.Notes = append(resp.Notes, "Points are shares of the whole scope's planned busy time; the empty key is time and length that names no "+name+".")
		}
	}
	keys := slices.Sorted(maps.Keys(groups))
	for _, k := range keys {
		resp.Groups = append(resp.Groups, groups[k].tree(k, base))
	}
	if n := len(resp.Groups); n > maxRows {
		return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("the answer has %d groups, at most %d are sent: narrow the period or the scope, or group by week or month", n, maxRows))
	}
	if req.GetView() != pb.LossView_LOSS_VIEW_UNSPECIFIED {
		if err := l.addViews(ctx, req, f, from, to, resp, total, groups, base, key); err != nil {
			return nil, err
		}
	}
	resp.Notes = append(append(resp.Notes, total.notes()...), f.policyNotes()...)
	return resp, nil
}

// purse is money of one currency on one basis.
type purse struct {
	currency    string
	constrained bool
}

// treeSum adds up what one tree shows.
type treeSum struct {
	sums     loss.Sums
	money    map[purse]*[loss.NumLeaves]*loss.Money
	days     map[purse]*timeline.LossSum       // press-days that are not yet in money
	labour   map[string]*loss.Money            // outside planned time, by currency
	outside  map[string]*[loss.NumLeaves]int64 // material outside planned time, billionths, by currency
	closed   int64
	restarts loss.Restarts
	found    int64 // downstream, mm
	byFacts  bool  // facts know neither
	unpriced int64 // press-days without an hour's value
}

func newTreeSum() *treeSum {
	return &treeSum{money: map[purse]*[loss.NumLeaves]*loss.Money{}, days: map[purse]*timeline.LossSum{}, labour: map[string]*loss.Money{}, outside: map[string]*[loss.NumLeaves]int64{}}
}

func (t *treeSum) purse(currency string, constrained bool) *[loss.NumLeaves]*loss.Money {
	k := purse{currency, constrained}
	if t.money[k] == nil {
		m := new([loss.NumLeaves]*loss.Money)
		for l := range m {
			m[l] = new(loss.Money)
		}
		t.money[k] = m
	}
	return t.money[k]
}

func (t *treeSum) addDays(s *timeline.LossSum) {
	sums := loss.SumOf(s)
	t.sums.Merge(&sums)
	t.purse(s.Currency, s.Constrained)
	d := t.days[purse{s.Currency, s.Constrained}]
	if d == nil {
		d = &timeline.LossSum{}
		t.days[purse{s.Currency, s.Constrained}] = d
	}
	for _, l := range loss.Losses() {
		d.In[l].Material += s.In[l].Material
		if s.Priced[l] != nil {
			if d.Priced[l] == nil {
				d.Priced[l] = new(big.Int)
			}
			d.Priced[l].Add(d.Priced[l], s.Priced[l])
		}
	}
	if t.labour[s.Currency] == nil {
		t.labour[s.Currency] = new(loss.Money)
	}
	t.labour[s.Currency].Add(t.labour[s.Currency], loss.MaterialMoney(s.OutLabour))
	for l := range s.Out {
		t.addOutside(s.Currency, loss.Leaf(l), s.Out[l].Material)
	}
	t.closed += s.ClosedByRule
	t.found += s.Downstream
	t.restarts.Cleans += s.RestartCleans
	t.restarts.Len += s.RestartMM
	t.restarts.Waste += s.RestartWaste
	t.restarts.Excess += s.RestartExcess
	t.restarts.Squares += s.RestartSquares
}

// price turns what addDays has gathered into money, once for all press-days of a
// purse.
func (t *treeSum) price() {
	for k, d := range t.days {
		m := t.purse(k.currency, k.constrained)
		for _, l := range loss.Losses() {
			m[l].Add(m[l], loss.LeafMoney(d, l))
		}
	}
	clear(t.days)
}

func (t *treeSum) addOutside(currency string, l loss.Leaf, nano int64) {
	if nano == 0 {
		return
	}
	if t.outside[currency] == nil {
		t.outside[currency] = new([loss.NumLeaves]int64)
	}
	t.outside[currency][l] += nano
}

func (t *treeSum) addFacts(facts []timeline.FactSum) {
	t.byFacts = true
	sums, _ := loss.FactTree(facts)
	t.sums.Merge(&sums)
	by := map[purse][]timeline.FactSum{}
	for _, f := range facts {
		if !f.Planned {
			t.addOutside(f.Currency, loss.Leaf(f.Leaf), f.Material)
		}
		k := purse{f.Currency, f.Constrained}
		by[k] = append(by[k], f)
	}
	for k, list := range by {
		_, money := loss.FactTree(list)
		m := t.purse(k.currency, k.constrained)
		for l := range m {
			m[l].Add(m[l], money[l])
		}
	}
}

// purses are the money that can be shown, by currency, press hour first.
func (t *treeSum) purses() []purse {
	t.price()
	var out []purse
	for k := range t.money {
		if k.currency != "" {
			out = append(out, k)
		}
	}
	slices.SortFunc(out, func(a, b purse) int {
		return cmp.Or(cmp.Compare(a.currency, b.currency), cmp.Compare(a.basis(), b.basis()))
	})
	return out
}

func (p purse) basis() string {
	if p.constrained {
		return "contribution hour"
	}
	return "press hour"
}

func (t *treeSum) notes() []string {
	byCurrency := map[string]int{}
	for k := range t.money {
		byCurrency[k.currency]++
	}
	for _, c := range slices.Sorted(maps.Keys(byCurrency)) {
		if byCurrency[c] > 1 {
			return []string{"Some press-days are priced by the press hour, others by the contribution hour (the press is sold out): the two stand apart and are never added."}
		}
	}
	return nil
}

// policyNotes name the plants in scope whose own policy is "outside".
func (f *fleet) policyNotes() []string {
	var out []string
	for _, id := range f.scope {
		p := f.presses[id]
		if n := fmt.Sprintf("Plant %s reports by policy \"outside\": its own figure is the OEE with planned cleaning and planned maintenance taken out of planned time. Sums over plants use \"inside\".", p.Plant); !p.PolicyInside && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

// tree is the answer's form. base, if not 0, is the planned time (ms) that
// points are a share of.
func (t *treeSum) tree(key string, base int64) *pb.LossTree {
	t.price()
	s := &t.sums
	f := s.Factors()
	out := &pb.LossTree{
		Key: key, PlannedBusyUs: s.PBT * 1000, ProductionUs: s.APT * 1000, RatedUs: s.Rated(), ValuableUs: s.Valuable,
		Availability: f.Availability, Effectiveness: f.Effectiveness, Quality: f.Quality, Oee: f.OEE, LengthYield: f.LengthYield, Ok: f.OK,
		Coverage: &pb.Coverage{PlannedMs: s.PBT, MeasuredMs: s.Measured, StatedMs: s.Stated, UnknownMs: s.Unknown, KnownShare: s.Known()},
		GoodMm:   s.Good + s.ExtraGood + s.GoodOutside, GoodOutsideProductionMm: s.GoodOutside,
		BookedExcessMm: s.Excess, NoteSpillMs: s.NoteSpill, AssumedRateMm: s.AssumedMM, ClosedByRule: t.closed,
		PressDays: s.PressDays, UnknownReasons: s.UnknownReason,
	}
	out.DownstreamMm, out.RestartEstimateMm = t.found, t.restartEstimate()
	out.OeeLow, out.OeeHigh = s.Range()
	out.OutsidePlannedBusyUs, out.OutsideOee = s.OutsidePolicy()
	if base == 0 {
		base = s.PBT
	} else {
		// A part of the scope's time without planned time of its own: factors
		// would mislead.
		out.Ok, out.Availability, out.Effectiveness, out.Quality, out.Oee, out.OutsideOee, out.OeeLow, out.OeeHigh = false, 0, 0, 0, 0, 0, 0, 0
	}
	purses := t.purses()
	out.Basis = basis(purses)
	points := func(us int64) float64 {
		if base == 0 {
			return 0
		}
		return 100 * float64(us) / float64(base*1000)
	}
	money := func(ls ...loss.Leaf) []*pb.Money {
		var m []*pb.Money
		for _, p := range purses {
			sum := new(loss.Money)
			for _, l := range ls {
				sum.Add(sum, t.money[p][l])
			}
			m = append(m, &pb.Money{Currency: p.currency, Amount: loss.RoundMoney(sum, loss.Decimals(p.currency)), Basis: p.basis()})
		}
		return m
	}
	leaf := func(slug, name string, a loss.Amount, ls ...loss.Leaf) *pb.LossLeaf {
		return &pb.LossLeaf{Leaf: slug, Name: name, TimeUs: a.US, LengthMm: a.MM, OeePoints: points(a.US), Money: money(ls...)}
	}
	for _, l := range loss.Losses() {
		x := leaf(l.Slug(), l.String(), s.In[l], l)
		x.Factor, x.Share = l.Factor().String(), l.Share()
		for _, p := range []struct {
			leaf loss.Leaf
			sub  loss.Sub
			us   int64
		}{{loss.CleaningOverrun, loss.SubNoRecord, s.Parts[loss.SubNoRecord]}, {loss.ContaminationStop, loss.SubCleaning, s.Parts[loss.SubCleaning]}, {loss.Setup, loss.SubCleaning, s.SetupCleaning}} {
			if p.leaf == l && p.us != 0 {
				x.Parts = append(x.Parts, &pb.LossLeaf{Leaf: l.Slug(), Name: p.sub.String(), TimeUs: p.us, OeePoints: points(p.us)})
			}
		}
		out.Leaves = append(out.Leaves, x)
	}
	out.Sum = leaf("sum", "sum of losses", s.Total(), loss.Losses()...)
	out.Cleaning = leaf("cleaning", "cleaning", s.Share("cleaning"), shareLeaves("cleaning")...)
	out.Dirt = leaf("dirt", "dirt", s.Share("dirt"), shareLeaves("dirt")...)
	for _, p := range purses {
		d := loss.Decimals(p.currency)
		r := new(loss.Money)
		for _, l := range loss.Losses() {
			if x, ok := new(loss.Money).SetString(loss.RoundMoney(t.money[p][l], d)); ok {
				r.Sub(r, x)
			}
		}
		sum := new(loss.Money)
		for _, l := range loss.Losses() {
			sum.Add(sum, t.money[p][l])
		}
		if x, ok := new(loss.Money).SetString(loss.RoundMoney(sum, d)); ok {
			r.Add(r, x)
		}
		out.Rounding = append(out.Rounding, &pb.Money{Currency: p.currency, Amount: loss.RoundMoney(r, d), Basis: p.basis()})
	}
	for l := loss.LeafProduction; int(l) < loss.NumLeaves; l++ {
		a := s.Out[l]
		if a.US == 0 && a.MM == 0 {
			continue
		}
		name := l.String()
		if l == loss.LeafProduction {
			name = "extra running"
		}
		x := &pb.LossLeaf{Leaf: l.Slug(), Name: name, TimeUs: a.US, LengthMm: a.MM}
		for _, c := range slices.Sorted(maps.Keys(t.outside)) {
			if m := t.outside[c][l]; m != 0 && c != "" {
				x.Money = append(x.Money, &pb.Money{Currency: c, Amount: loss.RoundMoney(loss.MaterialMoney(m), loss.Decimals(c))})
			}
		}
		out.Outside = append(out.Outside, x)
	}
	for _, c := range slices.Sorted(maps.Keys(t.labour)) {
		if m := t.labour[c]; m.Sign() != 0 && c != "" {
			out.Outside = append(out.Outside, &pb.LossLeaf{Leaf: "cleaning_labour", Name: "labour of cleaning outside planned time",
				Money: []*pb.Money{{Currency: c, Amount: loss.RoundMoney(m, loss.Decimals(c))}}})
		}
	}
	return out
}

// restartEstimate stands beside the tree; its meters are in the leaves already.
func (t *treeSum) restartEstimate() *pb.Estimate {
	if t.byFacts {
		return &pb.Estimate{Method: "not told by shift, station or family"}
	}
	e := t.restarts.Estimate()
	return &pb.Estimate{Value: e.Value, Low: e.Low, High: e.High, N: e.N, Method: e.Method, Ok: e.OK}
}

func shareLeaves(name string) []loss.Leaf {
	var out []loss.Leaf
	for _, l := range loss.Losses() {
		if l.Share() == name {
			out = append(out, l)
		}
	}
	return out
}

// basis of a tree: empty when it has none or both.
func basis(purses []purse) string {
	if len(purses) == 0 {
		return ""
	}
	for _, p := range purses[1:] {
		if p.constrained != purses[0].constrained {
			return ""
		}
	}
	return purses[0].basis()
}
