package warehouse

import (
	"context"
	"hash/maphash"
	"slices"

	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/analytics/timeline"
)

// Facts are many and are added up from disk: seconds of CPU for a year of a fleet. All months but the last are as they
// were when they were added up before, so sums are kept by month, as long as the tables they come from consist of the same
// parts.

// factKey is a question about days of one month.
type factKey struct {
	by       FactGroup
	scope    uint64 // a hash of the presses
	from, to timeline.Day
}

type factMemo struct {
	table string // UUIDs
	parts uint64 // of the month, of facts and of the press-days that price them
	sums  []timeline.FactSum
}

// keptFacts are groupings of few rows, which are asked again and again.
var keptFacts = []FactGroup{FactsByShift, FactsByStation, FactsByFamily, FactsWhole}

// factRowBytes is what a sum takes in memory, roughly.
const factRowBytes = 250

// keptFactSums is FactSums by months, from memory where they have not changed.
func (db *DB) keptFactSums(ctx context.Context, by FactGroup, presses []string, from, to timeline.Day) ([]timeline.FactSum, error) {
	p, err := db.partsOf(ctx, tableShiftFacts, tablePressDays)
	if err != nil {
		return nil, err
	}
	var h maphash.Hash
	h.SetSeed(memoSeed)
	if presses != nil {
		h.WriteByte(1)
	}
	for _, name := range presses {
		h.WriteString(name)
		h.WriteByte(0)
	}
	scope := h.Sum64()
	var g errgroup.Group
	g.SetLimit(2)
	pieces := make([][]timeline.FactSum, max(0, monthOf(to)-monthOf(from)+1))
	for i := range pieces {
		month := monthOf(from) + int32(i)
		parts, ok := p.months[month]
		if !ok {
			continue // no rows
		}
		k := factKey{by, scope, max(from, firstOf(month)), min(to, firstOf(month+1)-1)}
		if m := db.days.factMemo(k); m != nil && m.table == p.table && m.parts == parts {
			pieces[i] = m.sums
			continue
		}
		g.Go(func() (err error) {
			if pieces[i], err = db.tableFactSums(ctx, by, presses, k.from, k.to); err == nil {
				db.days.keepFacts(k, &factMemo{p.table, parts, pieces[i]})
			}
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	sums := map[timeline.FactSum]*timeline.FactSum{}
	for _, piece := range pieces {
		for i := range piece {
			addFact(sums, &piece[i])
		}
	}
	return sortedFacts(sums), nil
}

func (c *dayCache) factMemo(k factKey) *factMemo {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.facts[k]
}

// keepFacts keeps sums; all are dropped where they would take more than a quarter of the budget.
func (c *dayCache) keepFacts(k factKey, m *factMemo) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if old := c.facts[k]; old != nil {
		c.factRows -= len(old.sums)
	}
	if (c.factRows+len(m.sums)+1)*factRowBytes > c.budget/4 {
		clear(c.facts)
		c.factRows = 0
		if (len(m.sums)+1)*factRowBytes > c.budget/4 {
			return
		}
	}
	c.facts[k] = m
	c.factRows += len(m.sums)
}

// addFact adds to the sum of what x is grouped by.
func addFact(sums map[timeline.FactSum]*timeline.FactSum, x *timeline.FactSum) {
	k := *x
	k.Stops, k.Dur, k.Good, k.Waste, k.Material = 0, 0, 0, 0, 0
	s := sums[k]
	if s == nil {
		s = new(timeline.FactSum)
		*s = k
		sums[k] = s
	}
	s.Stops, s.Dur, s.Good, s.Waste, s.Material = s.Stops+x.Stops, s.Dur+x.Dur, s.Good+x.Good, s.Waste+x.Waste, s.Material+x.Material
}

func sortedFacts(sums map[timeline.FactSum]*timeline.FactSum) []timeline.FactSum {
	out := make([]timeline.FactSum, 0, len(sums))
	for _, s := range sums {
		out = append(out, *s)
	}
	slices.SortFunc(out, compareFactSums)
	return out
}
