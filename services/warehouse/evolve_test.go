package warehouse

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// schemaAt is a database as a program left it that knew the steps up to a number.
func schemaAt(t *testing.T, upTo int) (dsn, name string, conn clickhouse.Conn) {
	t.Helper()
	dsn = warehousetest.DSN(t)
	opt, err := clickhouse.ParseDSN(dsn)
	if err != nil {
		t.Fatal(err)
	}
	conn = warehousetest.Connect(t, opt.Addr[0], opt.Auth.Username, opt.Auth.Password, opt.Auth.Database)
	all, err := steps(schemaFiles)
	if err != nil {
		t.Fatal(err)
	}
	files := fstest.MapFS{}
	for _, s := range all {
		if s.number <= upTo {
			files["schema/"+s.name] = &fstest.MapFile{Data: []byte(s.sql)}
		}
	}
	if err := (&DB{conn: conn}).migrate(testContext(t), files); err != nil {
		t.Fatal(err)
	}
	return dsn, opt.Auth.Database, conn
}

// columnsOf lists the stored columns of every table of a database that is not a view.
func columnsOf(ctx context.Context, t *testing.T, conn clickhouse.Conn, database string) map[string][]string {
	t.Helper()
	rows, err := conn.Query(ctx, `
SELECT table, name FROM system.columns
WHERE database = {db:String} AND default_kind != 'MATERIALIZED' AND table IN (SELECT name FROM system.tables WHERE database = {db:String} AND engine LIKE '%MergeTree')
ORDER BY table, position`, clickhouse.Named("db", database))
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	out := map[string][]string{}
	for rows.Next() {
		var table, name string
		if err := rows.Scan(&table, &name); err != nil {
			t.Fatal(err)
		}
		out[table] = append(out[table], "`"+name+"`")
	}
	return out
}

// filled is a warehouse of today with rows in every table.
func filled(t *testing.T) *DB {
	t.Helper()
	db := openTest(t)
	ctx := testContext(t)
	var evs []*pb.Event
	for i := range 50 {
		evs = append(evs, sliceAt("rhein", "p1", 7, i))
	}
	at := stamp(t0)
	evs = append(evs, &pb.Event{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 51, OccurredAt: at, RecordedAt: at, Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind_DEFECT_KIND_STREAK, LengthMm: 5}}},
		&pb.Event{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 53, OccurredAt: at, RecordedAt: at, SourceKey: "k", Body: &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: "j", Family: "f"}}})
	steps := []error{
		db.InsertEvents(ctx, evs, 3),
		db.InsertEpochs(ctx, []EpochLow{{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 1, Recorded: t0}}),
		db.InsertDead(ctx, []Dead{{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 52, Payload: []byte("x"), Field: "f", Reason: "r", Subject: "s", At: time.UnixMilli(t0)}}),
		db.InsertGaps(ctx, []Gap{{Plant: "rhein", Press: "p1", Epoch: 7, First: 54, Last: 60, Reason: "disk", At: time.UnixMilli(t0)}}),
		db.InsertRegistry(ctx, &pb.RegistryRevision{Rev: 1, Plant: &pb.Plant{Plant: "rhein", Zone: "Europe/Berlin"}, Author: "a", AppliedAt: at}),
		db.PutStudy(ctx, StudyRow{ID: "s1", Version: 1, CreatedAt: time.UnixMilli(t0).UTC(), State: 1, Title: "t", Body: []byte("b")}),
		db.NotePos(ctx, 9),
		db.MarkDirty(ctx, []Dirty{{Plant: "rhein", Press: "p2", From: t0}}),
		db.ResolveDead(ctx, []DeadSeqs{{Plant: "rhein", Press: "p1", Epoch: 8, Seqs: []uint64{1}}}), // of nothing
		db.conn.Exec(ctx, "INSERT INTO dead_done VALUES ('rhein', 'p1', 1, 1, 'h', now64(3))"),
	}
	for i, err := range steps {
		if err != nil {
			t.Fatalf("row %d: %v", i, err)
		}
	}
	if _, err := db.PutData(ctx, []byte("data")); err != nil {
		t.Fatal(err)
	}
	take, err := db.TakeDirty(ctx)
	if err != nil || len(take) != 1 {
		t.Fatal(take, err)
	}
	if err := db.ClearDirty(ctx, "rhein", "p2", take[0].UpTo); err != nil {
		t.Fatal(err)
	}
	for _, table := range []string{tableOldDays, tablePressDays, "shift_facts", "station_visits", "duties"} {
		if err := db.conn.Exec(ctx, "INSERT INTO "+table+" (plant, press, ver) VALUES ('rhein', 'p1', 1), ('rhein', 'p2', 2)"); err != nil {
			t.Fatal(err)
		}
	}
	for table := range columnsOf(ctx, t, db.conn, db.Database()) {
		var n uint64
		if err := db.conn.QueryRow(ctx, "SELECT count() FROM "+table).Scan(&n); err != nil || n == 0 {
			t.Fatalf("%s has no rows: %v", table, err)
		}
	}
	return db
}

