//go:build linux

package faults

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// T11: presses whose clocks jump by a day, to 1970, to 2106, over the end of summer time and back. What lies
// outside the bounds becomes a dead letter, whole; what lies inside is stored under its seq in the order of the seqs, and
// no partition arises beyond the months of the bounds. Nothing stops: the mark passes all.
func TestClocksJump(t *testing.T) {
	now := time.Date(2026, 11, 1, 9, 0, 0, 0, time.UTC)
	const past, future = 400 * 24 * time.Hour, 10 * time.Minute
	r := newRig(t, now, past, future)
	db := r.db

	jumps := map[string]func(time.Time) time.Time{
		"none":                  func(w time.Time) time.Time { return w },
		"a day on":              func(w time.Time) time.Time { return w.Add(24 * time.Hour) },
		"a day back":            func(w time.Time) time.Time { return w.Add(-24 * time.Hour) },
		"an hour back":          func(w time.Time) time.Time { return w.Add(-time.Hour) },
		"right":                 func(time.Time) time.Time { return now.Add(-2 * time.Hour) },
		"1970":                  func(time.Time) time.Time { return time.Unix(0, 0).UTC() },
		"2106, end of 32 bits":  func(time.Time) time.Time { return time.Unix(1<<32-60, 0).UTC().Truncate(time.Minute) },
		"2038, end of 31 bits":  func(time.Time) time.Time { return time.Unix(1<<31-60, 0).UTC().Truncate(time.Minute) },
		"end of summer time":    func(time.Time) time.Time { return time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC) },
		"start of summer time":  func(time.Time) time.Time { return time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC) },
		"turn of the year":      func(time.Time) time.Time { return time.Date(2025, 12, 31, 23, 58, 0, 0, time.UTC) },
		"the last instant past": func(time.Time) time.Time { return now.Add(-past) },
		"just too far back":     func(time.Time) time.Time { return now.Add(-past - time.Minute) },
	}
	var names []string
	for name := range jumps {
		names = append(names, name)
	}
	slices.Sort(names)
	press, stored, dead := 0, 0, 0
	months := map[string]bool{}
	rapid.Check(t, func(rt *rapid.T) {
		if press >= 40 && !*long { // each press is a whole way through log and warehouse
			return
		}
		press++
		name := fmt.Sprintf("p%d", press)
		wall := now.Add(-2 * time.Hour)
		var records []byte
		var want, lost []int64 // instants by seq; lost: 0 where stored
		n := rapid.IntRange(1, 30).Draw(rt, "events")
		for range n {
			wall = jumps[rapid.SampledFrom(names).Draw(rt, "jump")](wall)
			from := wall.Truncate(time.Minute)
			wall = wall.Add(time.Minute)
			ms := from.UnixMilli()
			e := &pb.Event{OccurredAt: stamp(ms), RecordedAt: stamp(ms), Body: &pb.Event_Slice{Slice: &pb.Slice{From: stamp(ms), To: stamp(ms + 60_000),
				State: pb.State_STATE_PRODUCTION, RatedMmPerMin: proto.Int64(60_000), GoodMm: 1000}}}
			var err error
			if records, err = eventlog.AppendEvent(records, e); err != nil {
				rt.Fatal(err)
			}
			if from.Before(now.Add(-past)) || from.After(now.Add(future)) {
				lost = append(lost, ms)
			} else {
				want = append(want, ms)
				months[from.Format("200601")] = true
			}
		}
		frame, err := eventlog.EncodeFrame(&pb.FrameHeader{Plant: "rhein", Press: name, Epoch: 7, FirstSeq: 1, Count: uint32(n)}, records)
		if err != nil {
			rt.Fatal(err)
		}
		r.send(rt, name, frame)
		r.waitMark(rt, name, 7, uint64(n))
		var got []int64
		var deadSeqs uint64
		for sql, to := range map[string]any{
			"SELECT arrayMap(x -> x.2, arraySort(groupArray((seq, toUnixTimestamp64Milli(occurred_at))))) FROM events FINAL WHERE press = {p:String}": &got,
			"SELECT uniqExact(seq) FROM dead WHERE press = {p:String} AND payload != ''":                                                              &deadSeqs,
		} {
			if err := db.Conn().QueryRow(r.ctx, sql, clickhouse.Named("p", name)).Scan(to); err != nil {
				rt.Fatal(err)
			}
		}
		if !slices.Equal(got, want) {
			rt.Fatalf("%s: instants by seq %v, want %v (dead: %v)", name, got, want, lost)
		}
		if deadSeqs != uint64(len(lost)) {
			rt.Fatalf("%s: %d dead letters, want those of %v", name, deadSeqs, lost)
		}
		stored, dead = stored+len(want), dead+len(lost)
	})
	var parts []string
	if err := db.Conn().QueryRow(r.ctx, "SELECT arraySort(groupUniqArray(_partition_id)) FROM events").Scan(&parts); err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		if !months[p] || p < now.Add(-past).Format("200601") || p > now.Add(future).Format("200601") {
			t.Errorf("a partition %s; the bounds are %s and %s", p, now.Add(-past).Format("200601"), now.Add(future).Format("200601"))
		}
	}
	t.Logf("%d presses, %d events stored, %d dead, partitions %v", press, stored, dead, parts)
	if stored < 50 || dead < 50 || len(parts) < 3 {
		t.Errorf("%d stored and %d dead in %d partitions: too few to say much", stored, dead, len(parts))
	}
}
