package warehouse

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// fillForBackup puts something into every table that a backup holds: two months of slices and other bodies of two
// presses, one event stored twice, and one of each small table.
func fillForBackup(t *testing.T, db *DB) {
	t.Helper()
	ctx := testContext(t)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	pos := uint64(0)
	insert := func(evs ...*pb.Event) {
		t.Helper()
		pos++
		must(db.InsertEvents(ctx, evs, pos))
	}
	for _, press := range []string{"p1", "p2"} {
		for month := range 2 {
			var evs []*pb.Event
			for i := range 300 {
				evs = append(evs, sliceAt("rhein", press, 7, month*31*1440+i))
			}
			insert(evs...)
		}
		note := &pb.Event{Plant: "rhein", Press: press, Epoch: 7, Seq: 90_000, OccurredAt: stamp(t0), RecordedAt: stamp(t0 + 5), SourceKey: "n-1",
			Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: "s\t1", Station: "anilox", Crew: "0123456789", Note: "it's \\ \"fine\"\nüñ", ConditionFound: proto.Int32(3), BeganAt: stamp(t0 - 60000)}}}
		insert(note)
		insert(sliceAt("rhein", press, 7, 5)) // again, under a later pos
	}
	must(db.NotePos(ctx, pos+2))
	must(db.InsertDead(ctx, []Dead{{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 9, Payload: []byte{0, 1, 255, '\n'}, Subject: "x", Field: "f", Reason: "r", At: time.UnixMilli(t0)}}))
	must(db.conn.Exec(ctx, "INSERT INTO gaps SELECT 'rhein', 'p2', 7, 1000, 1010, 'disk', now64(3)"))
	must(db.InsertEpochs(ctx, []EpochLow{{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 1, Recorded: t0}}))
	for rev := range 3 {
		must(db.InsertRegistry(ctx, &pb.RegistryRevision{Rev: uint64(rev) + 1, Author: "a", Plant: &pb.Plant{Plant: "rhein", Currency: "EUR"}, AppliedAt: stamp(t0)}))
	}
	must(db.PutStudy(ctx, StudyRow{ID: "s1", Version: 1, CreatedAt: time.UnixMilli(t0), State: 3, Title: "t", Body: []byte{1, 2}}))
	must(db.PutStudy(ctx, StudyRow{ID: "s1", Version: 2, CreatedAt: time.UnixMilli(t0), State: 4, Title: "t", Body: []byte{1, 2, 3}}))
	_, err := db.PutData(ctx, bytes.Repeat([]byte("data"), 1<<20))
	must(err)
	must(db.SetRulesVersion(ctx, 3))
}

// tableSum is a checksum of every column of a table as it reads, computed by the server from the rows' text.
func tableSum(t *testing.T, db *DB, table BackupTable) string {
	t.Helper()
	var n, sum uint64
	names := make([]string, len(table.Columns))
	for i, c := range table.Columns {
		names[i] = identifier(c)
	}
	q := fmt.Sprintf("SELECT count(), sumWithOverflow(sipHash64(%s)) FROM %s FINAL", strings.Join(names, ", "), identifier(table.Name))
	if table.Name == "meta" {
		q += " WHERE name NOT IN ('" + strings.Join(ownMeta, "', '") + "')"
	}
	if err := db.conn.QueryRow(testContext(t), q).Scan(&n, &sum); err != nil {
		t.Fatalf("%s: %v", table.Name, err)
	}
	return fmt.Sprintf("%d:%016x", n, sum)
}

