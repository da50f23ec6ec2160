package engine_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// The features of ClickHouse on which the warehouse's schema and the projector build.

func TestReplacingFinal(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	exec1(t, conn, `CREATE TABLE days (plant LowCardinality(String), day Date, v Int64, ver UInt64, gone UInt8)
		ENGINE = ReplacingMergeTree(ver, gone) PARTITION BY toYYYYMM(day) ORDER BY (plant, day)`)
	exec1(t, conn, "SYSTEM STOP MERGES days")
	exec1(t, conn, "INSERT INTO days SETTINGS optimize_on_insert = 0 VALUES ('a', '2026-06-01', 1, 1, 0), ('a', '2026-06-02', 2, 1, 0), ('a', '2026-07-01', 3, 1, 0)")
	exec1(t, conn, "INSERT INTO days SETTINGS optimize_on_insert = 0 VALUES ('a', '2026-06-01', 10, 3, 0), ('a', '2026-06-01', 5, 2, 0), ('a', '2026-06-02', 2, 2, 1)")
	for _, settings := range []string{"", " SETTINGS do_not_merge_across_partitions_select_final = 1"} {
		got := scan[string](t, conn, "SELECT arrayStringConcat(groupArray(toString(day) || '=' || toString(v)), ' ') FROM (SELECT * FROM days FINAL ORDER BY day)"+settings)
		if got != "2026-06-01=10 2026-07-01=3" {
			t.Errorf("FINAL%s: %s", settings, got)
		}
	}
	if n := scan[uint64](t, conn, "SELECT count() FROM days"); n != 6 {
		t.Errorf("without FINAL %d rows, want all 6 (optimize_on_insert = 0)", n)
	}
	exec1(t, conn, "SYSTEM START MERGES days")
	exec1(t, conn, "OPTIMIZE TABLE days FINAL")
	if got := scan[uint64](t, conn, "SELECT count() FROM days FINAL"); got != 2 {
		t.Errorf("merged: %d rows", got)
	}
}

// A version that the table computes itself from the row.
func TestMaterializedVersion(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	exec1(t, conn, `CREATE TABLE e (seq UInt64, delay Int64, v Int64, ver UInt64 MATERIALIZED toUInt64(1000000 - delay)) ENGINE = ReplacingMergeTree(ver) ORDER BY seq`)
	for _, row := range [][3]int64{{1, 5, 50}, {1, 2, 20}, {1, 9, 90}} {
		batch, err := conn.PrepareBatch(t.Context(), "INSERT INTO e")
		if err != nil {
			t.Fatal(err)
		}
		if err := batch.Append(uint64(row[0]), row[1], row[2]); err != nil {
			t.Fatal(err)
		}
		if err := batch.Send(); err != nil {
			t.Fatal(err)
		}
		batch.Close()
	}
	if got := scan[int64](t, conn, "SELECT v FROM e FINAL"); got != 20 {
		t.Errorf("the row with the smallest delay has v = 20, FINAL gives %d", got)
	}
}

func TestExchangeTables(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	for i, name := range []string{"live", "beside"} {
		exec1(t, conn, "CREATE TABLE "+name+" (a UInt8) ENGINE = MergeTree ORDER BY a")
		exec1(t, conn, fmt.Sprintf("INSERT INTO %s VALUES (%d)", name, i))
	}
	exec1(t, conn, "EXCHANGE TABLES live AND beside")
	if a, b := scan[uint8](t, conn, "SELECT a FROM live"), scan[uint8](t, conn, "SELECT a FROM beside"); a != 1 || b != 0 {
		t.Errorf("live has %d, beside %d", a, b)
	}
}

// eventsTable has the kinds of column, codec, index and setting that the warehouse's events table has.
const eventsTable = `CREATE TABLE events (kind LowCardinality(String), plant LowCardinality(String), press LowCardinality(String),
		at DateTime64(3, 'UTC') CODEC(DoubleDelta, ZSTD(1)), epoch UInt64 CODEC(ZSTD(1)), seq UInt64 CODEC(DoubleDelta, ZSTD(1)), pos UInt64 CODEC(Delta, ZSTD(1)),
		dur_ms UInt32 CODEC(T64('bit'), ZSTD(1)), good_mm Int64 CODEC(T64('bit'), ZSTD(1)), waste_mm Int64 CODEC(T64('bit'), ZSTD(1)), state LowCardinality(String),
		note String CODEC(ZSTD(1)), INDEX by_pos pos TYPE minmax GRANULARITY 1)
		ENGINE = ReplacingMergeTree PARTITION BY toYYYYMM(at) ORDER BY (kind, plant, press, at, epoch, seq)
		SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1, index_granularity = 8192`

