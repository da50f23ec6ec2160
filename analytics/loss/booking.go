package loss

import (
	"cmp"
	"slices"
	"sort"

	"github.com/downweb/downweb/analytics/timeline"
)

// cell is counted length that bookings may claim: a piece of a PRODUCTION or
// SETUP slice of the day.
type cell struct {
	key   Key
	iv    timeline.Interval
	good  int64
	waste int64
	setup bool
}

// bookWaste divides the counted waste among bookings and books the rest.
//
// Bookings reach over the day's ends, so the division is done over every cell
// the bookings can touch; only the day's own cells become facts. Order of
// arrival plays no part: ties go by (recorded, epoch, seq).
func (w *walk) bookWaste() {
	bookings := slices.DeleteFunc(slices.Clone(w.h.Bookings), func(b timeline.Event) bool {
		return b.Length <= 0
	})
	// Reach: the day plus everything connected to it by bookings, so that a
	// booking over midnight is divided over all it can claim. From the two sides
	// the division can differ by a millimeter of rounding; each day's own sum is
	// exact.
	reach := timeline.Interval{From: w.span.From, To: min(w.span.To, w.in.Frontier)}
	var mine []timeline.Event
	for grown := true; grown; {
		grown = false
		rest := bookings[:0:0]
		for _, b := range bookings {
			if b.And(reach).Len() == 0 {
				rest = append(rest, b)
				continue
			}
			mine = append(mine, b)
			if b.From < reach.From || b.To > reach.To {
				reach = timeline.Interval{From: min(reach.From, b.From), To: max(reach.To, b.To)}
				grown = true
			}
		}
		bookings = rest
	}
	slices.SortFunc(mine, func(a, b timeline.Event) int {
		if timeline.Before(&a, &b) {
			return -1
		}
		return 1
	})
	cells := w.allCells(reach)
	merged := mergeCells(cells, mine, w.rec != nil)
	w.downstream(merged, mine)

	demand := make([]int64, len(mine)) // face-web claims on counted waste, mm
	for i, b := range mine {
		if b.Found == 2 || b.Web > 1 {
			continue
		}
		demand[i] = lanesShare(b)
	}
	claims := make([]map[int]int64, len(merged)) // cell -> booking -> mm
	take := func(eligible func(c *bucket, b *timeline.Event) bool) {
		for round := 0; round < 64; round++ {
			if !divide(merged, mine, demand, claims, eligible) {
				return
			}
		}
	}
	// Set-up bookings take what was counted in SETUP first.
	take(func(c *bucket, b *timeline.Event) bool { return c.setup && b.Cause == timeline.CauseSetup })
	take(func(c *bucket, b *timeline.Event) bool { return !c.setup })

	for i := range merged {
		w.bookBucket(&merged[i], claims[i], mine)
	}
	for i, b := range mine {
		// The excess and material of other webs are told once, on the day in
		// which the booking's interval begins.
		if !w.span.Has(b.From) {
			continue
		}
		w.row.Excess += demand[i]
		w.rec.excess(&b, demand[i])
		if b.Web > 1 {
			w.materialOnly(b)
		}
	}
}

// lanesShare is a booking's length as full web width.
func lanesShare(b timeline.Event) int64 {
	if b.Lanes > 0 && b.LanesBad > 0 && b.LanesBad < b.Lanes {
		return b.Length * int64(b.LanesBad) / int64(b.Lanes)
	}
	return b.Length
}

// allCells are the day's own cells and, outside the day, those the reach adds.
func (w *walk) allCells(reach timeline.Interval) []cell {
	cells := w.cells // the walk has no more use for them
	around := timeline.SlicesIn(w.h.Slices, reach)
	for i := range around {
		s := &around[i]
		if s.State != timeline.StateProduction && s.State != timeline.StateSetup {
			continue
		}
		for _, out := range w.outsideDay(s.Interval.And(reach)) {
			p := s.Part(out)
			cells = append(cells, cell{key: Key{Leaf: LeafNone, Job: s.Job}, iv: out,
				good: p.Good, waste: p.Waste, setup: s.State == timeline.StateSetup})
		}
	}
	return cells
}