// A warehouse left by any earlier program, with rows in every table it had, is brought to the schema of today; all
// rows are there as they were, and this program reads and writes them.
func TestMigrateFromEveryStep(t *testing.T) {
	today := filled(t)
	all, err := steps(schemaFiles)
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range all[:len(all)-1] {
		if view := "CREATE OR REPLACE VIEW"; strings.Contains(s.sql, view) && strings.Contains(all[i+1].sql, view) {
			continue // a view holds no rows: the last of them stands for all
		}
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			ctx := testContext(t)
			dsn, name, conn := schemaAt(t, s.number)
			before := columnsOf(ctx, t, conn, name)
			sums := map[string]string{}
			for table, columns := range before {
				if table == "schema_version" {
					continue
				}
				list := strings.Join(columns, ", ")
				if err := conn.Exec(ctx, fmt.Sprintf("INSERT INTO %s (%s) SELECT %s FROM %s.%s", table, list, list, today.Database(), table)); err != nil {
					t.Fatal(err)
				}
				sums[table] = columnsSum(ctx, t, conn, table, list)
			}
			db, err := Open(ctx, Config{DSN: dsn})
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			for table, columns := range before {
				if sums[table] != "" && table != "meta" { // Open adds the id, if it is not there
					if got := columnsSum(ctx, t, conn, table, strings.Join(columns, ", ")); got != sums[table] {
						t.Errorf("%s changed: %s, was %s", table, got, sums[table])
					}
				}
			}
			if now, want := columnsOf(ctx, t, conn, name), columnsOf(ctx, t, today.conn, today.Database()); fmt.Sprint(now) != fmt.Sprint(want) {
				t.Errorf("the schema is not today's:\n%v\n%v", now, want)
			}
			marks, err := db.LoadMarks(ctx)
			if err != nil {
				t.Fatal(err)
			}
			has := func(table string) bool { return before[table] != nil }
			if has("gaps") && (len(marks) == 0 || marks[0].Mark != 60) || has("events") && !has("dead") && marks[0].Mark != 51 {
				t.Errorf("marks: %+v", marks)
			}
			waiting, _, err := db.CountDead(ctx)
			if err != nil || has("dead") != (waiting == 1) {
				t.Errorf("%d dead letters wait, %v", waiting, err)
			}
			if q, err := db.Quarantined(ctx); err != nil || len(q) != 0 {
				t.Errorf("quarantined: %v %v", q, err)
			}
			if sl, err := db.ReadSlices(ctx, "rhein", "p1", t0, t0+100*60000); err != nil || has("events") != (len(sl) == 50) {
				t.Errorf("%d slices, %v", len(sl), err)
			}
			if err := db.InsertEvents(ctx, []*pb.Event{sliceAt("rhein", "p3", 9, 0)}, 20); err != nil {
				t.Error(err)
			}
			if _, err := db.LogHealth(ctx); err != nil {
				t.Error(err)
			}
		})
	}
}

func columnsSum(ctx context.Context, t *testing.T, conn clickhouse.Conn, table, columns string) string {
	t.Helper()
	var n, sum uint64
	final := ""
	if table == tablePressDays {
		final = " FINAL" // rows of the table before come as repeats
	}
	if err := conn.QueryRow(ctx, fmt.Sprintf("SELECT count(), sum(cityHash64(%s)) FROM %s"+final, columns, table)).Scan(&n, &sum); err != nil {
		t.Fatalf("%s: %v", table, err)
	}
	return fmt.Sprintf("%d rows %016x", n, sum)
}