func backUp(t *testing.T, db *DB, dir string) *BackupManifest {
	t.Helper()
	d, err := NewBackup(dir, "test")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Discard()
	if err := db.BackUp(testContext(t), d, nil); err != nil {
		t.Fatal(err)
	}
	extra := filepath.Join(t.TempDir(), "a.key")
	if err := os.WriteFile(extra, []byte("secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := d.AddFile(extra, "keys/a.key"); err != nil {
		t.Fatal(err)
	}
	m, err := d.Finish()
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func openRestore(t *testing.T) (*DB, Config) {
	t.Helper()
	cfg := Config{DSN: warehousetest.DSN(t), Restore: true}
	db, err := Open(testContext(t), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	cfg.Restore = false
	return db, cfg
}

// A backup restored into an empty warehouse gives every table back, column for column, under a new id; a restore that
// was cut short is begun again, and nothing else can open the warehouse before its end.
func TestBackupRestore(t *testing.T) {
	db := openTest(t)
	fillForBackup(t, db)
	ctx := testContext(t)
	dir := filepath.Join(t.TempDir(), "b")
	m := backUp(t, db, dir)
	pos, err := db.MaxPos(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if m.Events != 1202 || m.Pos < 7 || m.Pos > 8 || m.RegistryRev != 3 || m.Rules != 3 || m.WarehouseID != fmt.Sprintf("%016x", db.WarehouseID()) || len(m.Checksums) != 4 {
		t.Errorf("manifest: %+v", m)
	}
	verified, err := VerifyBackup(ctx, dir, nil)
	if err != nil || verified.ID() != m.ID() {
		t.Fatalf("verify: %v", err)
	}

	to, cfg := openRestore(t)
	if err := to.BeginRestore(ctx, m); err != nil {
		t.Fatal(err)
	}
	var unfinished *RestoringError
	if half, err := Open(ctx, cfg); !errors.As(err, &unfinished) {
		t.Errorf("a half restored warehouse is opened: %v", err)
		half.Close()
	}
	if err := to.RestoreTables(ctx, dir, &BackupManifest{Tables: m.Tables, Files: m.Files[:2], Events: m.Events, RegistryRev: m.RegistryRev}, nil); err == nil {
		t.Error("a restore without the events is taken for whole")
	}
	if err := to.BeginRestore(ctx, &BackupManifest{Program: "another"}); err == nil {
		t.Error("another backup is restored over an unfinished restore")
	}
	if err := to.BeginRestore(ctx, m); err != nil {
		t.Fatal(err)
	}
	var said int64
	if err := to.RestoreTables(ctx, dir, m, func(done, total int64) { said = done - total }); err != nil {
		t.Fatal(err)
	}
	if said != 0 {
		t.Errorf("progress ended %d rows short", -said)
	}
	if err := to.EndRestore(ctx); err != nil {
		t.Fatal(err)
	}
	again, err := Open(ctx, cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if again.WarehouseID() == db.WarehouseID() || again.WarehouseID() != to.WarehouseID() {
		t.Errorf("warehouse %016x restored as %016x, opened as %016x", db.WarehouseID(), to.WarehouseID(), again.WarehouseID())
	}
	for _, table := range m.Tables {
		want, got := tableSum(t, db, table), tableSum(t, again, table)
		empty := strings.HasPrefix(want, "0:")
		if want != got || empty && !strings.HasPrefix(table.Name, "dead_") {
			t.Errorf("%s: %s, restored %s", table.Name, want, got)
		}
	}
	if got, err := again.MaxPos(ctx); err != nil || got != pos {
		t.Errorf("pos %d restored as %d (%v)", pos, got, err)
	}
	a, err := db.LoadMarks(ctx)
	if err != nil {
		t.Fatal(err)
	}
	b, err := again.LoadMarks(ctx)
	if err != nil || fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("marks %v restored as %v (%v)", a, b, err)
	}
	var busy *NotEmptyError
	if err := again.BeginRestore(ctx, m); !errors.As(err, &busy) {
		t.Errorf("a second restore into what is restored: %v", err)
	}
}

// Every table of the schema is in a backup or named as made anew, and each is of a kind that takes a row twice.
func TestEveryTableIsInTheBackup(t *testing.T) {
	db := openTest(t)
	tables, err := db.backupTables(testContext(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, table := range tables {
		var kind string
		if err := db.conn.QueryRow(testContext(t), "SELECT engine FROM system.tables WHERE database = currentDatabase() AND name = '"+table.Name+"'").Scan(&kind); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(kind, "Replacing") {
			t.Errorf("%s is a %s: read twice, its rows would be restored twice", table.Name, kind)
		}
	}
	for _, want := range []string{"events", "dead", "gaps", "epochs", "registry_log", "studies", "study_data", "meta"} {
		if !slices.ContainsFunc(tables, func(b BackupTable) bool { return b.Name == want }) {
			t.Errorf("%s is in no backup", want)
		}
	}
	for _, table := range tables {
		if table.Name == "events" && slices.Contains(table.Columns, "keep") {
			t.Error("a computed column is backed up")
		}
	}
}

// While events are stored, a backup holds those up to its pos and no other.
func TestBackupWhileStoring(t *testing.T) {
	db := openTest(t)
	ctx, stop := context.WithCancel(testContext(t))
	ended := make(chan uint64)
	go func() {
		n := uint64(0)
		for ctx.Err() == nil {
			evs := make([]*pb.Event, 50)
			for i := range evs {
				evs[i] = sliceAt("rhein", "p1", 7, int(n)*50+i)
			}
			if err := db.InsertEvents(context.WithoutCancel(ctx), evs, n+1); err != nil {
				t.Error(err)
				break
			}
			n++
		}
		ended <- n
	}()
	time.Sleep(300 * time.Millisecond)
	dir := filepath.Join(t.TempDir(), "b")
	m := backUp(t, db, dir)
	time.Sleep(50 * time.Millisecond)
	stop()
	if n := <-ended; m.Pos == 0 || n <= m.Pos {
		t.Fatalf("nothing was stored after the backup: %d inserts, pos %d", n, m.Pos)
	}
	if m.Events != int64(m.Pos)*50 {
		t.Errorf("%d events up to pos %d, want %d", m.Events, m.Pos, m.Pos*50)
	}
	to, _ := openRestore(t)
	if _, err := to.Fence(t.Context()); err != nil { // a line has run on it, without a press
		t.Fatal(err)
	}
	if err := errors.Join(to.BeginRestore(t.Context(), m), to.RestoreTables(t.Context(), dir, m, nil)); err != nil {
		t.Fatal(err)
	}
	marks, err := to.LoadMarks(t.Context())
	if err != nil || len(marks) != 1 || marks[0].Mark != m.Pos*50 || len(marks[0].Above) != 0 {
		t.Errorf("marks restored: %+v, %v", marks, err)
	}
}

// Verifying names what is damaged; sha256sum, where it is installed, agrees.
func TestVerifyBackup(t *testing.T) {
	db := openTest(t)
	fillForBackup(t, db)
	dir := filepath.Join(t.TempDir(), "b")
	m := backUp(t, db, dir)
	if sum, err := exec.LookPath("sha256sum"); err == nil {
		cmd := exec.Command(sum, "--check", "--strict", "--quiet", sumsName)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("sha256sum: %v\n%s", err, out)
		}
	}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		info, err := e.Info()
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s can be read by others: %v", path, info.Mode())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(dir), ".*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	if _, err := NewBackup(dir, "test"); err == nil {
		t.Error("a backup goes over another")
	}
	var events string
	for _, f := range m.Files {
		if f.Table == "events" {
			events = filepath.Join(dir, f.Path)
		}
	}
	whole, err := os.ReadFile(events)
	if err != nil {
		t.Fatal(err)
	}
	check := func(what, say string, damage, mend func() error) {
		t.Helper()
		if err := damage(); err != nil {
			t.Fatal(err)
		}
		var bad *DamagedBackupError
		if _, err := VerifyBackup(t.Context(), dir, nil); !errors.As(err, &bad) || len(bad.Problems) != 1 || !strings.Contains(err.Error(), say) {
			t.Errorf("%s: %v", what, err)
		}
		if err := mend(); err != nil {
			t.Fatal(err)
		}
	}
	write := func(b []byte) func() error { return func() error { return os.WriteFile(events, b, 0o600) } }
	flipped := bytes.Clone(whole)
	flipped[len(flipped)/2] ^= 1
	check("one bit", "another sum", write(flipped), write(whole))
	check("cut short", "bytes, not", write(whole[:len(whole)-1]), write(whole))
	check("a missing file", "is missing", func() error { return os.Remove(events) }, write(whole))
	stray := filepath.Join(dir, "tables", "more")
	check("a stray file", "does not belong", func() error { return os.WriteFile(stray, nil, 0o600) }, func() error { return os.Remove(stray) })
	manifest := filepath.Join(dir, manifestName)
	text, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	check("a changed manifest", "manifest.json has another sum",
		func() error {
			return os.WriteFile(manifest, bytes.Replace(text, []byte(`"pos": `), []byte(`"pos": 1`), 1), 0o600)
		},
		func() error { return os.WriteFile(manifest, text, 0o600) })
	if _, err := VerifyBackup(t.Context(), dir, nil); err != nil {
		t.Errorf("mended: %v", err)
	}
	if _, err := VerifyBackup(t.Context(), t.TempDir(), nil); err == nil {
		t.Error("an empty directory is a backup")
	}
}

// A backup that fails leaves nothing where it should be and nothing beside it.
func TestBackupThatFails(t *testing.T) {
	db := openTest(t)
	fillForBackup(t, db)
	parent := t.TempDir()
	d, err := NewBackup(filepath.Join(parent, "b"), "test")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	if err := db.BackUp(ctx, d, func(int64, int64) { stop() }); err == nil {
		t.Error("interrupted, and no error")
	}
	d.Discard()
	if left, _ := os.ReadDir(parent); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	native := &DB{cfg: Config{DSN: "clickhouse://127.0.0.1:1"}}
	if err := native.BackUp(t.Context(), d, nil); err == nil || !strings.Contains(err.Error(), "HTTP") {
		t.Errorf("the native protocol: %v", err)
	}
}

// A backup made before a table had a column is restored with the column's default; one made by a newer schema is refused.
func TestRestoreOfAnotherSchema(t *testing.T) {
	db := openTest(t)
	fillForBackup(t, db)
	ctx := testContext(t)
	for _, statement := range []string{"ALTER TABLE dead DROP COLUMN clone", "DROP TABLE dead_done", "ALTER TABLE events DROP COLUMN author"} {
		if err := db.conn.Exec(ctx, statement); err != nil {
			t.Fatal(err)
		}
	}
	dir := filepath.Join(t.TempDir(), "b")
	m := backUp(t, db, dir)
	to, _ := openRestore(t)
	newer := *m
	newer.Schema++
	var schema *SchemaError
	if err := to.BeginRestore(ctx, &newer); !errors.As(err, &schema) {
		t.Errorf("a backup of a newer schema: %v", err)
	}
	if err := errors.Join(to.BeginRestore(ctx, m), to.RestoreTables(ctx, dir, m, nil), to.EndRestore(ctx)); err != nil {
		t.Fatal(err)
	}
	for _, table := range m.Tables {
		if want, got := tableSum(t, db, table), tableSum(t, to, table); want != got {
			t.Errorf("%s: %s, restored %s", table.Name, want, got)
		}
	}
	var letters, events uint64
	if err := to.conn.QueryRow(ctx, "SELECT (SELECT count() FROM dead FINAL WHERE clone = 0), (SELECT count() FROM events FINAL WHERE author = '')").Scan(&letters, &events); err != nil || letters != 1 || events != uint64(m.Events) {
		t.Errorf("%d letters, %d of %d events with the default (%v)", letters, events, m.Events, err)
	}
}

// What a backup and its restore take per event, and how many bytes it needs.
func BenchmarkBackup(b *testing.B) {
	db := openTest(b)
	ctx := testContext(b)
	const inserts, each = 10, 50_000
	s := newSeries(1, "rhein", "p1")
	for i := range inserts {
		byMonth := map[int][]*pb.Event{}
		for range each {
			e := s.next()
			month := Month(millis(e.GetOccurredAt()))
			byMonth[month] = append(byMonth[month], e)
		}
		for _, evs := range byMonth {
			if err := db.InsertEvents(ctx, evs, uint64(i)+1); err != nil {
				b.Fatal(err)
			}
		}
	}
	for b.Loop() {
		dir := filepath.Join(b.TempDir(), "b")
		d, err := NewBackup(dir, "bench")
		if err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		if err := db.BackUp(ctx, d, nil); err != nil {
			b.Fatal(err)
		}
		m, err := d.Finish()
		if err != nil || m.Events != inserts*each {
			b.Fatal(m, err)
		}
		made := time.Since(began)
		to, err := Open(ctx, Config{DSN: warehousetest.DSN(b), Restore: true})
		if err != nil {
			b.Fatal(err)
		}
		began = time.Now()
		if err := errors.Join(to.BeginRestore(ctx, m), to.RestoreTables(ctx, dir, m, nil), to.EndRestore(ctx)); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(m.Events)/made.Seconds(), "backup-events/s")
		b.ReportMetric(float64(m.Events)/time.Since(began).Seconds(), "restore-events/s")
		b.ReportMetric(float64(m.Bytes())/float64(m.Events), "bytes/event")
		to.Close()
	}
}
