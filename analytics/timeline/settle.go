package timeline

import (
	"cmp"
	"slices"
)

// settle removes repeats of one identity and gives every millisecond to one
// slice: that of the epoch with the lowest rank, inside an epoch the lowest
// seq. A slice that loses time loses length in proportion. s is the callee's own:
// it may be returned.
func settle(s []Slice, ranks []EpochRank) (out []Slice, lost []Overlap) {
	rank := make(map[uint64]int, len(ranks))
	rs := slices.Clone(ranks)
	slices.SortFunc(rs, func(a, b EpochRank) int {
		return cmp.Or(cmp.Compare(a.Recorded, b.Recorded), cmp.Compare(a.Epoch, b.Epoch))
	})
	for i, r := range rs {
		rank[r.Epoch] = i
	}
	rankOf := func(e uint64) int {
		if r, ok := rank[e]; ok {
			return r
		}
		return len(rs)
	}
	prior := func(a, b *Slice) int { // lower wins
		if a.Epoch != b.Epoch {
			return cmp.Or(cmp.Compare(rankOf(a.Epoch), rankOf(b.Epoch)), cmp.Compare(a.Epoch, b.Epoch))
		}
		return cmp.Compare(a.Seq, b.Seq)
	}
	order := func(a, b *Slice) int {
		switch { // almost always the start decides
		case a.From != b.From:
			return cmp.Compare(a.From, b.From)
		case a.To != b.To:
			return cmp.Compare(a.To, b.To)
		}
		return prior(a, b)
	}
	// The log gives slices in order, and mostly disjoint: then there is nothing to settle.
	sorted, disjoint := true, true
	for i := 1; i < len(s); i++ {
		if order(&s[i-1], &s[i]) > 0 {
			sorted = false
			break
		}
		disjoint = disjoint && s[i-1].To <= s[i].From && s[i-1].ID != s[i].ID
	}
	if sorted && disjoint {
		return s, nil
	}
	if !sorted {
		slices.SortFunc(s, func(a, b Slice) int { return order(&a, &b) })
	}
	s = compacted(s)
	if apart(s) {
		return s, nil
	}
	out = make([]Slice, 0, len(s))
	for i := 0; i < len(s); {
		// A cluster: slices connected by overlap.
		end, j := s[i].To, i+1
		for j < len(s) && s[j].From < end {
			end = max(end, s[j].To)
			j++
		}
		if j == i+1 {
			out = append(out, s[i])
			i = j
			continue
		}
		got, over := settleCluster(slices.Clone(s[i:j]), prior)
		out = append(out, got...)
		lost = append(lost, over...)
		i = j
	}
	return out, lost
}

// compacted drops all but the first of neighbors of one identity, in place.
func compacted(s []Slice) []Slice {
	n := 0
	for i := range s {
		if n > 0 && s[n-1].ID == s[i].ID {
			continue
		}
		if n != i {
			s[n] = s[i]
		}
		n++
	}
	clear(s[n:])
	return s[:n]
}

// apart says that slices in order share no time and no identity with their neighbors.
func apart(s []Slice) bool {
	for i := 1; i < len(s); i++ {
		if s[i-1].To > s[i].From || s[i-1].ID == s[i].ID {
			return false
		}
	}
	return true
}

// settleCluster settles a few slices that overlap each other.
func settleCluster(c []Slice, prior func(a, b *Slice) int) (out []Slice, lost []Overlap) {
	slices.SortStableFunc(c, func(a, b Slice) int { return prior(&a, &b) })
	var taken []Interval
	for i := range c {
		free := []Interval{c[i].Interval}
		for _, t := range taken {
			free = Subtract(free, t)
		}
		slices.SortFunc(free, func(a, b Interval) int { return cmp.Compare(a.From, b.From) })
		before := c[i].Good + c[i].Waste
		var kept, ms int64
		for _, f := range free {
			p := c[i].Part(f)
			out = append(out, p)
			kept += p.Good + p.Waste
			ms += f.Len()
		}
		if ms < c[i].Len() {
			lost = append(lost, Overlap{c[i].From, c[i].Len() - ms, before - kept})
		}
		taken = append(taken, c[i].Interval)
	}
	slices.SortFunc(out, func(a, b Slice) int { return cmp.Compare(a.From, b.From) })
	slices.SortFunc(lost, func(a, b Overlap) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.MS, b.MS), cmp.Compare(a.MM, b.MM))
	})
	return out, lost
}

// Part is the piece of a slice inside an interval. Lengths are shared by
// duration in whole millimeters such that the pieces of any cutting of the
// slice add up to the whole: a piece gets the length up to its end less the
// length up to its start, each rounded down.
func (s *Slice) Part(iv Interval) Slice {
	p := *s
	p.Interval = s.Interval.And(iv)
	if p.Interval == s.Interval {
		return p
	}
	if p.Len() == 0 {
		p.To = p.From
		p.Good, p.Waste = 0, 0
		return p
	}
	d := s.Len()
	at := func(v, t int64) int64 { return mulDiv(v, t-s.From, d) }
	p.Good = at(s.Good, p.To) - at(s.Good, p.From)
	p.Waste = at(s.Waste, p.To) - at(s.Waste, p.From)
	return p
}

// mulDiv is a*b/c rounded down; a, b >= 0, c > 0. Slices last at most a minute
// (b, c <= 60,000) and lengths are below 1e11 mm, so the product fits.
func mulDiv(a, b, c int64) int64 { return a * b / c }
