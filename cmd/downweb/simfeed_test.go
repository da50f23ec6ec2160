package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/downweb/downweb/services/fleetsim"
)

func testFleet(t *testing.T) *fleet {
	t.Helper()
	f, err := newFleet(fleetsim.Config{Seed: 3, Until: "2026-06-28", Weeks: 1})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// An agent that was killed after any byte gets exactly what follows it.
func TestHistoryResumes(t *testing.T) {
	whole := newHistory(t.Context(), testFleet(t))
	all, err := io.ReadAll(whole)
	if err != nil || len(all) < 1_000_000 {
		t.Fatalf("%d bytes, %v", len(all), err)
	}
	if n := int64(bytes.Count(all, []byte{'\n'})); whole.lines.Load() != n {
		t.Errorf("counted %d lines of %d", whole.lines.Load(), n)
	}
	for _, offset := range []int{0, 1, 12345, len(all) / 2, len(all) - 1, len(all)} {
		f := newHistory(t.Context(), testFleet(t))
		f.Resume(int64(offset))
		rest, err := io.ReadAll(f)
		if err != nil || !bytes.Equal(rest, all[offset:]) {
			t.Errorf("from %d: %d bytes, want %d, %v", offset, len(rest), len(all)-offset, err)
		}
		if f.lines.Load() != whole.lines.Load() {
			t.Errorf("from %d: counted %d lines", offset, f.lines.Load())
		}
	}
}

// The same lines as `sim --out -`, and as the files of `sim --out DIR`.
func TestSimCommand(t *testing.T) {
	if testing.Short() {
		t.Skip("26 weeks of a fleet are written twice")
	}
	dir := t.TempDir()
	code, out, errs := command(t, "sim", "--out", dir, "--seed", "3")
	if code != 0 || out != "" || !strings.Contains(errs, "12 presses") {
		t.Fatalf("exit %d, %q, %q", code, out, errs)
	}
	entries, _ := filepath.Glob(filepath.Join(dir, "*"))
	if len(entries) != 12+2+1 {
		t.Errorf("files %v", entries)
	}
	var size int64
	for _, e := range entries {
		if strings.HasSuffix(e, ".jsonl") {
			info, err := os.Stat(e)
			if err != nil {
				t.Fatal(err)
			}
			size += info.Size()
		}
	}
	f, err := newFleet(fleetsim.Config{Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	n, err := io.Copy(io.Discard, newHistory(t.Context(), f))
	if err != nil || n != size {
		t.Errorf("the feed has %d bytes, the files %d, %v", n, size, err)
	}
}

// Live lines come in order, at the pace that is asked for, without long pauses, and never ahead of the clock.
func TestLivePace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // time begins at 2000-01-01
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		line := func(at string) string { return `{"recordedAt":"` + at + `","slice":{}}` + "\n" }
		f := &simFeed{ctx: ctx, days: make(chan []byte, 1), live: &livePace{speed: 60, now: time.Now}}
		f.start.Do(func() {})
		f.days <- []byte(line("1999-12-31T20:00:00Z") + line("1999-12-31T20:01:00Z") + line("1999-12-31T20:01:30Z") + line("1999-12-31T23:00:00Z") + line("2000-01-01T00:10:00Z"))
		begin := time.Now()
		for n, want := range []time.Duration{0, time.Second, 1500 * time.Millisecond, 6500 * time.Millisecond, 10 * time.Minute} {
			buf := make([]byte, 4096)
			k, err := f.Read(buf)
			if err != nil || buf[k-1] != '\n' || bytes.Count(buf[:k], []byte{'\n'}) != 1 {
				t.Fatalf("line %d: %q, %v", n, buf[:k], err)
			}
			if got := time.Since(begin); got != want {
				t.Errorf("line %d came after %v, want %v", n, got, want)
			}
		}
		f.days <- []byte(line("2000-01-01T00:10:00Z"))
		small := make([]byte, 20)
		if n, err := f.Read(small); n != 20 || err != nil {
			t.Errorf("a small read: %d, %v", n, err)
		}
		if rest := make([]byte, 99); true {
			n, err := f.Read(rest)
			if err != nil || !bytes.HasSuffix(rest[:n], []byte("\n")) {
				t.Errorf("its rest: %q, %v", rest[:n], err)
			}
		}
	})
}

func TestLiveGoesOnWhereHistoryEnds(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	f := testFleet(t)
	if _, err := io.Copy(io.Discard, newHistory(ctx, f)); err != nil {
		t.Fatal(err)
	}
	read := func(f *fleet) []byte {
		live := newLive(ctx, f, 1e12)
		buf := make([]byte, 200_000)
		if _, err := io.ReadFull(live, buf); err != nil {
			t.Fatal(err)
		}
		return buf
	}
	after := read(f)
	if fresh := read(testFleet(t)); !bytes.Equal(after, fresh) {
		t.Error("a live feed differs after a restart")
	}
	var last time.Time
	for line := range bytes.Lines(after) {
		at := recorded(line)
		if !bytes.HasSuffix(line, []byte("\n")) {
			break
		}
		if at.Before(last) {
			t.Fatalf("%v after %v", at, last)
		}
		last = at
	}
	if first := recorded(after); first.Before(time.Date(2026, 6, 28, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("live begins at %v", first)
	}
}
