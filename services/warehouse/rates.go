package warehouse

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/downweb/downweb/analytics/timeline"
)

// rate is how the time of a press-day is priced.
type rate struct {
	currency    string
	constrained bool
	hourMicro   int64
}

// pressRates is the rate of every press in stretches of days, cut wherever the
// rate of any press of the scope changes. Rates change at the start of a
// production day and rarely: a few stretches tell all.
type pressRates struct {
	cuts []timeline.Day // first days of the second and later stretches
	by   map[[2]string][]rateRun
}

// rateRun is the days on which a press had one rate.
type rateRun struct {
	rate
	first, last timeline.Day
}

// maxCuts bounds the stretches.
const maxCuts = 64

// rates reads the rates of the press-days that a condition holds for. It is nil
// where a press's rate came back after another one, or rates change often: then
// stretches do not tell them.
func (db *DB) rates(ctx context.Context, where string, args []any) (*pressRates, error) {
	rows, err := db.conn.Query(readContext(ctx), `SELECT plant, press, currency, constrained, hour_micro, min(day) AS first, max(day) AS last
FROM press_days_by_month FINAL WHERE `+where+` GROUP BY plant, press, currency, constrained, hour_micro ORDER BY plant, press, first`, args...)
	if err != nil {
		return nil, fmt.Errorf("read rates: %w", err)
	}
	defer rows.Close()
	p := &pressRates{by: map[[2]string][]rateRun{}}
	told := true
	for rows.Next() {
		var id [2]string
		var r rateRun
		if err := rows.Scan(&id[0], &id[1], &r.currency, &r.constrained, &r.hourMicro, (*int32)(&r.first), (*int32)(&r.last)); err != nil {
			return nil, fmt.Errorf("read rates: %w", err)
		}
		if runs := p.by[id]; len(runs) > 0 {
			told = told && runs[len(runs)-1].last < r.first
			p.cuts = append(p.cuts, r.first)
		}
		p.by[id] = append(p.by[id], r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read rates: %w", err)
	}
	slices.Sort(p.cuts)
	p.cuts = slices.Compact(p.cuts)
	if !told || len(p.cuts) > maxCuts {
		return nil, nil
	}
	return p, nil
}

// stretch is the number of a day's stretch, in SQL.
func (p *pressRates) stretch() string {
	parts := []string{"toUInt32(0)"}
	for _, c := range p.cuts {
		parts = append(parts, fmt.Sprintf("(day >= %d)", int32(c)))
	}
	return "toUInt32(" + strings.Join(parts, " + ") + ")"
}

// maxRateTable bounds the text of a number in SQL; a variable for tests.
var maxRateTable = 30_000

// numbers is an expression that gives every fact the number of its rate in list,
// of which the first is of presses without press-days; ok is false where it would
// be too long. To group by the number of a rate, of which there are few, costs
// half of what it costs to group by press; and plant and press are looked up once
// for each of their names, not for each row.
func (p *pressRates) numbers() (sql string, list []rate, ok bool) {
	plants, names := map[string]int{}, map[string]int{}
	var plantList, nameList []string
	for id := range p.by {
		plants[id[0]], names[id[1]] = 0, 0
	}
	for n := range plants {
		plantList = append(plantList, n)
	}
	for n := range names {
		nameList = append(nameList, n)
	}
	slices.Sort(plantList)
	slices.Sort(nameList)
	size := len(plantList) * len(nameList) * (len(p.cuts) + 1)
	if size == 0 || size > maxRateTable {
		return "", nil, false
	}
	list = []rate{{}}
	table := make([]string, 0, size)
	for stretch := range len(p.cuts) + 1 {
		for _, plant := range plantList {
			for _, press := range nameList {
				n := 0
				if r := p.of(plant, press, stretch); r != (rate{}) {
					if n = slices.Index(list, r); n < 0 {
						n = len(list)
						list = append(list, r)
					}
				}
				table = append(table, strconv.Itoa(n))
			}
		}
	}
	number := func(column string, of []string) string {
		texts, numbers := make([]string, len(of)), make([]string, len(of))
		for i, n := range of {
			texts[i], numbers[i] = quoted(n), strconv.Itoa(i)
		}
		// What is not in the list falls behind the table, where its elements are 0.
		return fmt.Sprintf("transform(%s, [%s], CAST([%s] AS Array(UInt32)), toUInt32(%d))", column, strings.Join(texts, ","), strings.Join(numbers, ","), size)
	}
	sql = fmt.Sprintf("arrayElement(CAST([%s] AS Array(UInt32)), 1 + (%s * %d + %s) * %d + %s)",
		strings.Join(table, ","), p.stretch(), len(plantList), number("plant", plantList), len(nameList), number("press", nameList))
	return sql, list, true
}

// of is the rate of a press on a stretch: the last one that began in it or
// before, which is that of each of its press-days there. A press without
// press-days has none.
func (p *pressRates) of(plant, press string, stretch int) rate {
	runs := p.by[[2]string{plant, press}]
	if len(runs) == 0 {
		return rate{}
	}
	r := runs[0].rate
	for _, x := range runs[1:] {
		if stretch > 0 && x.first <= p.cuts[stretch-1] {
			r = x.rate
		}
	}
	return r
}
