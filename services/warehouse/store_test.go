package warehouse

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

func TestOpenTwiceKeepsIdAndSchema(t *testing.T) {
	dsn := warehousetest.DSN(t)
	ctx := testContext(t)
	// Two programs that start at once agree.
	ids := make(chan uint64, 4)
	for range cap(ids) {
		go func() {
			db, err := Open(ctx, Config{DSN: dsn})
			if err != nil {
				t.Error(err)
				ids <- 0
				return
			}
			defer db.Close()
			ids <- db.WarehouseID()
		}()
	}
	id := <-ids
	for range cap(ids) - 1 {
		if other := <-ids; other != id || id == 0 {
			t.Fatalf("warehouse ids %x and %x", id, other)
		}
	}
	db, err := Open(ctx, Config{DSN: dsn})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if db.WarehouseID() != id || db.ServerVersion() == "" {
		t.Errorf("id %x, then %x; version %q", id, db.WarehouseID(), db.ServerVersion())
	}
	if err := db.RenewID(ctx); err != nil || db.WarehouseID() == id {
		t.Errorf("renewed id %x, %v", db.WarehouseID(), err)
	}
	again, err := Open(ctx, Config{DSN: dsn})
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if again.WarehouseID() != db.WarehouseID() {
		t.Error("the renewed id is not kept")
	}
	// A newer schema is refused, by type.
	if err := db.conn.Exec(ctx, "INSERT INTO schema_version (number, name) VALUES (9999, 'later')"); err != nil {
		t.Fatal(err)
	}
	var newer *SchemaError
	if _, err := Open(ctx, Config{DSN: dsn}); !errors.As(err, &newer) || newer.Have != 9999 {
		t.Errorf("a newer schema: %v", err)
	}
}

func TestMigrateRunsWhatIsMissing(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	files, err := steps(schemaFiles)
	if err != nil {
		t.Fatal(err)
	}
	all := fstest.MapFS{}
	for _, s := range files {
		all["schema/"+s.name] = &fstest.MapFile{Data: []byte(s.sql)}
		if strings.Contains(s.sql, ";\n") || strings.HasSuffix(s.sql, ";") {
			t.Errorf("%s holds more than one statement", s.name)
		}
		// Each step is harmless when run again: a program may die between the step and its note.
		if err := db.conn.Exec(ctx, s.sql); err != nil {
			t.Errorf("%s again: %v", s.name, err)
		}
	}
	all["schema/0900_later.sql"] = &fstest.MapFile{Data: []byte("CREATE TABLE IF NOT EXISTS later (a UInt8) ENGINE = MergeTree ORDER BY a")}
	if err := db.migrate(ctx, all); err != nil {
		t.Fatal(err)
	}
	if err := db.conn.Exec(ctx, "INSERT INTO later VALUES (1)"); err != nil {
		t.Error(err)
	}
	all["schema/0900_other.sql"] = all["schema/0900_later.sql"]
	if _, err := steps(all); err == nil {
		t.Error("two steps with one number pass")
	}
}

// Every view can be read and shows the event of its kind.
func TestViews(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	if err := db.InsertEvents(ctx, validEvents(), 1); err != nil {
		t.Fatal(err)
	}
	for _, v := range []string{"v_slices", "v_cleaning_opened", "v_cleaning_closed", "v_signoffs", "v_skips", "v_notes", "v_defects", "v_bookings",
		"v_jobs_started", "v_jobs_ended", "v_jobs_corrected", "v_voids", "v_periods_closed", "v_clock_steps"} {
		var n uint64
		var epoch string
		if err := db.conn.QueryRow(ctx, "SELECT count(), any(epoch) FROM "+v).Scan(&n, &epoch); err != nil || n != 1 || epoch != "0000000000000007" {
			t.Errorf("%s: %d rows, epoch %q, %v", v, n, epoch, err)
		}
	}
	// What names people stays with the plant.
	var people []string
	if err := db.conn.QueryRow(ctx, "SELECT groupArray(concat(table, '.', name)) FROM system.columns WHERE database = currentDatabase() AND table LIKE 'v\\_%' AND name IN ('crew', 'note')").Scan(&people); err != nil || len(people) > 0 {
		t.Errorf("views show %v, %v", people, err)
	}
	var about string
	var to time.Time
	if err := db.conn.QueryRow(ctx, "SELECT about, to_at FROM v_notes").Scan(&about, &to); err != nil || about != "slow" || to.UnixMilli() != t0+1800000 {
		t.Errorf("note: %q %v %v", about, to, err)
	}
}

