package agent_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

func copySpool(t *testing.T, cfg agent.Config, to string) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(cfg.SpoolDir, cfg.Name+".db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// start an agent and return how to stop it.
func start(t *testing.T, cfg agent.Config) (*agent.Agent, func() error) {
	t.Helper()
	a := agent.New(cfg)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	stopped := false
	stop := func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		return <-done
	}
	t.Cleanup(func() { _ = stop() })
	return a, stop
}

const note = `{"plant":"rhein","press":"p1","occurredAt":"2026-06-15T04:00:00Z","sourceKey":"%s","reasonNoted":{"from":"2026-06-15T04:00:00Z","to":"2026-06-15T04:01:00Z","kind":"NOTE_KIND_STOP","reason":"reel"}}` + "\n"

const voidKey = `{"plant":"rhein","press":"p1","occurredAt":"2026-06-15T05:00:00Z","voided":{"targetSourceKey":"%s"}}` + "\n"

// TestOldCopyRolls is the disk put back from an older copy while the agent had
// gone on: a new epoch is begun by itself, what the copy held is not sent
// under two names, what came since is kept, voids name what they mean.
func TestOldCopyRolls(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	dir := t.TempDir()
	cfg := config(t, env, agent.Source{Path: write(t, filepath.Join(dir, "1"), sliceLines(0, 100)+fmt.Sprintf(note, "k1"))})
	run(t, cfg)
	// Sent, and copied, before it is confirmed.
	hold := func(on bool) {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.hold = on
	}
	hold(true)
	away := cfg
	away.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "2"), sliceLines(100, 150)), Follow: true}}
	a, stop := start(t, away)
	within(t, 10*time.Second, "sent", func() bool { return a.Status().Published == 151 })
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	hold(false)
	copied := filepath.Join(dir, "copy.db")
	copySpool(t, cfg, copied)
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "3"), sliceLines(150, 400))}}
	run(t, cfg)
	s.check(t, 401)
	old := a.Status().Epoch

	// The copy is put back. Of what is fed now it has never seen slices 150 to
	// 400, and it was fed 400 to 420 by nobody.
	if err := os.Rename(copied, filepath.Join(cfg.SpoolDir, cfg.Name+".db")); err != nil {
		t.Fatal(err)
	}
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "4"), sliceLines(400, 420)+fmt.Sprintf(note, "k2")+fmt.Sprintf(voidKey, "k1")+fmt.Sprintf(voidKey, "k2"))}}
	st := run(t, cfg).Status()
	if st.Rolls != 1 || st.Epoch == old || st.Unproven || st.OldCopy || st.Presses[0].Last != 23 {
		t.Fatalf("%+v", st)
	}
	all := s.check(t, 401+23)
	for _, e := range all {
		if e.Epoch != st.Epoch {
			continue
		}
		switch v := e.GetVoided(); e.Seq {
		case 22: // of k1, in the old epoch
			if v.Epoch != old || v.FirstSeq != 101 {
				t.Errorf("void %v", v)
			}
		case 23: // of k2, taken into the old epoch and numbered anew
			if v.Epoch != st.Epoch || v.FirstSeq != 21 || v.LastSeq != 21 {
				t.Errorf("void %v", v)
			}
		}
	}
	// The next run is the same line, and says nothing.
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "5"), sliceLines(420, 430)+fmt.Sprintf(note, "k2")+fmt.Sprintf(note, "k1"))}}
	if st := run(t, cfg).Status(); st.Rolls != 0 || st.Accepted != 10 || st.Duplicates != 2 {
		t.Fatalf("next run %+v", st)
	}
	s.check(t, 401+33)
}

// TestUnprovenHoldsBack: until the warehouse has answered, a spool that could
// be an old copy sends only what every copy of it holds.
func TestUnprovenHoldsBack(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	dir := t.TempDir()
	cfg := config(t, env, agent.Source{Path: write(t, filepath.Join(dir, "1"), sliceLines(0, 10))})
	run(t, cfg)
	s.mu.Lock()
	s.silent = true
	s.mu.Unlock()
	for round := range 3 { // the bound stays through restarts
		from := 10 + 10*round
		cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, fmt.Sprint(2+round)), sliceLines(from, from+10)), Follow: true}}
		a, stop := start(t, cfg)
		within(t, 10*time.Second, "accepted", func() bool { return a.Status().Accepted == 10 })
		time.Sleep(300 * time.Millisecond)
		if st := a.Status(); !st.Unproven || st.Published > 10 {
			t.Fatalf("%+v", st)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	}
	s.mu.Lock()
	s.silent = false
	s.mu.Unlock()
	cfg.Sources = []agent.Source{{Reader: strings.NewReader(""), Name: "none"}}
	if st := run(t, cfg).Status(); st.Confirmed != 40 || st.Rolls != 0 {
		t.Fatalf("%+v", st)
	}
	s.check(t, 40)
}

