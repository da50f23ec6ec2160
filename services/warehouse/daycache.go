package warehouse

import (
	"cmp"
	"encoding/binary"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
)

// dayCache keeps press-days in memory as the questions of losses read them: the
// columns that add up, without zeros. It is no second truth. Every question first
// reads the highest version of each press and month, which a write raises (see
// WriteProjections) and a merge does not change, and reads again what is not of
// that version: what it answers is what the table holds at that moment.
//
// 182,500 press-days of 45 columns that are not zero take about 40 MB.
type dayCache struct {
	budget int // bytes of all cells

	refresh sync.Mutex // one reads the table at a time: the next finds what it read

	mu    sync.Mutex
	table string // UUID of the table the cells are of: a rebuild puts another in its place
	cells map[cellKey]*dayCell
	size  int
	clock uint64 // of uses
	rates []rate
	rate  map[rate]uint16

	months map[int32]*dayMonth
	memos  map[int32][]dayMemo // of the cells above

	facts    map[factKey]*factMemo
	factRows int // of all

	frontiers     map[string]int64 // of frontierParts; refresh guards both
	frontierParts dayParts
}

// cellKey is a press and a month: a partition of the table.
type cellKey struct {
	press string // "plant/press"
	month int32  // as monthOf counts
}

// dayCell is the press-days of one press in one month. It is not changed once
// made.
type dayCell struct {
	ver  uint64
	used uint64
	rows []dayRow // by day
	data []byte   // columns of all rows, see appendRow
	sums []rateSum
}

// rateSum is the whole of a cell's rows of one rate.
type rateSum struct {
	rate uint16
	daySum
}

// addUp fills sums: most questions ask for whole months.
func (c *dayCell) addUp(columns int) {
	begin := uint32(0)
	for _, r := range c.rows {
		i := slices.IndexFunc(c.sums, func(s rateSum) bool { return s.rate == r.rate })
		if i < 0 {
			i = len(c.sums)
			c.sums = append(c.sums, rateSum{r.rate, daySum{last: r.last, values: make([]int64, columns)}})
		}
		c.sums[i].add(1, r.last)
		addRow(c.sums[i].values, c.data[begin:r.end])
		begin = r.end
	}
	c.sums = slices.Clip(c.sums)
}

type dayRow struct {
	day  timeline.Day
	rate uint16
	end  uint32 // of its columns in data
	last int64  // through_ms
}

func (c *dayCell) bytes() int {
	n := 140 + 24*cap(c.rows) + cap(c.data)
	for _, s := range c.sums {
		n += 48 + 8*len(s.values)
	}
	return n
}

// KeepDays lets LossSums keep press-days in memory, up to a number of bytes; 0:
// none. It is called before the first question.
func (db *DB) KeepDays(bytes int) {
	db.days = nil
	if bytes > 0 {
		db.days = newDayCache(bytes)
	}
}

func newDayCache(budget int) *dayCache {
	c := &dayCache{budget: budget, facts: map[factKey]*factMemo{}}
	c.empty("")
	return c
}

func (c *dayCache) empty(table string) {
	c.table, c.cells, c.size, c.rates, c.rate = table, map[cellKey]*dayCell{}, 0, nil, map[rate]uint16{}
	c.months, c.memos = map[int32]*dayMonth{}, map[int32][]dayMemo{}
}

// monthOf is the month of a day: months since January of the year 0.
func monthOf(d timeline.Day) int32 {
	t := time.Unix(int64(d)*86_400, 0).UTC()
	return int32(t.Year()*12+int(t.Month())) - 1
}

// firstOf is the first day of a month.
func firstOf(month int32) timeline.Day {
	return timeline.Day(time.Date(int(month/12), time.Month(month%12+1), 1, 0, 0, 0, 0, time.UTC).Unix() / 86_400)
}

// appendRow adds columns that are not zero: the number of the column and its
// value, as variable-length integers.
func appendRow(to []byte, values []int64) []byte {
	for i, v := range values {
		if v != 0 {
			to = append(to, byte(i))
			to = binary.AppendVarint(to, v)
		}
	}
	return to
}

// addRow adds the columns of a row.
func addRow(to []int64, data []byte) {
	for len(data) > 0 {
		i := data[0]
		v, n := binary.Varint(data[1:])
		to[i] += v
		data = data[1+n:]
	}
}

// rateNumber is the number of a rate. c.mu is held.
func (c *dayCache) rateNumber(r rate) (uint16, bool) {
	n, ok := c.rate[r]
	if !ok {
		if len(c.rates) == 1<<16 {
			return 0, false
		}
		n = uint16(len(c.rates))
		c.rates, c.rate[r] = append(c.rates, r), n
	}
	return n, true
}

