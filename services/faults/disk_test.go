//go:build linux

package faults

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/eventlog/logserver"
)

// T9, spool: the disk fills up under a spool that is allowed more. Commits are refused with the disk's
// error, what was accepted stays readable, and when there is room again the next commit goes through.
func TestSpoolDiskFull(t *testing.T) {
	disk := smallDisk(t, 8)
	path := filepath.Join(disk, "spool", "a.db")
	s, err := spool.Open(path, spool.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { s.Close() }()
	commit := func() error { return s.Commit(batchOf(s.State(spoolPress).Last+1, 500)) }
	if err := commit(); err != nil {
		t.Fatal(err)
	}
	for round := range 3 {
		empty := fill(t, disk, 256<<10)
		refused := error(nil)
		for range 400 {
			if refused = commit(); refused != nil {
				break
			}
		}
		if !errors.Is(refused, syscall.ENOSPC) || errors.Is(refused, spool.ErrFull) {
			t.Fatalf("round %d: a full disk gives %v", round, refused)
		}
		held := s.State(spoolPress)
		for n := 0; n < 5; { // refused again and again, and nothing moves
			err := commit()
			now := s.State(spoolPress)
			if err == nil { // bbolt takes free pages in any order: this time it met some that had room on the disk already
				if now.Last != held.Last+500 {
					t.Fatalf("round %d: accepted, and %+v follows %+v", round, now, held)
				}
				held = now
				continue
			}
			if n++; now != held {
				t.Errorf("round %d: %+v before, %+v after a refusal", round, held, now)
			}
		}
		if round == 1 { // a process that starts on a full disk
			s.Close()
			if s, err = spool.Open(path, spool.Options{}); err != nil {
				t.Logf("opening on a full disk: %v", err)
				empty()
				empty = func() {}
				if s, err = spool.Open(path, spool.Options{}); err != nil {
					t.Fatal(err)
				}
			}
			if now := s.State(spoolPress); now.Last != held.Last || now.Trimmed != held.Trimmed {
				t.Errorf("opened again: %+v, before %+v", now, held)
			}
		}
		empty()
		if err := commit(); err != nil {
			t.Fatalf("round %d: there is room again: %v", round, err)
		}
		if now := s.State(spoolPress); now.Last != held.Last+500 {
			t.Fatalf("round %d: %+v after %+v", round, now, held)
		}
		if _, err := s.Trim(spoolPress, held.Last); err != nil {
			t.Fatal(err)
		}
	}
	accepted := s.State(spoolPress).Last
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	checkSpool(t, "at the end", path, fmt.Sprintf("accepted %d\n", accepted))
	s, _ = spool.Open(path, spool.Options{})
}

// T9, JetStream: the server's disk fills up. No frame is acknowledged that is not stored; the server ends
// with an error, so that its supervisor starts it again (it stays frozen otherwise); with room again everything
// acknowledged is there and what was not is sent again, once.
func TestStreamDiskFull(t *testing.T) {
	disk := smallDisk(t, 48)
	ctx := limited(t, 2*time.Minute)
	listen := "127.0.0.1:0"
	start := func() (srv *logserver.Server, ended chan error, stop context.CancelFunc) {
		run, stop := context.WithCancel(ctx)
		srv = logserver.New(logserver.Config{StoreDir: disk, Listen: listen, CorePassword: eventlogtest.CorePassword, PressPassword: eventlogtest.PressPassword})
		ended = make(chan error, 1)
		go func() { ended <- srv.Run(run) }()
		select {
		case <-srv.Ready():
		case err := <-ended:
			t.Fatalf("log server: %v", err)
		}
		listen = strings.TrimPrefix(srv.URL(), "nats://")
		return srv, ended, stop
	}
	srv, ended, stop := start()
	defer func() { stop(); <-ended }()
	core, err := eventlog.ConnectCore(ctx, srv.URL(), eventlogtest.CorePassword, "test-core", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer core.Close()
	js, err := jetstream.New(core)
	if err != nil {
		t.Fatal(err)
	}
	if err := eventlog.EnsureStreams(ctx, js, eventlog.StreamOptions{}); err != nil {
		t.Fatal(err)
	}
	press, err := eventlog.ConnectPress(ctx, srv.URL(), eventlogtest.PressPassword, "test-press", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer press.Close()
	sender, err := jetstream.New(press)
	if err != nil {
		t.Fatal(err)
	}
	frame := func(n int) []byte { return fmt.Appendf(nil, "frame %06d %s", n, bytes.Repeat([]byte{'x'}, 60_000)) }
	send := func(n int) error {
		try, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		_, err := sender.Publish(try, eventlog.PressSubject("rhein", "p1"), frame(n), jetstream.WithMsgID(fmt.Sprintf("rhein/p1/1/%d-%d", n, n)), jetstream.WithRetryAttempts(0))
		return err
	}
	const frames = 60
	acked := map[int]bool{}
	for n := range 20 {
		if err := send(n); err != nil {
			t.Fatal(err)
		}
		acked[n] = true
	}
	empty := fill(t, disk, 600<<10)
	refused := 0
	for n := 20; n < frames && refused < 3; n++ {
		if err := send(n); err == nil {
			acked[n] = true
		} else {
			refused++
		}
	}
	if refused == 0 {
		t.Fatal("the disk did not fill up")
	}
	select {
	case err := <-ended:
		if err == nil {
			t.Fatal("the server ended well on a full disk")
		}
		t.Logf("%d frames acknowledged, then: %v", len(acked), err)
		ended <- nil // for the stop
	case <-time.After(30 * time.Second):
		t.Log("the server went on for 30 s: a stream that still works needs no restart")
		stop()
		<-ended
		ended <- nil
	}
	empty()
	_, ended, stop = start()
	for n := range frames {
		if acked[n] {
			continue
		}
		within(t, 30*time.Second, fmt.Sprintf("frame %d is taken", n), func() bool { return send(n) == nil })
	}
	var last uint64
	within(t, 20*time.Second, "the stream can be asked", func() bool {
		s, err := js.Stream(ctx, eventlog.StreamPress)
		if err == nil {
			last = s.CachedInfo().State.LastSeq
		}
		return err == nil
	})
	s, err := js.Stream(ctx, eventlog.StreamPress)
	if err != nil {
		t.Fatal(err)
	}
	times := map[int]int{}
	for seq := uint64(1); seq <= last; seq++ {
		m, err := s.GetMsg(ctx, seq)
		if err != nil {
			t.Fatalf("message %d of %d: %v", seq, last, err)
		}
		var n int
		if _, err := fmt.Sscanf(string(m.Data), "frame %d", &n); err != nil || !bytes.Equal(m.Data, frame(n)) {
			t.Fatalf("message %d is not what was sent", seq)
		}
		times[n]++
	}
	for n := range frames {
		if times[n] != 1 {
			t.Errorf("frame %d is there %d times (acknowledged: %v)", n, times[n], acked[n])
		}
	}
}

// T9, engine: the warehouse's disk fills up. Inserts fail; what was acknowledged is there, what failed is
// there whole or not at all; with room again inserts work without a restart, and after one too.
func TestEngineDiskFull(t *testing.T) {
	disk := smallDisk(t, 160)
	ctx := limited(t, 2*time.Minute)
	e := startEngine(t, ctx, filepath.Join(disk, "engine"))
	const rows = 20_000
	insert := func(epoch uint64) error {
		ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
		defer cancel()
		return e.db.InsertEvents(ctx, slicesOf(epoch, 1, rows), epoch)
	}
	acked := map[uint64]bool{}
	epoch := uint64(0)
	for epoch < 2 {
		if epoch++; insert(epoch) != nil {
			t.Fatal("the first inserts fail")
		}
		acked[epoch] = true
	}
	empty := fill(t, disk, 300<<10)
	var refused error
	for range 60 {
		epoch++
		if refused = insert(epoch); refused != nil {
			break
		}
		acked[epoch] = true
	}
	if refused == nil {
		t.Fatal("the disk did not fill up")
	}
	t.Logf("after %d inserts: %v", len(acked), refused)
	failed := epoch
	check := func(when string) {
		t.Helper()
		for n := uint64(1); n <= epoch; n++ {
			have, distinct := e.count(t, ctx, n)
			if distinct != have && distinct != rows || have > 2*rows || acked[n] && distinct != rows || distinct != 0 && distinct != rows {
				t.Errorf("%s: batch %d (acknowledged: %v) has %d rows, %d identities", when, n, acked[n], have, distinct)
			}
		}
	}
	check("on the full disk")
	empty()
	within(t, 30*time.Second, "inserts work again", func() bool { return insert(failed) == nil })
	acked[failed] = true
	check("with room again")
	if err := e.Stop(); err != nil {
		t.Errorf("stop: %v", err)
	}
	e.db.Close()
	e = startEngine(t, ctx, filepath.Join(disk, "engine"))
	epoch++
	if err := insert(epoch); err != nil {
		t.Errorf("after the restart: %v", err)
	}
	acked[epoch] = true
	check("after the restart")
}
