package eventlog_test

import (
	"testing"
	"time"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/opstest"
)

// The server's health, a message that waits, and a refused publish can be seen.
func TestLogMetrics(t *testing.T) {
	env := eventlogtest.Start(t)
	ctx := t.Context()
	m := ops.NewMetrics()
	env.Server.RegisterMetrics(m)
	eventlog.RegisterConnMetrics(m)
	if got := opstest.Value(t, m, "downweb_nats_healthy"); got != 1 {
		t.Errorf("healthy %v", got)
	}
	if got := opstest.Value(t, m, "downweb_nats_clients"); got < 1 {
		t.Errorf("%v clients", got)
	}
	if _, err := eventlog.Consumer(ctx, env.JS, 1); err != nil {
		t.Fatal(err)
	}
	if _, err := env.JS.Publish(ctx, eventlog.StreamSubject("rhein", "p1"), []byte("a frame")); err != nil {
		t.Fatal(err)
	}
	time.Sleep(10 * time.Millisecond)
	eventlog.RegisterLogMetrics(m, env.JS, 1)
	for name, want := range map[string]float64{"reachable": 1, "stream_messages": 1, "pending_messages": 1, "unacked_messages": 0} {
		if got := opstest.Value(t, m, "downweb_log_"+name); got != want {
			t.Errorf("%s = %v, want %v", name, got, want)
		}
	}
	if got := opstest.Value(t, m, "downweb_log_oldest_waiting_seconds"); got < 0.005 || got > 60 {
		t.Errorf("the oldest waits %v s", got)
	}
	// A press may publish on its own subjects only; the refusal comes later, on the connection.
	before := opstest.Value(t, m, "downweb_log_refusals_total")
	if err := env.Press.Publish("$JS.API.STREAM.DELETE.PRESS", nil); err != nil {
		t.Fatal(err)
	}
	env.Press.Flush()
	for end := time.Now().Add(10 * time.Second); opstest.Value(t, m, "downweb_log_refusals_total") == before; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("a refused publish is not counted")
		}
	}
}