// insertAs stores an event as an older program did that did not know its body: raw.
func insertAs(t *testing.T, db *DB, e *pb.Event, pos uint64) {
	t.Helper()
	r := eventRow{plant: e.Plant, press: e.Press, occurredAt: millis(e.OccurredAt), epoch: e.Epoch, seq: e.Seq, pos: pos, sourceKey: e.SourceKey}
	r, err := r.keepWhole(e)
	if err != nil {
		t.Fatal(err)
	}
	var b sliceBlock
	var c eventColumns
	b.reset()
	b.addRow(&r)
	c.addRest(&r)
	ctx := testContext(t)
	batch, err := db.conn.PrepareBatch(db.insertContext(ctx, insertAll.types), insertAll.sql)
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	if err := fillBatch(batch, insertAll, &b, &c); err != nil {
		t.Fatal(err)
	}
	if err := batch.Send(); err != nil {
		t.Fatal(err)
	}
}

// Events that an older program kept raw are decoded by one that knows their body, and only they; cut short at any
// point and done again, each is there once.
func TestUndecoded(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	defect := func(seq uint64) *pb.Event {
		return &pb.Event{Plant: "rhein", Press: "p1", Epoch: 7, Seq: seq, OccurredAt: stamp(t0 + int64(seq)), RecordedAt: stamp(t0 + 5000),
			Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind_DEFECT_KIND_STREAK, LengthMm: int64(seq)}}}
	}
	for seq := range uint64(5) {
		insertAs(t, db, defect(seq+1), 1)
	}
	later := &pb.Event{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 6, OccurredAt: stamp(t0 + 6), RecordedAt: stamp(t0 + 6)}
	later.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 300, protowire.VarintType), 5))
	if err := db.InsertEvents(ctx, []*pb.Event{later, sliceAt("rhein", "p1", 7, 6)}, 2); err != nil {
		t.Fatal(err)
	}
	if evs, err := db.ReadEvents(ctx, "rhein", "p1", t0, t0+60000); err != nil || len(evs) != 0 {
		t.Errorf("what is not known is projected: %v %v", evs, err)
	}
	first, err := db.Undecoded(ctx, 3)
	if err != nil || len(first) != 3 || !proto.Equal(first[0], defect(1)) {
		t.Fatalf("%v %v", first, err)
	}
	// Stored anew, then the program dies: both rows are there, and the next time it is done again.
	if err := db.InsertEvents(ctx, first, 3); err != nil {
		t.Fatal(err)
	}
	all, err := db.Undecoded(ctx, 100)
	if err != nil || len(all) != 5 {
		t.Fatalf("%d to decode, %v", len(all), err)
	}
	// What was raw is, compared with what comes again, no other event.
	same, other, err := db.CompareStored(ctx, []*pb.Event{defect(1), defect(5), later, sliceAt("rhein", "p1", 7, 6)})
	if err != nil || len(same) != 4 || len(other) != 0 {
		t.Errorf("compared: %v %v %v", same, other, err)
	}
	if err := db.InsertEvents(ctx, all, 4); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := db.DropUndecoded(ctx, all); err != nil {
			t.Fatal(err)
		}
	}
	if rest, err := db.Undecoded(ctx, 100); err != nil || len(rest) != 0 {
		t.Errorf("left: %v %v", rest, err)
	}
	evs, err := db.ReadEvents(ctx, "rhein", "p1", t0, t0+60000)
	if err != nil || len(evs) != 5 || evs[4].Length != 5 || evs[4].Kind != timeline.KindDefectSeen {
		t.Errorf("%v %v", evs, err)
	}
	list, _, err := db.ListEvents(ctx, ListQuery{})
	if err != nil || len(list) != 7 {
		t.Errorf("%d events, %v", len(list), err)
	}
	marks, err := db.LoadMarks(ctx)
	if err != nil || len(marks) != 1 || marks[0].Mark != 7 {
		t.Errorf("marks: %v %v", marks, err)
	}
}
