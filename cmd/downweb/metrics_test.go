//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"
)

// basePort is a port such that it and the next ones are free now.
func basePort(t *testing.T) int {
	t.Helper()
next:
	for range 50 {
		first, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		base := first.Addr().(*net.TCPAddr).Port
		first.Close()
		for i := range len(metricsPorts) {
			if base+i > 65535 || !canListen(fmt.Sprintf("127.0.0.1:%d", base+i)) {
				continue next
			}
		}
		return base
	}
	t.Fatal("no free ports")
	return 0
}

// Every process of an installation gives its metrics out, on a port of its own.
func TestMetricsOfEveryRole(t *testing.T) {
	needEngine(t)
	base := basePort(t)
	cmd := exec.Command(os.Args[0], "up", "--data-dir", t.TempDir(), "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0", "--web", "", "--nats-listen", "127.0.0.1:0", "--metrics", fmt.Sprintf("127.0.0.1:%d", base))
	cmd.Env = append(os.Environ(), "TEST_PLAY=downweb")
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		cmd.Process.Signal(os.Interrupt)
		cmd.Wait()
	}()
	for role, want := range map[string][]string{
		"engine": {"downweb_engine_queries_total [1-9]", "downweb_engine_inserts_total [1-9]", "downweb_engine_errors_total"},
		"nats":   {"downweb_nats_healthy 1", "downweb_nats_store_bytes"},
		"ingest": {"downweb_ingest_active 1", "downweb_projector_folds_total", "downweb_log_reachable 1", "downweb_warehouse_reachable 1", "downweb_log_refusals_total 0"},
		"api":    {"downweb_api_open_calls 0", "go_goroutines"},
	} {
		at := fmt.Sprintf("http://127.0.0.1:%d/metrics", base+metricsPorts[role])
		text := ""
		missing := want
		for end := time.Now().Add(90 * time.Second); len(missing) > 0 && time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
			if r, err := http.Get(at); err == nil {
				b, _ := io.ReadAll(r.Body)
				r.Body.Close()
				text = string(b)
			}
			missing = nil
			for _, w := range want {
				if !regexp.MustCompile("(?m)^" + w).MatchString(text) {
					missing = append(missing, w)
				}
			}
		}
		if len(missing) > 0 {
			t.Errorf("%s at %s gives no %q", role, at, missing)
		}
	}
	if t.Failed() {
		t.Log(said.String())
	}
}

func TestMetricsAddr(t *testing.T) {
	a := testApp(t, "metrics: {listen: 127.0.0.1:7720}\n")
	c, err := a.loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := c.metricsAddr("ingest"); got != "127.0.0.1:7720" {
		t.Errorf("by hand: %s", got)
	}
	c.environ = append(c.environ, supervisedVar+"=1")
	if got := c.metricsAddr("ingest"); got != "127.0.0.1:7722" {
		t.Errorf("supervised: %s", got)
	}
	a = testApp(t, "metrics: {listen: 0.0.0.0:7720}\n")
	if _, err := a.loadConfig(nil); err == nil || !strings.Contains(err.Error(), "metrics.listen") {
		t.Errorf("an address that others reach: %v", err)
	}
}

// A short bench: every event is in the table once, and every figure is there. How fast is another matter.
func TestBenchIngest(t *testing.T) {
	needEngine(t)
	cmd := exec.Command(os.Args[0], "bench", "ingest", "--events", "20000", "--presses", "12", "--runs", "2", "--bare-rows", "5000", "--lag-for", "1s", "--lag-rate", "1000", "--seed", "3", "-o", "json")
	cmd.Env = append(os.Environ(), "TEST_PLAY=downweb")
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, said.String())
	}
	var r ingestReport
	if err := json.Unmarshal(out, &r); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if len(r.Runs) != 2 || !r.Runs[0].BareFirst || r.Runs[1].BareFirst || r.Seed != 3 || r.Events != 20000 || r.Presses != 12 || r.BareRows != 5000 {
		t.Errorf("%+v", r)
	}
	for i, f := range r.Runs {
		if f.IdentitiesDifferent != 0 {
			t.Errorf("run %d: %d identities are missing or doubled", i, f.IdentitiesDifferent)
		}
		if f.EventsPerSecond <= 0 || f.BareRowsPerSecond <= 0 || f.Ratio <= 0 || f.StreamPerSecond <= 0 || f.LagP50 <= 0 || f.LagP99 < f.LagP50 || f.EventsPerInsert <= 0 || f.BytesPerEvent <= 0 {
			t.Errorf("run %d: %+v", i, f)
		}
	}
	if r.Versions["clickhouse"] == "" || r.Versions["nats"] == "" || r.Versions["go"] == "" {
		t.Errorf("versions %v", r.Versions)
	}
}

func TestMedians(t *testing.T) {
	runs := []ingestFigures{{EventsPerSecond: 3, Ratio: 1}, {EventsPerSecond: 1, Ratio: 2, IdentitiesDifferent: 1}, {EventsPerSecond: 2, Ratio: 9}}
	if m := medians(runs); m.EventsPerSecond != 2 || m.Ratio != 2 || m.IdentitiesDifferent != 1 {
		t.Errorf("%+v", m)
	}
	if m := medians(runs[:2]); m.EventsPerSecond != 2 || m.Ratio != 1.5 {
		t.Errorf("of two: %+v", m)
	}
}
