package warehouse

import "testing"

// A table that was taken out and not brought back, because its attaching failed or the program was interrupted, is brought
// back by the next try.
func TestReloadBringsBackWhatIsOut(t *testing.T) {
	ctx, db := testContext(t), openTest(t)
	if err := db.conn.Exec(ctx, "DETACH TABLE events"); err != nil {
		t.Fatal(err)
	}
	var n uint64
	if err := db.conn.QueryRow(ctx, "SELECT count() FROM events").Scan(&n); err == nil || !unknownTable(err) {
		t.Fatalf("a table that is out: %v", err)
	}
	db.away = map[string]bool{"events": true}
	f := db.faults()
	f.unwritten++
	if done, err := db.mendOnce(ctx, f, "dead"); err != nil || !done {
		t.Fatalf("mended %v, %v", done, err)
	}
	if err := db.conn.QueryRow(ctx, "SELECT count() FROM events").Scan(&n); err != nil || len(db.away) != 0 {
		t.Errorf("events is not back: %v, %v", err, db.away)
	}
}
