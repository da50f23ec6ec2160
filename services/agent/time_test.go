package agent_test

import (
	"bytes"
	"io"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// wall is a machine's clock that can be set.
type wall struct {
	mu sync.Mutex
	by time.Duration
}

func (w *wall) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return time.Now().Add(w.by)
}

func (w *wall) set(by time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.by = by
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// TestClockStepped: a step over five minutes is recorded for each press with
// both sides, filed under the side the server's clock agrees with; a smaller
// one is not.
func TestClockStepped(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	pr, pw := io.Pipe()
	defer func() { _ = pw.Close() }()
	cfg := config(t, env, agent.Source{Reader: pr, Name: "x"})
	cfg.Presses = []string{"rhein/p1", "rhein/p2"}
	w := &wall{by: -30 * 24 * time.Hour} // a machine that has lost its time
	var log lockedBuffer
	cfg.Clock, cfg.Log = w.now, slog.New(slog.NewTextHandler(&log, nil))
	a, stop := start(t, cfg)
	const line = `{"plant":"rhein","press":"p1","occurredAt":"2026-06-15T04:00:00Z","recordedAt":"2026-06-15T04:00:00Z","jobEnded":{"job":"J1"}}` + "\n"
	for range 2 {
		if _, err := io.WriteString(pw, line); err != nil {
			t.Fatal(err)
		}
	}
	within(t, 10*time.Second, "alarm", func() bool { return a.Status().ClockAlarm && a.Status().Confirmed == 2 })
	if off := a.Status().ClockOffset; (off - 30*24*time.Hour).Abs() > 2*time.Second {
		t.Fatalf("offset %v", off)
	}
	w.set(-4 * time.Minute) // then it is set, four minutes off
	within(t, 20*time.Second, "recorded", func() bool { return a.Status().Confirmed == 4 })
	w.set(0) // and put right: slewed
	time.Sleep(1500 * time.Millisecond)
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, e := range s.check(t, 4) {
		c := e.GetClockStepped()
		if c == nil {
			continue
		}
		n++
		before, after := c.Before.AsTime(), c.After.AsTime()
		if d := after.Sub(before); (d-(30*24*time.Hour-4*time.Minute)).Abs() > 2*time.Second || !e.OccurredAt.AsTime().Equal(after) {
			t.Errorf("%v to %v, filed under %v", before, after, e.OccurredAt.AsTime())
		}
	}
	if n != 2 || !strings.Contains(log.String(), "the clock is not the server's") {
		t.Errorf("%d events\n%s", n, log.String())
	}
}

// TestOffset: the server's clock is measured.
func TestOffset(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	s.ahead = 1500 * time.Millisecond
	cfg := config(t, env, agent.Source{Reader: strings.NewReader(sliceLines(0, 10)), Name: "x"})
	st := run(t, cfg).Status()
	if st.ClockAlarm || (st.ClockOffset-s.ahead).Abs() > 200*time.Millisecond {
		t.Fatalf("%+v", st)
	}
}
