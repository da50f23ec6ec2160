package warehouse

import (
	"cmp"
	"encoding/binary"
	"hash/maphash"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Series ask for every day of a fleet again and again, of which all months but the last are as they were. A dayMemo keeps
// what the presses of a question add up to on each day of a month, by rate.
type dayMemo struct {
	cells uint64 // a hash of the cells' names and versions: other cells, another memo
	days  []daysOfRate
}

type daysOfRate struct {
	day  timeline.Day
	rate uint16
	daySum
}

// memosOfMonth bounds how many scopes are kept for a month.
const memosOfMonth = 4

var memoSeed = maphash.MakeSeed()

// monthsByDay adds up cells by month, day and rate, from memory where the same cells were added up before.
func (c *dayCache) monthsByDay(keys []cellKey, cells []*dayCell, columns int) []daysOfRate {
	type month struct {
		hash  maphash.Hash
		cells []*dayCell
	}
	months := map[int32]*month{}
	var order []int32
	for i, k := range keys {
		m := months[k.month]
		if m == nil {
			m = &month{}
			m.hash.SetSeed(memoSeed)
			months[k.month] = m
			order = append(order, k.month)
		}
		m.hash.WriteString(k.press)
		var ver [9]byte // a name ends where this begins
		binary.LittleEndian.PutUint64(ver[1:], cells[i].ver)
		m.hash.Write(ver[:])
		m.cells = append(m.cells, cells[i])
	}
	slices.Sort(order)
	var out []daysOfRate
	for _, n := range order {
		m := months[n]
		sum := m.hash.Sum64()
		days := c.memo(n, sum)
		if days == nil {
			days = sumByDay(m.cells, columns)
			c.keepMemo(n, sum, days)
		}
		out = append(out, days...)
	}
	return out
}

func (c *dayCache) memo(month int32, cells uint64) []daysOfRate {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, m := range c.memos[month] {
		if m.cells == cells { // those asked for last come last
			c.memos[month] = append(slices.Delete(c.memos[month], i, i+1), m)
			return m.days
		}
	}
	return nil
}

// keepMemo keeps a sum, if all of them stay within a part of the budget.
func (c *dayCache) keepMemo(month int32, cells uint64, days []daysOfRate) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(days) == 0 {
		return
	}
	size := memosOfMonth * (len(c.memos) + 1) * len(days) * (64 + 8*len(days[0].values))
	if size > c.budget/4 {
		return
	}
	list := c.memos[month]
	if len(list) == memosOfMonth {
		list = list[1:]
	}
	c.memos[month] = append(list, dayMemo{cells, days})
}

// sumByDay adds up the rows of cells by day and rate, in that order.
func sumByDay(cells []*dayCell, columns int) []daysOfRate {
	type group struct {
		day  timeline.Day
		rate uint16
	}
	at := map[group]*daysOfRate{}
	for _, cell := range cells {
		begin := uint32(0)
		for _, r := range cell.rows {
			g := group{r.day, r.rate}
			s := at[g]
			if s == nil {
				s = &daysOfRate{day: r.day, rate: r.rate, daySum: daySum{last: r.last, values: make([]int64, columns)}}
				at[g] = s
			}
			s.add(1, r.last)
			addRow(s.values, cell.data[begin:r.end])
			begin = r.end
		}
	}
	out := make([]daysOfRate, 0, len(at))
	for _, s := range at {
		out = append(out, *s)
	}
	slices.SortFunc(out, func(a, b daysOfRate) int { return cmp.Or(cmp.Compare(a.day, b.day), cmp.Compare(a.rate, b.rate)) })
	return out
}
