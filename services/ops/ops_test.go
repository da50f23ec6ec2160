package ops

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func TestLogger(t *testing.T) {
	var b bytes.Buffer
	log, err := Logger(&b, slog.LevelWarn, "json", "ingest")
	if err != nil {
		t.Fatal(err)
	}
	log.Info("quiet")
	log.Warn("loud", "n", 3)
	var rec map[string]any
	if err := json.Unmarshal(b.Bytes(), &rec); err != nil {
		t.Fatalf("%q: %v", b.String(), err)
	}
	if rec["msg"] != "loud" || rec["role"] != "ingest" || rec["n"] != 3.0 {
		t.Errorf("record %v", rec)
	}
	if _, err := Logger(&b, slog.LevelInfo, "xml", "ingest"); err == nil {
		t.Error("format xml accepted")
	}
}

func TestListener(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	var broken error
	l := NewListener("127.0.0.1:0", func() error { return broken }, slog.New(slog.DiscardHandler))
	done := make(chan error, 1)
	go func() { done <- l.Run(ctx) }()
	base := "http://" + <-l.Bound()
	get := func(path string) int {
		t.Helper()
		r, err := http.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		return r.StatusCode
	}
	if got := get("/livez"); got != 200 {
		t.Errorf("/livez %d", got)
	}
	if got := get("/readyz"); got != 200 {
		t.Errorf("/readyz %d", got)
	}
	if got := get("/debug/pprof/cmdline"); got != 200 && got != 404 {
		t.Errorf("/debug/pprof/ from loopback %d", got)
	}
	if got := get("/debug/pprof/"); got != 200 {
		t.Errorf("/debug/pprof/ from loopback %d", got)
	}
	far := httptest.NewRequest("GET", "/debug/pprof/", nil)
	far.RemoteAddr = "192.0.2.7:4000" // RFC 5737: an address for documentation
	w := httptest.NewRecorder()
	l.handler().ServeHTTP(w, far)
	if w.Code != 404 {
		t.Errorf("profiles shown to %s", far.RemoteAddr)
	}
	stop()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("Run did not end with its context")
	}
	broken = errors.New("the warehouse is down at /secret/path")
	w = httptest.NewRecorder()
	l.handler().ServeHTTP(w, httptest.NewRequest("GET", "/readyz", nil))
	if w.Code != 503 || strings.Contains(w.Body.String(), "secret") {
		t.Errorf("/readyz %d %q", w.Code, w.Body.String())
	}
}
