package warehouse

import (
	"context"
	"errors"
	"fmt"
	"io"

	chproto "github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
)

// slicesRead is a block of the columns of selectSlices, as the engine sends them.
// A press's year is half a million rows, and to scan them row by row
// costs several times what decoding their columns does.
type slicesRead struct {
	at, delay, dur, rated, good, waste chproto.ColInt64
	epoch, seq                         chproto.ColUInt64
	state                              chproto.ColUInt8
	job                                textColumn
	reason, station                    *chproto.ColLowCardinality[string]
}

func (c *slicesRead) results() chproto.Results {
	cols := []chproto.ColResult{&c.at, &c.epoch, &c.seq, &c.delay, &c.dur, &c.state, c.reason, c.station, &c.job, &c.rated, &c.good, &c.waste}
	out := make(chproto.Results, len(cols))
	for i, col := range cols {
		out[i] = chproto.ResultColumn{Data: col} // by place: the first has no name of its own
	}
	return out
}

// textColumn gives one copy of equal texts.
type textColumn struct {
	chproto.ColStr
	same interner
	last string
}

// Row is the i-th text.
func (c *textColumn) Row(i int) string {
	b := c.RowBytes(i)
	if string(b) != c.last { // neighbors are mostly equal
		t, ok := c.same[string(b)] // makes no copy
		if !ok {
			t = c.same.of(string(b))
		}
		c.last = t
	}
	return c.last
}

var _ chproto.ColumnOf[string] = (*textColumn)(nil)

// readSlicesByColumns is readSlices over HTTP; ok is false where the connection
// does not offer it.
func (db *DB) readSlicesByColumns(ctx context.Context, query string, args []any, add func(s *timeline.Slice, dur int64)) (ok bool, err error) {
	body, err := db.conn.QueryFormat(ctx, "Native", query, args...)
	if errors.Is(err, clickhouse.ErrFormatNativeUnsupported) {
		return false, nil
	} else if err != nil {
		return true, err
	}
	defer body.Close()
	same := interner{}
	c := slicesRead{job: textColumn{same: same}}
	c.reason = chproto.NewLowCardinality[string](&textColumn{same: same})
	c.station = chproto.NewLowCardinality[string](&textColumn{same: same})
	in, results := chproto.NewReader(body), c.results()
	var s timeline.Slice
	for {
		var block chproto.Block
		if err := block.DecodeRawBlock(in, 0, results); errors.Is(err, io.EOF) && block.Columns == 0 {
			return true, nil // at the end of a block, not inside one
		} else if err != nil {
			return true, fmt.Errorf("decode: %w", err)
		}
		for i := range block.Rows {
			at := c.at[i]
			s.Epoch, s.Seq, s.From, s.To, s.Recorded = c.epoch[i], c.seq[i], at, at+c.dur[i], at+c.delay[i]
			s.State, s.Reason, s.Station, s.Job = timeline.State(c.state[i]), c.reason.Row(i), c.station.Row(i), c.job.Row(i)
			s.Rated, s.Good, s.Waste = c.rated[i], c.good[i], c.waste[i]
			add(&s, c.dur[i])
		}
	}
}

// readSlicesByRows is readSlices over the native protocol.
func (db *DB) readSlicesByRows(ctx context.Context, query string, args []any, add func(s *timeline.Slice, dur int64)) error {
	rows, err := db.conn.Query(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	var s timeline.Slice
	var at, delay, dur int64
	var state uint8
	same := interner{}
	dest := []any{&at, &s.Epoch, &s.Seq, &delay, &dur, &state, &s.Reason, &s.Station, &s.Job, &s.Rated, &s.Good, &s.Waste}
	for rows.Next() {
		if err := rows.Scan(dest...); err != nil {
			return err
		}
		s.From, s.To, s.Recorded, s.State = at, at+dur, at+delay, timeline.State(state)
		s.Reason, s.Station, s.Job = same.of(s.Reason), same.of(s.Station), same.of(s.Job)
		add(&s, dur)
	}
	return rows.Err()
}