// An event stored twice is read once, with the lower pos, before and after a merge.
func TestRepeatsKeepLowestPos(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	var evs []*pb.Event
	for i := range 100 {
		evs = append(evs, sliceAt("rhein", "p1", 7, i))
	}
	for _, pos := range []uint64{5, 3, 9} {
		evs[0].GetSlice().GoodMm = int64(pos) // a cloned disk says another thing under one identity
		if err := db.InsertEvents(ctx, evs, pos); err != nil {
			t.Fatal(err)
		}
	}
	check := func(when string) {
		sl, err := db.ReadSlices(ctx, "rhein", "p1", t0, t0+100*60000)
		if err != nil || len(sl) != 100 || sl[0].Good != 3 {
			t.Errorf("%s: %d slices, %v", when, len(sl), err)
		}
		list, _, err := db.ListEvents(ctx, ListQuery{Limit: 1000})
		if err != nil || len(list) != 100 || list[0].Pos != 3 {
			t.Errorf("%s: %d events, %v", when, len(list), err)
		}
	}
	check("unmerged")
	if err := db.conn.Exec(ctx, "OPTIMIZE TABLE events FINAL"); err != nil {
		t.Fatal(err)
	}
	check("merged")
	if pos, err := db.MaxPos(ctx); err != nil || pos != 3 {
		t.Errorf("highest pos after the merge: %d %v", pos, err)
	}
	if err := db.NotePos(ctx, 9); err != nil {
		t.Fatal(err)
	}
	if pos, err := db.MaxPos(ctx); err != nil || pos != 9 {
		t.Errorf("highest pos noted: %d %v", pos, err)
	}
	other := sliceAt("rhein", "p1", 7, 60*24*40)
	if err := db.InsertEvents(ctx, append(evs, other), 10); err == nil {
		t.Error("two months in one insert pass")
	}
}

// Marks loaded from the tables equal a model of sets, for random subsets in events, dead and gaps, with repeats.
func TestLoadMarks(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, 1))
	type model struct{ stored, other map[uint64]bool }
	want := map[uint64]*model{}
	var evs []*pb.Event
	var dead []Dead
	for epoch := uint64(1); epoch <= 30; epoch++ {
		m := &model{map[uint64]bool{}, map[uint64]bool{}}
		want[epoch] = m
		n := 1 + rng.IntN(60)
		kind := rng.IntN(3) // full, full from a later seq on, holed
		for seq := uint64(1); seq <= uint64(n); seq++ {
			if kind == 1 && seq < 3 || kind == 2 && rng.IntN(4) == 0 {
				switch rng.IntN(3) {
				case 0:
					dead = append(dead, Dead{Plant: "rhein", Press: "p1", Epoch: epoch, Seq: seq, Payload: []byte("x"), Reason: "r", At: time.UnixMilli(t0)})
					m.other[seq] = true
				case 1:
					if err := db.InsertGaps(ctx, []Gap{{"rhein", "p1", epoch, seq, seq + 1, "disk", time.UnixMilli(t0)}}); err != nil {
						t.Fatal(err)
					}
					m.other[seq], m.other[seq+1] = true, true
				}
				continue
			}
			m.stored[seq] = true
			evs = append(evs, sliceAt("rhein", "p1", epoch, int(seq)-1))
		}
	}
	dead = append(dead, Dead{Plant: "rhein", Press: "p1", Epoch: 7, Payload: []byte("a frame"), Reason: "r", At: time.UnixMilli(t0)})
	if err := errors.Join(db.InsertDead(ctx, dead), db.InsertDead(ctx, dead), db.InsertEvents(ctx, evs, 1), db.InsertEvents(ctx, evs[:len(evs)/2], 2)); err != nil {
		t.Fatal(err)
	}
	rows, err := db.LoadMarks(ctx)
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, r := range rows {
		m := want[r.Epoch]
		seen++
		mark := uint64(0)
		for m.stored[mark+1] || m.other[mark+1] {
			mark++
		}
		var above, elsewhere []uint64
		for seq := uint64(1); seq < 100; seq++ {
			if (m.stored[seq] || m.other[seq]) && seq > mark {
				above = append(above, seq)
			}
			if m.other[seq] && !m.stored[seq] {
				elsewhere = append(elsewhere, seq)
			}
		}
		if r.Mark != mark || !slices.Equal(expand(r.Above), above) || !slices.Equal(expand(r.Elsewhere), elsewhere) {
			t.Errorf("seed %d epoch %d: %+v, want mark %d above %v elsewhere %v", seed, r.Epoch, r, mark, above, elsewhere)
		}
	}
	nonEmpty := 0
	for _, m := range want {
		if len(m.stored)+len(m.other) > 0 {
			nonEmpty++
		}
	}
	if seen != nonEmpty {
		t.Errorf("%d epochs, want %d", seen, nonEmpty)
	}
	for epoch, m := range want {
		got, err := db.StoredSeqs(ctx, Span{Plant: "rhein", Press: "p1", Epoch: epoch, First: 1, Last: 100, From: t0, To: t0 + 100*60000})
		if err != nil || !reflect.DeepEqual(got, m.stored) {
			t.Errorf("read back of epoch %d: %v %v", epoch, got, err)
		}
	}
	if n, _, err := db.CountDead(ctx); err != nil || n != uint64(len(dead)) {
		t.Errorf("%d dead letters, put %d twice, %v", n, len(dead), err)
	}
	if list, _, err := db.ListDead(ctx, DeadQuery{Limit: 1000}); err != nil || len(list) != len(dead) {
		t.Errorf("dead list: %d %v", len(list), err)
	}
}