// TestTwinRuns: two agents on copies of one spool. One of them begins a new
// epoch; no identity has two contents.
func TestTwinRuns(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	dir := t.TempDir()
	cfg := config(t, env, agent.Source{Path: write(t, filepath.Join(dir, "1"), sliceLines(0, 100))})
	run(t, cfg)
	twin := cfg
	twin.SpoolDir = t.TempDir()
	copySpool(t, cfg, filepath.Join(twin.SpoolDir, cfg.Name+".db"))
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "2"), sliceLines(100, 200))}}
	run(t, cfg)
	twin.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "3"), sliceLines(200, 300))}}
	if st := run(t, twin).Status(); st.Rolls != 1 {
		t.Fatalf("%+v", st)
	}
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "4"), sliceLines(300, 400))}}
	if st := run(t, cfg).Status(); st.Rolls != 0 {
		t.Fatalf("%+v", st)
	}
	s.check(t, 400)
}

// TestRollWhileFull: the spool is full of what may not be sent under the old
// epoch; the roll happens all the same, and frees it.
func TestRollWhileFull(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	dir := t.TempDir()
	cfg := config(t, env, agent.Source{Path: write(t, filepath.Join(dir, "1"), sliceLines(0, 100))})
	cfg.SpoolMax = 300 << 10
	run(t, cfg)
	copied := filepath.Join(dir, "copy.db")
	copySpool(t, cfg, copied)
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "2"), sliceLines(100, 200))}}
	run(t, cfg)
	if err := os.Rename(copied, filepath.Join(cfg.SpoolDir, cfg.Name+".db")); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	s.silent = true
	s.mu.Unlock()
	const n = 20_000
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "3"), sliceLines(200, 200+n)+fmt.Sprintf(note, "k")+fmt.Sprintf(voidKey, "k"))}}
	a := agent.New(cfg)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	within(t, 20*time.Second, "full", func() bool { return a.Status().Full })
	s.mu.Lock()
	s.silent = false
	s.mu.Unlock()
	if err := <-done; err != nil || ctx.Err() != nil {
		t.Fatalf("%v, %+v", err, a.Status())
	}
	if st := a.Status(); st.Rolls != 1 || st.Accepted != n+2 {
		t.Fatalf("%+v", st)
	}
	s.check(t, 200+n+2)
}

// TestWhoAnswersIsNoWarehouse: marks above all that was ever given out, again
// and again, end the agent instead of making epochs for ever.
func TestWhoAnswersIsNoWarehouse(t *testing.T) {
	env := eventlogtest.Start(t)
	sub, err := eventlog.ServeMarks(env.Core, func(_, _ string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		return &pb.MarkReply{Epoch: r.Epoch, Mark: r.LastSeq + 5, WarehouseId: 1, FrameVersion: eventlog.FrameVersion}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	cfg := config(t, env, agent.Source{Reader: strings.NewReader(sliceLines(0, 10)), Name: "x"})
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if err := agent.New(cfg).Run(ctx); !errors.Is(err, agent.ErrOldCopy) {
		t.Fatal(err)
	}
}

// TestForgottenPress: events of a press taken out of the settings are sent.
func TestForgottenPress(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	pr, pw := io.Pipe()
	cfg := config(t, env, agent.Source{Reader: pr, Name: "x"})
	cfg.URL = "nats://127.0.0.1:1"
	a, stop := start(t, cfg)
	if _, err := io.WriteString(pw, sliceLines(0, 10)); err != nil {
		t.Fatal(err)
	}
	within(t, 10*time.Second, "accepted", func() bool { return a.Status().Accepted == 10 })
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	_ = pw.Close()
	cfg.URL, cfg.Presses = env.Server.URL(), []string{"rhein/p2"}
	cfg.Sources = []agent.Source{{Reader: strings.NewReader(""), Name: "none"}}
	run(t, cfg)
	s.check(t, 10)
}

// TestQuarantined: the warehouse sets the epoch aside; the agent begins
// another and goes on.
func TestQuarantined(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	dir := t.TempDir()
	cfg := config(t, env, agent.Source{Path: write(t, filepath.Join(dir, "1"), sliceLines(0, 100))})
	epoch := run(t, cfg).Status().Epoch
	s.mu.Lock()
	s.clone = epoch
	s.mu.Unlock()
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(dir, "2"), sliceLines(100, 200))}}
	if st := run(t, cfg).Status(); st.Rolls != 1 || st.Epoch == epoch || st.Last != 100 {
		t.Fatalf("%+v", st)
	}
	s.check(t, 200)
}