var insertSettings = clickhouse.WithSettings(clickhouse.Settings{"optimize_on_insert": 0, "deduplicate_insert": "disable", "insert_deduplicate": 0, "async_insert": 0, "wait_for_async_insert": 1})

// The codecs, the fsync settings and the index of the events table, and 200,000 realistic rows through them.
func TestEventColumns(t *testing.T) {
	conn, db := warehousetest.Open(t)
	exec1(t, conn, eventsTable)
	const rows, inserts = 200_000, 3
	start := time.Date(2026, 6, 1, 6, 0, 0, 0, time.UTC)
	var sent time.Duration
	for n := range inserts {
		batch, err := conn.PrepareBatch(clickhouse.Context(t.Context(), insertSettings), "INSERT INTO events")
		if err != nil {
			t.Fatal(err)
		}
		for i := range rows {
			press, k := i/2000, n*2000+i%2000
			if err := batch.Append("slice", "rhein", fmt.Sprint("p", press), start.Add(time.Duration(k)*time.Minute/2), uint64(press)*0x9e3779b97f4a7c15, uint64(k+1), uint64(n+1),
				uint32(30_000), int64(60_000+i%977), int64(i%13), "PRODUCTION", ""); err != nil {
				t.Fatal(err)
			}
		}
		began := time.Now()
		if err := batch.Send(); err != nil {
			t.Fatal(err)
		}
		sent += time.Since(began)
		batch.Close()
	}
	if n := scan[uint64](t, conn, "SELECT count() FROM events FINAL"); n != rows*inserts {
		t.Errorf("%d rows", n)
	}
	exec1(t, conn, "OPTIMIZE TABLE events FINAL")
	bytes := scan[uint64](t, conn, "SELECT sum(bytes_on_disk) FROM system.parts WHERE active AND table = 'events' AND database = {db:String}", clickhouse.Named("db", db))
	t.Logf("200,000 rows of 12 columns with fsync: %v an INSERT, %.1f bytes a row of very regular data when merged", sent/inserts, float64(bytes)/(rows*inserts))
	plan := scan[string](t, conn, "SELECT arrayStringConcat(groupArray(explain), '\n') FROM (EXPLAIN indexes = 1 SELECT count() FROM events WHERE pos = 2)")
	if !strings.Contains(plan, "by_pos") {
		t.Errorf("the minmax index on pos is not used:\n%s", plan)
	}
}

// 200,000 rows an INSERT through clickhouse-go and the front, merges running beside: rows/s of building
// and sending, and of sending alone.
func BenchmarkInsert200k(b *testing.B) {
	for _, fsync := range []bool{true, false} {
		b.Run(fmt.Sprintf("fsync=%v", fsync), func(b *testing.B) {
			conn, _ := warehousetest.Open(b)
			ddl := eventsTable
			if !fsync {
				ddl, _, _ = strings.Cut(ddl, "SETTINGS")
			}
			if err := conn.Exec(b.Context(), ddl); err != nil {
				b.Fatal(err)
			}
			const rows = 200_000
			start := time.Date(2026, 6, 1, 6, 0, 0, 0, time.UTC)
			rng := rand.New(rand.NewPCG(7, 7))
			var sent time.Duration
			for n := 0; b.Loop(); n++ {
				batch, err := conn.PrepareBatch(clickhouse.Context(b.Context(), insertSettings), "INSERT INTO events")
				if err != nil {
					b.Fatal(err)
				}
				for i := range rows {
					press, k := i/2000, n*2000+i%2000
					if err := batch.Append("slice", "rhein", fmt.Sprint("p", press), start.Add(time.Duration(k)*time.Second), uint64(press)*0x9e3779b97f4a7c15, uint64(k+1), uint64(n+1),
						uint32(60_000-rng.IntN(9)), rng.Int64N(150_000), rng.Int64N(500), "PRODUCTION", ""); err != nil {
						b.Fatal(err)
					}
				}
				began := time.Now()
				if err := batch.Send(); err != nil {
					b.Fatal(err)
				}
				sent += time.Since(began)
				batch.Close()
			}
			total := float64(rows) * float64(b.N)
			b.ReportMetric(total/b.Elapsed().Seconds(), "rows/s")
			b.ReportMetric(total/sent.Seconds(), "rows/s-sending")
		})
	}
}

// The smallest query there and back.
func BenchmarkSelect1(b *testing.B) {
	conn, _ := warehousetest.Open(b)
	for b.Loop() {
		var n uint8
		if err := conn.QueryRow(b.Context(), "SELECT 1").Scan(&n); err != nil {
			b.Fatal(err)
		}
	}
}