func expand(ranges []SeqRange) (out []uint64) {
	for _, r := range ranges {
		for s := r.First; s <= r.Last; s++ {
			out = append(out, s)
		}
	}
	return out
}

// Dirty marks: earliest from of what is not cleared; what is taken and not cleared comes again; another writer's marks
// are seen; marks whose rows are on their way are not handed out, and cannot be cleared unseen.
func TestDirty(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	other, err := Open(ctx, Config{DSN: db.cfg.DSN})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	take := func() map[string]DirtyPress {
		t.Helper()
		list, err := db.TakeDirty(ctx)
		if err != nil {
			t.Fatal(err)
		}
		m := map[string]DirtyPress{}
		for _, d := range list {
			m[d.Plant+"/"+d.Press] = d
		}
		return m
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	if got := take(); len(got) != 0 {
		t.Fatalf("dirty at the start: %v", got)
	}
	must(db.MarkDirty(ctx, []Dirty{{"rhein", "p1", 500}, {"rhein", "p2", 900}}))
	must(db.MarkDirty(ctx, []Dirty{{"rhein", "p1", 300}}))
	must(other.MarkDirty(ctx, []Dirty{{"rhein", "p1", 400}}))
	got := take()
	if len(got) != 2 || got["rhein/p1"].From != 300 || got["rhein/p2"].From != 900 {
		t.Fatalf("dirty: %v", got)
	}
	must(other.MarkDirty(ctx, []Dirty{{"rhein", "p1", 450}})) // between taking and clearing
	p1 := got["rhein/p1"]
	must(db.ClearDirty(ctx, "rhein", "p1", p1.UpTo))
	if err := db.ClearDirty(ctx, "rhein", "p1", p1.UpTo); err == nil {
		t.Error("cleared twice")
	}
	got = take()
	if len(got) != 2 || got["rhein/p1"].From != 450 || got["rhein/p2"].From != 900 {
		t.Fatalf("dirty after clearing: %v", got)
	}
	must(db.ClearDirty(ctx, "rhein", "p2", got["rhein/p2"].UpTo))
	must(db.ClearDirty(ctx, "rhein", "p1", got["rhein/p1"].UpTo))
	done, err := db.BeginDirty(ctx, []Dirty{{"rhein", "p1", 700}})
	must(err)
	must(db.MarkDirty(ctx, []Dirty{{"rhein", "p1", 800}}))
	if got = take(); len(got) != 0 {
		t.Fatalf("a mark whose rows are not stored is handed out: %v", got)
	}
	list, err := other.TakeDirty(ctx) // a later program finds what a dead one left
	if err != nil || len(list) != 1 || list[0].From != 700 {
		t.Fatalf("another writer: %v %v", list, err)
	}
	done()
	if got = take(); got["rhein/p1"].From != 700 {
		t.Fatalf("dirty when the rows are stored: %v", got)
	}
	must(db.PurgeDirty(ctx))
	if got = take(); len(got) != 1 || got["rhein/p1"].From != 700 {
		t.Fatalf("dirty after a purge: %v", got)
	}
	var n uint64
	must(db.conn.QueryRow(ctx, "SELECT count() FROM dirty").Scan(&n))
	if n != 2 {
		t.Errorf("%d rows left by the purge, want 2", n)
	}
}

func TestRegistryLog(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	rev := func(n uint64, plant, comment string) *pb.RegistryRevision {
		return &pb.RegistryRevision{Rev: n, Plant: &pb.Plant{Plant: plant}, Author: "a\tb", Comment: comment, AppliedAt: stamp(t0), PreviousRev: n - 1}
	}
	all := []*pb.RegistryRevision{rev(1, "rhein", "one"), rev(2, "ohio", "two"), rev(3, "rhein", "three")}
	for _, r := range append(all, all[0], all[2]) {
		if err := db.InsertRegistry(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	check := func(what string, got []*pb.RegistryRevision, err error, want ...*pb.RegistryRevision) {
		t.Helper()
		if err != nil || !slices.EqualFunc(got, want, func(a, b *pb.RegistryRevision) bool { return proto.Equal(a, b) }) {
			t.Errorf("%s: %v %v", what, got, err)
		}
	}
	got, err := db.LatestRegistry(ctx)
	check("latest", got, err, all[1], all[2])
	got, err = db.Registry(ctx, 2)
	check("as of 2", got, err, all[1], all[0])
	got, err = db.RegistryAfter(ctx, 1)
	check("after 1", got, err, all[1], all[2])
	if n, err := db.MaxRegistryRev(ctx); err != nil || n != 3 {
		t.Errorf("highest revision %d %v", n, err)
	}
}

func TestStudies(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	if _, err := db.GetStudy(ctx, "s1"); !errors.Is(err, ErrNotFound) {
		t.Errorf("no study: %v", err)
	}
	at := time.UnixMilli(t0).UTC()
	for _, s := range []StudyRow{{"s1", 1, at, 1, "first", []byte{0, 255}}, {"s1", 2, at, 3, "first", []byte("done")}, {"s1", 2, at, 3, "first", []byte("done")},
		{"s2", 1, at, 1, "second", nil}} {
		if err := db.PutStudy(ctx, s); err != nil {
			t.Fatal(err)
		}
	}
	s, err := db.GetStudy(ctx, "s1")
	if err != nil || s.Version != 2 || string(s.Body) != "done" || !s.CreatedAt.Equal(at) {
		t.Errorf("study: %+v %v", s, err)
	}
	list, err := db.ListStudies(ctx, "", 10)
	if err != nil || len(list) != 2 || list[0].ID != "s2" {
		t.Errorf("list: %v %v", list, err)
	}
	if list, err = db.ListStudies(ctx, "s2", 10); err != nil || len(list) != 1 || list[0].ID != "s1" {
		t.Errorf("second page: %v %v", list, err)
	}
	data := make([]byte, 3<<20) // larger than what a statement may hold inline
	for i := range data {
		data[i] = byte(i * i >> 8)
	}
	sum, err := db.PutData(ctx, data)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := db.GetData(ctx, sum); err != nil || string(got) != string(data) {
		t.Errorf("data set: %d bytes, %v", len(got), err)
	}
	if _, err := db.GetData(ctx, "00"); !errors.Is(err, ErrNotFound) {
		t.Errorf("no data set: %v", err)
	}
}

// Lists follow the full key over pages, stop at a pos, and mark what is voided.
func TestListEvents(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	var first, second []*pb.Event
	for i := range 50 {
		first = append(first, sliceAt("rhein", "p1", 7, i), sliceAt("ohio", "p9", 7, i))
	}
	void := &pb.Event{Plant: "rhein", Press: "p1", Epoch: 8, Seq: 1, OccurredAt: stamp(t0 + 7200000), RecordedAt: stamp(t0 + 7200000),
		Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: 7, FirstSeq: 3, LastSeq: 4, Earliest: stamp(t0 + 120000)}}}
	second = append(second, void)
	if err := errors.Join(db.InsertEvents(ctx, first, 1), db.InsertEvents(ctx, second, 2)); err != nil {
		t.Fatal(err)
	}
	var ids, voided []string
	var after *ListKey
	for range 100 {
		evs, last, err := db.ListEvents(ctx, ListQuery{Plants: []string{"rhein"}, Kinds: []timeline.Kind{timeline.KindSlice, timeline.KindVoided}, After: after, Limit: 7})
		if err != nil {
			t.Fatal(err)
		}
		if len(evs) == 0 {
			break
		}
		for _, e := range evs {
			ids = append(ids, e.Id)
			if e.Voided {
				voided = append(voided, e.Id)
			}
		}
		after = last
	}
	var want []string
	for i := range 50 {
		want = append(want, fmt.Sprintf("rhein/p1/0000000000000007/%d", i+1))
	}
	want = append(want, "rhein/p1/0000000000000008/1")
	if !slices.Equal(ids, want) {
		t.Errorf("listed %v", ids)
	}
	if !slices.Equal(voided, want[2:4]) {
		t.Errorf("voided %v", voided)
	}
	evs, _, err := db.ListEvents(ctx, ListQuery{Presses: []string{"rhein/p1", "ohio/p9"}, From: t0 + 60000, To: t0 + 180000, MaxPos: 1})
	if err != nil || len(evs) != 4 {
		t.Errorf("two minutes of two presses: %d %v", len(evs), err)
	}
	evs, next, err := db.EventsAfterPos(ctx, 0, 2, 3)
	if err != nil || len(evs) != 100 || next != 1 {
		t.Errorf("after pos 0: %d events up to %d, %v", len(evs), next, err)
	}
	evs, next, err = db.EventsAfterPos(ctx, next, 2, 3)
	if err != nil || len(evs) != 1 || next != 2 || evs[0].Event.GetVoided() == nil {
		t.Errorf("after pos 1: %d events up to %d, %v", len(evs), next, err)
	}
	one, err := db.GetEvent(ctx, "rhein", "p1", timeline.ID{Epoch: 7, Seq: 4})
	if err != nil || !one.Voided {
		t.Errorf("one event: %v %v", one, err)
	}
	if _, err := db.GetEvent(ctx, "rhein", "p1", timeline.ID{Epoch: 7, Seq: 400}); !errors.Is(err, ErrNotFound) {
		t.Errorf("no event: %v", err)
	}
}

// An insert becomes one part, so that it is stored whole or not at all, also when it is large and of every kind.
func TestInsertIsOnePart(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	if err := db.conn.Exec(ctx, "SYSTEM STOP MERGES events"); err != nil {
		t.Fatal(err)
	}
	p := newSeries(1, "rhein", "p1")
	var evs []*pb.Event
	for month := Month(t0); ; {
		e := p.next()
		if Month(millis(e.OccurredAt)) != month {
			p = newSeries(uint64(len(evs)), "rhein", "p1")
			continue
		}
		if evs = append(evs, e); len(evs) == 150000 {
			break
		}
	}
	if err := db.InsertEvents(ctx, evs, 1); err != nil {
		t.Fatal(err)
	}
	if err := db.InsertEvents(ctx, append(evs, validEvents()...), 2); err != nil {
		t.Fatal(err)
	}
	var parts, rows uint64
	if err := db.conn.QueryRow(ctx, "SELECT count(), sum(rows) FROM system.parts WHERE active AND database = currentDatabase() AND table = 'events'").Scan(&parts, &rows); err != nil {
		t.Fatal(err)
	}
	if want := uint64(2*len(evs) + len(validEvents())); parts != 2 || rows != want {
		t.Errorf("%d parts of %d rows after two inserts of %d", parts, rows, want)
	}
}