// outsideDay is the part of an interval that no segment of the day holds (up
// to the frontier).
func (w *walk) outsideDay(iv timeline.Interval) []timeline.Interval {
	out := []timeline.Interval{iv}
	if iv.And(w.span).Len() == 0 {
		return out
	}
	segs := w.in.Day.Segments
	if i := sort.Search(len(segs), func(i int) bool { return segs[i].To > iv.From }); i < len(segs) && segs[i].Has(iv.From) && iv.To <= segs[i].To {
		return nil // as almost every slice of the day
	}
	for _, s := range w.in.Day.Segments {
		out = timeline.Subtract(out, s.Interval)
	}
	return out
}

// bucket is cells with one key between two booking boundaries.
type bucket struct {
	cell
	free  int64 // waste not yet claimed
	down  map[int]int64
	cells []cell // what was joined, where the pieces are asked for
}

// mergeCells joins cells of one key that the same bookings can claim. Cells
// are first cut at the bookings' boundaries. With keep the buckets remember
// them.
func mergeCells(cells []cell, bookings []timeline.Event, keep bool) []bucket {
	var cuts []int64
	for _, b := range bookings {
		cuts = append(cuts, b.From, b.To)
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	type id struct {
		key   Key
		setup bool
		slot  int
	}
	at := map[id]int{}
	var out []bucket
	var last id // and where it is: neighbors mostly share a bucket
	i := -1
	put := func(c cell) {
		slot, _ := slices.BinarySearch(cuts, c.iv.From+1) // number of cuts <= From
		if k := (id{c.key, c.setup, slot}); i < 0 || k != last {
			var ok bool
			if i, ok = at[k]; !ok {
				i = len(out)
				at[k] = i
				out = append(out, bucket{cell: cell{key: c.key, iv: c.iv, setup: c.setup}})
			}
			last = k
		}
		b := &out[i]
		b.good += c.good
		b.waste += c.waste
		if keep {
			b.cells = append(b.cells, c)
		}
		b.iv = timeline.Interval{From: min(b.iv.From, c.iv.From), To: max(b.iv.To, c.iv.To)}
	}
	for _, c := range cells {
		i, _ := slices.BinarySearch(cuts, c.iv.From+1)
		if i == len(cuts) || cuts[i] >= c.iv.To {
			put(c) // no booking begins or ends inside
			continue
		}
		from := c.iv.From
		whole := timeline.Slice{Interval: c.iv, Good: c.good, Waste: c.waste}
		for ; i < len(cuts) && cuts[i] < c.iv.To; i++ {
			p := whole.Part(timeline.Interval{From: from, To: cuts[i]})
			put(cell{key: c.key, iv: p.Interval, good: p.Good, waste: p.Waste, setup: c.setup})
			from = cuts[i]
		}
		p := whole.Part(timeline.Interval{From: from, To: c.iv.To})
		put(cell{key: c.key, iv: p.Interval, good: p.Good, waste: p.Waste, setup: c.setup})
	}
	slices.SortFunc(out, func(a, b bucket) int {
		return cmp.Or(cmp.Compare(a.iv.From, b.iv.From), compareKeys(a.key, b.key), compareBool(a.setup, b.setup))
	})
	for i := range out {
		out[i].free = out[i].waste
	}
	return out
}

func touches(c *bucket, b *timeline.Event) bool {
	return b.Interval.Has(c.iv.From) && (b.Job == "" || b.Job == c.key.Job)
}

// divide is one round: every booking asks each cell it can reach for its share
// of what is still free there; a cell asked for more than it has is divided in
// proportion. It reports whether another round could give more.
func divide(cells []bucket, bookings []timeline.Event, demand []int64, claims []map[int]int64, eligible func(*bucket, *timeline.Event) bool) bool {
	ask := make([]map[int]int64, len(cells))
	for bi := range bookings {
		if demand[bi] <= 0 {
			continue
		}
		var idx []int
		var weights []int64
		var total int64
		for ci := range cells {
			c := &cells[ci]
			if c.free > 0 && touches(c, &bookings[bi]) && eligible(c, &bookings[bi]) {
				idx, weights, total = append(idx, ci), append(weights, c.free), total+c.free
			}
		}
		if total == 0 {
			continue
		}
		// More than the total may be asked: the cell then cuts in proportion
		// to the claims, not to what is left.
		for j, n := range apportion(demand[bi], weights) {
			if ask[idx[j]] == nil {
				ask[idx[j]] = map[int]int64{}
			}
			ask[idx[j]][bi] = n
		}
	}
	given := false
	for ci := range cells {
		if len(ask[ci]) == 0 {
			continue
		}
		var who []int
		for bi := range ask[ci] {
			who = append(who, bi)
		}
		slices.Sort(who)
		var total int64
		want := make([]int64, len(who))
		for j, bi := range who {
			want[j] = ask[ci][bi]
			total += want[j]
		}
		got := want
		if total > cells[ci].free {
			got = apportion(cells[ci].free, want)
		}
		for j, bi := range who {
			if got[j] == 0 {
				continue
			}
			if claims[ci] == nil {
				claims[ci] = map[int]int64{}
			}
			claims[ci][bi] += got[j]
			cells[ci].free -= got[j]
			demand[bi] -= got[j]
			given = true
		}
	}
	return given
}

// downstream moves length found bad later in the plant from good to waste, in
// the PRODUCTION of its interval or job, pro rata, never more than the good
// there.
func (w *walk) downstream(cells []bucket, bookings []timeline.Event) {
	demand := make([]int64, len(bookings))
	any := false
	for i, b := range bookings {
		if b.Found == 2 && b.Web <= 1 {
			demand[i] = lanesShare(b)
			any = true
		}
	}
	if !any {
		return
	}
	// The same division, over good length instead of waste.
	goods := make([]bucket, len(cells))
	for i, c := range cells {
		goods[i] = c
		goods[i].free = c.good
	}
	claims := make([]map[int]int64, len(cells))
	for round := 0; round < 64; round++ {
		if !divide(goods, bookings, demand, claims, func(c *bucket, _ *timeline.Event) bool { return !c.setup }) {
			break
		}
	}
	for i := range cells {
		cells[i].down = claims[i]
	}
	for i, b := range bookings {
		if b.Found == 2 && b.Web <= 1 && w.span.Has(b.From) {
			w.row.Excess += demand[i]
			w.rec.excess(&b, demand[i])
		}
	}
}

// bookBucket turns one bucket of the day into facts.
func (w *walk) bookBucket(c *bucket, claims map[int]int64, bookings []timeline.Event) {
	if c.key.Leaf == LeafNone {
		return // outside the day
	}
	key := func(leaf Leaf, station string) Key {
		k := c.key
		k.Leaf, k.Minor = leaf, false
		if c.key.Sub != SubSlowDirt {
			k.Sub, k.Reason, k.Station = SubNone, "", station
		}
		if c.setup {
			k.Sub, k.Reason, k.Station = SubNone, "", station
		}
		return k
	}
	add := func(leaf Leaf, station string, mm int64) { w.facts.add(key(leaf, station), 0, 0, mm) }
	w.rec.bucket(c, claims, bookings, key)
	if c.setup {
		add(SetupWaste, "", c.waste)
		return
	}
	w.row.RunWaste += c.waste
	for _, bi := range sortedKeys(c.down) {
		mm := c.down[bi]
		w.facts.add(c.key, 0, -mm, 0)
		w.row.Downstream += mm
		add(causeLeaf(bookings[bi].Cause), bookings[bi].Station, mm)
	}
	rest := c.waste
	for _, bi := range sortedKeys(claims) {
		add(causeLeaf(bookings[bi].Cause), bookings[bi].Station, claims[bi])
		rest -= claims[bi]
	}
	add(UnbookedWaste, "", rest)
}

// materialOnly books waste of the second or third web: priced, no time.
func (w *walk) materialOnly(b timeline.Event) {
	for _, s := range w.in.Day.Segments {
		if s.Has(b.From) {
			k := Key{Shift: s.Shift, Planned: s.Planned, Leaf: causeLeaf(b.Cause), Job: b.Job, Station: b.Station}
			w.facts.add(k, 0, 0, lanesShare(b))
			w.rec.length(k, b.Interval, lanesShare(b), RuleBooking, b.ID, nil)
			return
		}
	}
}

func sortedKeys(m map[int]int64) []int {
	out := make([]int, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
