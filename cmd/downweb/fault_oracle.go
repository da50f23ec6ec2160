package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// The oracle of the fault tests reads the agent's input files as JSON and nothing else: no part of the line, no proto,
// no rule is shared with what it checks.

// factKind is the number under which the log keeps a body, by its name in a line (event.proto, testdata/agent/FORMAT.md).
var factKind = map[string]uint8{"slice": 10, "cleaningOpened": 11, "cleaningClosed": 12, "stationSignedOff": 13, "stationSkipped": 14, "reasonNoted": 15,
	"defectSeen": 16, "wasteBooked": 17, "jobStarted": 18, "jobEnded": 19, "jobCorrected": 20, "voided": 21, "periodClosed": 22, "clockStepped": 23}

// fact is what an event says as far as both a line and a stored row can tell it without knowing its identity. Lines of
// the simulated fleet differ in it: each slice by its press and start, all else by its source key.
type fact struct {
	Kind         uint8
	Plant, Press string
	At           int64 // unix ms
	Dur          int64 // ms
	Good, Waste  int64 // mm
	Length       int64 // mm
	Key          string
}

// tally is how often each fact stands somewhere, with sums.
type tally struct {
	Facts map[fact]int64
	Count map[uint8]int64 // events by kind
	Sum   totals
}

// totals are sums over all events.
type totals struct {
	Events                int64
	Ms                    int64
	Good, Waste, LengthMm int64
}

func newTally() *tally { return &tally{Facts: map[fact]int64{}, Count: map[uint8]int64{}} }

func (t *tally) add(f fact, n int64) {
	t.Facts[f] += n
	t.Count[f.Kind] += n
	t.Sum.Events += n
	t.Sum.Ms += n * f.Dur
	t.Sum.Good += n * f.Good
	t.Sum.Waste += n * f.Waste
	t.Sum.LengthMm += n * f.Length
}

// tallyLines reads JSON lines of events.
func tallyLines(r io.Reader) (*tally, error) {
	t := newTally()
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		if len(bytes.TrimSpace(lines.Bytes())) == 0 {
			continue
		}
		f, err := lineFact(lines.Bytes())
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		t.add(f, 1)
	}
	return t, lines.Err()
}

// lineFact reads one line.
func lineFact(line []byte) (fact, error) {
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(line, &fields); err != nil {
		return fact{}, err
	}
	f := fact{}
	var body struct {
		From, To                             time.Time
		Before, After                        time.Time
		GoodMm, WasteMm, LengthMm, PlannedMm json.RawMessage
	}
	var occurred time.Time
	for name, raw := range fields {
		var to any
		switch name {
		case "plant":
			to = &f.Plant
		case "press":
			to = &f.Press
		case "sourceKey":
			to = &f.Key
		case "occurredAt":
			to = &occurred
		default:
			kind, ok := factKind[name]
			if !ok {
				continue
			}
			f.Kind, to = kind, &body
		}
		if err := json.Unmarshal(raw, to); err != nil {
			return fact{}, fmt.Errorf("%s: %w", name, err)
		}
	}
	if f.Kind == 0 {
		return fact{}, fmt.Errorf("no body that is known")
	}
	var err error
	mm := func(raw json.RawMessage) (n int64) { // "12" and 12 both
		if raw = bytes.Trim(raw, `"`); len(raw) > 0 && err == nil {
			err = json.Unmarshal(raw, &n)
		}
		return n
	}
	f.Good, f.Waste, f.Length = mm(body.GoodMm), mm(body.WasteMm), mm(body.LengthMm)+mm(body.PlannedMm)
	f.At = occurred.UnixMilli()
	if f.Kind == factKind["slice"] {
		f.At = body.From.UnixMilli()
	}
	f.Dur = body.To.Sub(body.From).Milliseconds() + body.After.Sub(body.Before).Milliseconds()
	return f, err
}

// tallyStored reads what the warehouse holds, each identity once; repeats is how many rows it holds beyond that.
func tallyStored(ctx context.Context, conn clickhouse.Conn) (t *tally, repeats int64, err error) {
	t = newTally()
	rows, err := conn.Query(ctx, `SELECT kind, plant, press, toUnixTimestamp64Milli(occurred_at), dur_ms, good_mm, waste_mm, length_mm, source_key, toInt64(count())
		FROM events FINAL GROUP BY ALL`)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var f fact
		var n int64
		if err := rows.Scan(&f.Kind, &f.Plant, &f.Press, &f.At, &f.Dur, &f.Good, &f.Waste, &f.Length, &f.Key, &n); err != nil {
			return nil, 0, err
		}
		t.add(f, n)
	}
	if err := rows.Err(); err != nil {
		return nil, 0, err
	}
	// The engine's own sums, which must be those of the rows it gave.
	var s totals
	var identities, all int64
	err = conn.QueryRow(ctx, `SELECT toInt64(count()), sum(dur_ms), sum(good_mm), sum(waste_mm), sum(length_mm), toInt64(uniqExact(plant, press, epoch, seq)) FROM events FINAL`).
		Scan(&s.Events, &s.Ms, &s.Good, &s.Waste, &s.LengthMm, &identities)
	if err != nil {
		return nil, 0, err
	}
	if s != t.Sum || identities != s.Events {
		return nil, 0, fmt.Errorf("the warehouse says %+v over %d identities and gives rows of %+v", s, identities, t.Sum)
	}
	if err := conn.QueryRow(ctx, `SELECT toInt64(count()) FROM events`).Scan(&all); err != nil {
		return nil, 0, err
	}
	return t, all - s.Events, nil
}

// compare counts what of the input is not stored, and what is stored beyond the input.
func (t *tally) compare(stored *tally) (lost, doubled int64) {
	for f, n := range t.Facts {
		lost += max(0, n-stored.Facts[f])
	}
	for f, n := range stored.Facts {
		doubled += max(0, n-t.Facts[f])
	}
	return lost, doubled
}
