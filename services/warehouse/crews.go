package warehouse

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
)

// CrewElsewhere says that a crew with a session open on one press had one open
// on another.
type CrewElsewhere struct {
	Press             string // "plant/press"
	Crew              string // pseudonym
	timeline.Interval        // when the other session was open
}

// CrewsElsewhere finds, for the sessions of presses ("plant/press"; nil: all)
// that begin on the days from to to, both included, the sessions that the same
// crew had open on another press of the plant at once. A crew is one that opened
// the session or signed off in it.
func (db *DB) CrewsElsewhere(ctx context.Context, presses []string, from, to timeline.Day) ([]CrewElsewhere, error) {
	args := []any{clickhouse.Named("from", fmt.Sprint(int32(from-1))), clickhouse.Named("to", fmt.Sprint(int32(to+1)))}
	mine := ""
	if presses != nil {
		mine = " AND has({presses:Array(String)}, concat(a.plant, '/', a.press))"
		args = append(args, clickhouse.Named("presses", presses))
	}
	rows, err := db.conn.Query(ctx, `
WITH s AS (SELECT DISTINCT plant, press, crew, session_from_ms AS f, session_to_ms AS t
           FROM station_visits FINAL WHERE crew != '' AND day BETWEEN {from:Int32} AND {to:Int32})
SELECT DISTINCT concat(a.plant, '/', a.press) AS press, a.crew, b.f, b.t
FROM s AS a INNER JOIN s AS b ON a.plant = b.plant AND a.crew = b.crew
WHERE a.press != b.press AND a.f < b.t AND b.f < a.t`+mine+`
ORDER BY ALL`, args...)
	if err != nil {
		return nil, fmt.Errorf("look for crews on two presses: %w", err)
	}
	defer rows.Close()
	var out []CrewElsewhere
	for rows.Next() {
		var c CrewElsewhere
		if err := rows.Scan(&c.Press, &c.Crew, &c.From, &c.To); err != nil {
			return nil, fmt.Errorf("look for crews on two presses: %w", err)
		}
		out = append(out, c)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("look for crews on two presses: %w", err)
	}
	return out, nil
}

// HandBacks counts sessions and what their crews did not state when they handed
// the press back.
type HandBacks struct{ Sessions, NotClosed, Tools, Guards, Isolation int64 }

// HandBacks counts the sessions of presses ("plant/press"; nil: all) that begin
// on the days from to to, both included.
func (db *DB) HandBacks(ctx context.Context, presses []string, from, to timeline.Day) (HandBacks, error) {
	where, args := scopeWhere(presses, from, to)
	var h HandBacks
	err := db.conn.QueryRow(ctx, `
SELECT toInt64(count()), toInt64(countIf(NOT bitTest(checks, 3))), toInt64(countIf(bitTest(checks, 3) AND NOT bitTest(checks, 0))),
       toInt64(countIf(bitTest(checks, 3) AND NOT bitTest(checks, 1))), toInt64(countIf(bitTest(checks, 3) AND NOT bitTest(checks, 2)))
FROM station_visits FINAL WHERE seq = -1 AND `+where, args...).Scan(&h.Sessions, &h.NotClosed, &h.Tools, &h.Guards, &h.Isolation)
	if err != nil {
		return h, fmt.Errorf("count hand-backs: %w", err)
	}
	return h, nil
}
