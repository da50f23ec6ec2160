package faults

import (
	"fmt"
	"testing"
	"time"

	"github.com/downweb/downweb/services/warehouse"
)

// T5, small tables: what could not be accepted is kept, or is known not to be. A write to the part of an insert fails,
// which the engine does not tell; the insert must, and the next one stores.
func TestEngineSmallTableWriteFails(t *testing.T) {
	strace := needStrace(t)
	ctx := limited(t, 5*time.Minute)
	dir := t.TempDir()
	e := startEngine(t, ctx, dir)
	var table string
	if err := e.db.Conn().QueryRow(ctx, "SELECT data_paths[1] FROM system.tables WHERE database = 'downweb' AND name = 'dead'").Scan(&table); err != nil {
		t.Fatal(err)
	}
	letter := func(n int) []warehouse.Dead {
		return []warehouse.Dead{{Plant: "rhein", Press: "p1", Epoch: 1, Seq: uint64(n), Payload: fmt.Appendf(nil, "letter %d", n), Reason: "made up", At: time.UnixMilli(t0)}}
	}
	n := 0
	for _, file := range []string{"data.bin", "data.cmrk4", "primary.cidx"} {
		n++
		args := []string{"-e", "trace=" + diskCalls["write"], "-e", fmt.Sprintf("inject=%s:error=ENOSPC:when=1", diskCalls["write"])}
		for k := range 20 {
			args = append(args, "-P", fmt.Sprintf("%stmp_insert_all_%d_%d_0/%s", table, k, k, file))
		}
		_, detach := trace(t, ctx, strace, e.PID(), args...)
		err := e.db.InsertDead(ctx, letter(n))
		detach()
		if err == nil {
			t.Errorf("%s: the letter is said to be kept", file)
		}
		for end := time.Now().Add(20 * time.Second); ; time.Sleep(200 * time.Millisecond) { // as ingest does; an engine's first seconds are not believed
			err := e.db.InsertDead(ctx, letter(n))
			if err == nil {
				break
			}
			if time.Now().After(end) {
				t.Fatalf("%s: again: %v", file, err)
			}
		}
	}
	if err := e.Stop(); err != nil {
		t.Errorf("stop: %v", err)
	}
	e.db.Close()
	e = startEngine(t, ctx, dir)
	if waiting, _, err := e.db.CountDead(ctx); err != nil || waiting != uint64(n) {
		t.Errorf("%d of %d letters, %v", waiting, n, err)
	}
}
