package ops_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/opstest"
)

func TestMetrics(t *testing.T) {
	m := ops.NewMetrics()
	var n atomic.Uint64
	m.Count("downweb_test_events_total", "Events seen.", n.Load)
	m.Gauge("downweb_test_depth_bytes", "Bytes held.", func() float64 { return 7 })
	m.GaugeEach("downweb_test_holes", "Missing seqs of a press.", []string{"press"}, func(give func(float64, ...string)) {
		give(1, "rhein/p1")
		give(3, "rhein/p2")
	})
	if got := opstest.Value(t, m, "downweb_test_events_total"); got != 0 {
		t.Errorf("counter %v before anything happened", got)
	}
	n.Add(5)
	if got := opstest.Value(t, m, "downweb_test_events_total"); got != 5 {
		t.Errorf("counter %v, want 5", got)
	}
	if got := opstest.Value(t, m, "downweb_test_holes", "press", "rhein/p2"); got != 3 {
		t.Errorf("holes %v, want 3", got)
	}
	// A second part in the same process counts in the place of the first.
	m.Count("downweb_test_events_total", "Events seen.", func() uint64 { return 2 })
	if got := opstest.Value(t, m, "downweb_test_events_total"); got != 2 {
		t.Errorf("registered again: %v, want 2", got)
	}
}

// The listener gives the Prometheus text out and ends with its context.
func TestMetricsOverHTTP(t *testing.T) {
	m := ops.NewMetrics()
	m.Gauge("downweb_test_depth_bytes", "Bytes held.", func() float64 { return 7 })
	ctx, stop := context.WithCancel(t.Context())
	l := ops.NewListener("127.0.0.1:0", func() error { return nil }, slog.New(slog.DiscardHandler)).WithMetrics(m)
	done := make(chan error, 1)
	go func() { done <- l.Run(ctx) }()
	r, err := http.Get("http://" + <-l.Bound() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(r.Body)
	r.Body.Close()
	if err != nil || r.StatusCode != 200 {
		t.Fatalf("status %d, %v", r.StatusCode, err)
	}
	// The text format of Prometheus: "# HELP name text", "# TYPE name kind", "name value".
	for _, want := range []string{"# HELP downweb_test_depth_bytes Bytes held.\n# TYPE downweb_test_depth_bytes gauge\ndownweb_test_depth_bytes 7\n", "go_goroutines "} {
		if !strings.Contains(string(text), want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
}
