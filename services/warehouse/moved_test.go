package warehouse

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"testing"
)

// What a program of an earlier version has in its table is taken over by the
// next writer, a newer row stays, and that program cannot write any more.
func TestOldDaysMove(t *testing.T) {
	ctx := context.Background()
	db := openTest(t)
	exec := func(q string) error { return db.conn.Exec(ctx, q) }
	for _, q := range []string{
		"INSERT INTO press_days (plant, press, day, pbt_ms, ver) VALUES ('a', 'p1', 1, 10, 5), ('a', 'p1', 2, 20, 5), ('a', 'p1', 400, 30, 5)",
		"INSERT INTO press_days_by_month (plant, press, day, pbt_ms, ver) VALUES ('a', 'p1', 2, 21, 6)",
	} {
		if err := exec(q); err != nil {
			t.Fatal(err)
		}
	}
	floor, err := db.Fence(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var sum int64
	var old uint64
	if err := db.conn.QueryRow(ctx, "SELECT sum(pbt_ms), (SELECT count() FROM press_days) FROM press_days_by_month FINAL").Scan(&sum, &old); err != nil || sum != 61 || old != 0 {
		t.Errorf("planned time %d, %d rows left, %v", sum, old, err)
	}
	if err := exec("INSERT INTO press_days (plant, press, day, ver) VALUES ('a', 'p1', 3, 7)"); !errors.Is(fenced(err), ErrFenced) || floor < 7 {
		t.Errorf("the earlier program writes: %v", err)
	}
	// Between two fences of today's programs one of an earlier version was used again: what it wrote comes too.
	if err := exec("ALTER TABLE press_days DROP CONSTRAINT fence_" + strconv.FormatUint(floor, 10)); err != nil {
		t.Fatal(err)
	}
	if err := exec(fmt.Sprintf("INSERT INTO press_days (plant, press, day, pbt_ms, ver) VALUES ('a', 'p1', 2, 50, %d), ('a', 'p1', 1, 9, 4)", floor+9)); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Fence(ctx); err != nil {
		t.Error(err)
	}
	if err := db.conn.QueryRow(ctx, "SELECT sum(pbt_ms), (SELECT count() FROM press_days) FROM press_days_by_month FINAL").Scan(&sum, &old); err != nil || sum != 90 || old != 0 {
		t.Errorf("planned time %d, %d rows left, %v", sum, old, err)
	}
}
