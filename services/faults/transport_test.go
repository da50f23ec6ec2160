//go:build linux

package faults

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"pgregory.net/rapid"
)

// T3: what lies between agent and ingest doubles, drops, delays, turns round and cuts frames otherwise than
// before; once every event has come through once, the table reads as if each had come once and in order.
func TestTransportChaos(t *testing.T) {
	r := newRig(t, time.UnixMilli(t0).Add(60*24*time.Hour), 400*24*time.Hour, 10*time.Minute)
	press, frames, events := 0, 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		if press >= 40 && !*long {
			return
		}
		press++
		calm, shaken := fmt.Sprintf("calm-%d", press), fmt.Sprintf("p%d", press)
		n := rapid.IntRange(1, 200).Draw(rt, "events")
		evs := slicesOf(7, 1, n)
		for i, e := range evs { // some days late, and over the turn of a month: two partitions
			late := int64(rapid.IntRange(0, 3).Draw(rt, "days")) * 15 * 24 * 3600 * 1000
			at := t0 + late + int64(i)*60_000
			e.OccurredAt, e.RecordedAt, e.GetSlice().From, e.GetSlice().To = stamp(at), stamp(at), stamp(at), stamp(at+60_000)
			e.GetSlice().GoodMm = int64(i)
		}
		r.send(rt, calm, frame(rt, calm, 7, 1, evs))
		type piece struct{ first, last int } // of evs, half-open
		cut := func() (out []piece) {
			for first := 0; first < n; {
				last := min(n, first+rapid.IntRange(1, 60).Draw(rt, "size"))
				out = append(out, piece{first, last})
				first = last
			}
			return out
		}
		var under []piece
		dropped := []piece{}
		for range rapid.IntRange(1, 3).Draw(rt, "sendings") { // each cut otherwise
			for _, p := range cut() {
				switch rapid.IntRange(0, 5).Draw(rt, "fate") {
				case 0:
					dropped = append(dropped, p)
				case 1:
					under = append(under, p, p)
				default:
					under = append(under, p)
				}
			}
		}
		order := rapid.Permutation(under).Draw(rt, "order")
		if rapid.Bool().Draw(rt, "in order") {
			order = under
		}
		for _, p := range slices.Concat(order, dropped) { // what was dropped is sent again, by an agent that sees its mark stand
			r.send(rt, shaken, frame(rt, shaken, 7, uint64(p.first)+1, evs[p.first:p.last]))
			frames++
		}
		r.waitMark(rt, calm, 7, uint64(n))
		r.waitMark(rt, shaken, 7, uint64(n))
		sum := func(name string) (rows uint64, sum uint64) {
			err := r.db.Conn().QueryRow(r.ctx, `SELECT count(), sum(cityHash64(epoch, seq, kind, occurred_at, recorded_delay_ms, dur_ms, state, job, rated_mm_per_min, good_mm, waste_mm, raw))
				FROM events FINAL WHERE press = {p:String}`, clickhouse.Named("p", name)).Scan(&rows, &sum)
			if err != nil {
				rt.Fatal(err)
			}
			return rows, sum
		}
		wantRows, want := sum(calm)
		rows, got := sum(shaken)
		if rows != uint64(n) || wantRows != uint64(n) || got != want {
			rt.Fatalf("%s: %d rows of %d, calm %d; checksum %d, calm %d; sent %v, then %v", shaken, rows, n, wantRows, got, want, order, dropped)
		}
		events += n
	})
	t.Logf("%d presses, %d events in %d frames", press, events, frames)
	if press < 20 && !t.Failed() {
		t.Errorf("only %d presses", press)
	}
	var dead uint64
	if err := r.db.Conn().QueryRow(r.ctx, "SELECT count() FROM dead").Scan(&dead); err != nil || dead != 0 {
		t.Errorf("%d dead letters, %v", dead, err)
	}
}