// put keeps a cell and drops those used longest ago, if there are too many.
// c.mu is held.
func (c *dayCache) put(k cellKey, cell *dayCell) {
	if old := c.cells[k]; old != nil {
		c.size -= old.bytes()
	}
	c.cells[k] = cell
	c.size += cell.bytes()
}

// trim drops cells used longest ago until the rest fits. c.mu is held.
func (c *dayCache) trim() {
	if c.size <= c.budget {
		return
	}
	keys := make([]cellKey, 0, len(c.cells))
	for k := range c.cells {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b cellKey) int {
		return cmp.Or(cmp.Compare(c.cells[a].used, c.cells[b].used), cmp.Compare(a.month, b.month), strings.Compare(a.press, b.press))
	})
	for _, k := range keys {
		if c.size <= c.budget*3/4 { // not for every question again
			return
		}
		c.size -= c.cells[k].bytes()
		delete(c.cells, k)
	}
}

// daySum is what press-days of one rate add up to.
type daySum struct {
	n      int64
	last   int64
	values []int64
}

func (s *daySum) add(n, last int64) {
	s.n += n
	s.last = max(s.last, last)
}

// dayGroup is a press, or a day, at one rate.
type dayGroup struct {
	press string
	day   timeline.Day
	rate  uint16
}

// sumCells adds up the rows of cells from a day to a day, by press or by day.
func (c *dayCache) sumCells(by LossGroup, keys []cellKey, cells []*dayCell, rates []rate, cols []field[timeline.PressDay], from, to timeline.Day) []timeline.LossSum {
	sums := map[dayGroup]*daySum{}
	if by == ByDay {
		days := c.monthsByDay(keys, cells, len(cols))
		for i := range days {
			if d := days[i].day; d >= from && d <= to {
				sums[dayGroup{day: d, rate: days[i].rate}] = &days[i].daySum
			}
		}
	} else {
		sumByPress(sums, keys, cells, len(cols), from, to)
	}
	type purse struct {
		key         string
		currency    string
		constrained bool
	}
	out := map[purse]*timeline.LossSum{}
	for g, s := range sums {
		r := rates[g.rate]
		key := g.press
		if by == ByDay {
			key = g.day.String()
		}
		p := purse{key, r.currency, r.constrained}
		x := out[p]
		if x == nil {
			x = &timeline.LossSum{Key: key, PressDay: timeline.PressDay{Currency: r.currency, Constrained: r.constrained, Through: s.last}}
			out[p] = x
		}
		part := timeline.LossSum{PressDays: s.n, PressDay: timeline.PressDay{HourMicro: r.hourMicro, Through: s.last}}
		for i, c := range cols {
			*c.ptr(&part.PressDay).(*int64) = s.values[i]
		}
		addSum(x, &part, cols)
	}
	list := make([]timeline.LossSum, 0, len(out))
	for _, x := range out {
		list = append(list, *x)
	}
	slices.SortFunc(list, func(a, b timeline.LossSum) int {
		return cmp.Or(strings.Compare(a.Key, b.Key), strings.Compare(a.Currency, b.Currency), cmp.Compare(bit(a.Constrained, 1), bit(b.Constrained, 1)))
	})
	return list
}

// sumByPress adds the rows of cells from a day to a day to the sums of their presses.
func sumByPress(sums map[dayGroup]*daySum, keys []cellKey, cells []*dayCell, columns int, from, to timeline.Day) {
	of := func(press string, rate uint16, last int64) *daySum {
		g := dayGroup{press: press, rate: rate}
		s := sums[g]
		if s == nil {
			s = &daySum{last: last, values: make([]int64, columns)}
			sums[g] = s
		}
		return s
	}
	for i, cell := range cells {
		press, month := keys[i].press, keys[i].month
		if from <= firstOf(month) && firstOf(month+1) <= to+1 {
			for _, part := range cell.sums {
				s := of(press, part.rate, part.last)
				s.add(part.n, part.last)
				for j, v := range part.values {
					s.values[j] += v
				}
			}
			continue
		}
		var s *daySum
		rate, begin := uint16(0), uint32(0)
		for _, r := range cell.rows {
			data := cell.data[begin:r.end]
			begin = r.end
			if r.day < from || r.day > to {
				continue
			}
			if s == nil || r.rate != rate {
				s, rate = of(press, r.rate, r.last), r.rate
			}
			s.add(1, r.last)
			addRow(s.values, data)
		}
	}
}
