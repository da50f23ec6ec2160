package faults

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/downweb/downweb/services/warehouse"
)

// T5, merges: a write fails while parts that were confirmed long ago are merged. The engine takes the merged part for
// whole and would delete what it was made of; whoever inserts next, or minds the writes, has it load the table again.
func TestEngineMergeWriteFails(t *testing.T) {
	strace := needStrace(t)
	files := []string{"data.bin", "primary.cidx", "metadata_version.txt"}
	if *long {
		files = partFiles
	}
	for _, minded := range []bool{true, false} {
		for i, file := range files {
			if !*long && i == 1 != minded { // each file one way, both ways
				continue
			}
			t.Run(fmt.Sprintf("%s, minded %v", file, minded), func(t *testing.T) { mergeWriteFails(t, strace, file, minded) })
		}
	}
}

func mergeWriteFails(t *testing.T, strace, file string, minded bool) {
	ctx := limited(t, 3*time.Minute)
	dir := t.TempDir()
	e := startEngine(t, ctx, dir)
	exec := func(q string) error { return e.db.Conn().Exec(ctx, q) }
	var table string
	if err := e.db.Conn().QueryRow(ctx, "SELECT data_paths[1] FROM system.tables WHERE database = 'downweb' AND name = 'events'").Scan(&table); err != nil {
		t.Fatal(err)
	}
	if err := exec("SYSTEM STOP MERGES events"); err != nil {
		t.Fatal(err)
	}
	const rows, before = 400, 3
	for epoch := range uint64(before) {
		if err := e.db.InsertEvents(ctx, slicesOf(epoch+1, 1, rows), epoch+1); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"-e", "trace=" + diskCalls["write"], "-e", fmt.Sprintf("inject=%s:error=ENOSPC:when=1", diskCalls["write"])}
	for a := range 8 {
		for b := range 8 {
			for level := range 4 {
				args = append(args, "-P", fmt.Sprintf("%stmp_merge_202603_%d_%d_%d/%s", table, a, b, level, file))
			}
		}
	}
	report, detach := trace(t, ctx, strace, e.PID(), args...)
	if err := exec("SYSTEM START MERGES events"); err != nil {
		t.Fatal(err)
	}
	exec("OPTIMIZE TABLE events FINAL") // says nothing of what fails
	detach()
	if text, _ := os.ReadFile(report); !strings.Contains(string(text), "INJECTED") {
		t.Fatalf("no write to %s of a merged part failed", file)
	}
	if minded {
		ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
		e.db.MindWrites(ctx, 200*time.Millisecond)
		cancel()
	}
	// It may be refused, because a write has failed, and in an engine's first seconds again and again.
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(200 * time.Millisecond) {
		err := e.db.InsertEvents(ctx, slicesOf(before+1, 1, rows), before+1)
		if err == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("the next insert is refused for ever: %v", err)
		}
	}
	whole := func(when string) {
		t.Helper()
		for epoch := range uint64(before + 1) {
			if n, distinct := e.count(t, ctx, epoch+1); n != rows || distinct != rows {
				t.Errorf("%s: epoch %d has %d rows, %d identities", when, epoch+1, n, distinct)
			}
		}
		var n uint64
		if err := e.db.Conn().QueryRow(ctx, "SELECT count() FROM events WHERE NOT ignore(*)").Scan(&n); err != nil || n != rows*(before+1) {
			t.Errorf("%s: %d rows can be read, %v", when, n, err)
		}
	}
	whole("mended")
	if err := e.Stop(); err != nil {
		t.Errorf("stop: %v", err)
	}
	e.db.Close()
	// What was merged was loaded from the parts before it, long before they would have been deleted: nothing is left to mend.
	e = startEngine(t, ctx, dir)
	whole("after a restart")
	have, err := e.db.StoredSeqs(ctx, warehouse.Span{Plant: "rhein", Press: "p1", Epoch: 1, First: 1, Last: rows, From: t0, To: t0 + rows*60_000})
	if err != nil || len(have) != rows {
		t.Errorf("read back %d, %v", len(have), err)
	}
}
