// Package ops is what every role has beside its work: a logger as the config asks for it, metrics (Metrics says how a
// service takes part), traces where they are asked for, and a listener for health, metrics and profiles.
//
// It promises: the logger writes one record per line to the writer it is given and is handed in, never made
// the process's default; the listener answers on the address it is given and stops when its context ends; metrics and
// profiles are given to this machine alone.
package ops

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"time"
)

// Logger makes the logger of a role. Format is "text" or "json"; role is on every record.
func Logger(w io.Writer, level slog.Level, format, role string) (*slog.Logger, error) {
	opt := &slog.HandlerOptions{Level: level}
	switch format {
	case "text":
		return slog.New(slog.NewTextHandler(w, opt)).With("role", role), nil
	case "json":
		return slog.New(slog.NewJSONHandler(w, opt)).With("role", role), nil
	}
	return nil, fmt.Errorf("log format %q: want text or json", format)
}

// Listener answers /livez (the process runs), /readyz (it can do its work) and, to loopback alone, Prometheus text
// under /metrics and Go's profiles under /debug/pprof/.
type Listener struct {
	addr    string
	ready   func() error
	metrics *Metrics
	log     *slog.Logger
	bound   chan string
}

// NewListener makes a listener for addr (host:port) that does nothing until Run. Ready says why the role
// cannot work now, or nil.
func NewListener(addr string, ready func() error, log *slog.Logger) *Listener {
	return &Listener{addr: addr, ready: ready, log: log, bound: make(chan string, 1)}
}

// WithMetrics makes the listener give m out, and returns it. Before Run.
func (l *Listener) WithMetrics(m *Metrics) *Listener {
	l.metrics = m
	return l
}

// Bound yields the address once, when the listener answers.
func (l *Listener) Bound() <-chan string { return l.bound }

// Run answers until ctx ends.
func (l *Listener) Run(ctx context.Context) error {
	ln, err := net.Listen("tcp", l.addr)
	if err != nil {
		return fmt.Errorf("health listener: %w", err)
	}
	l.bound <- ln.Addr().String()
	srv := &http.Server{Handler: l.handler(), ReadHeaderTimeout: 5 * time.Second}
	stop := context.AfterFunc(ctx, func() { srv.Close() })
	defer stop()
	if err := srv.Serve(ln); ctx.Err() == nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("health listener: %w", err)
	}
	return nil
}

func (l *Listener) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /livez", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) {
		if err := l.ready(); err != nil {
			l.log.Warn("not ready", "err", err)
			http.Error(w, "not ready", http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(w, "ok")
	})
	profiles := http.NewServeMux()
	profiles.HandleFunc("/debug/pprof/", pprof.Index)
	profiles.HandleFunc("/debug/pprof/profile", pprof.Profile)
	profiles.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
	profiles.HandleFunc("/debug/pprof/trace", pprof.Trace)
	mux.Handle("/debug/pprof/", local(profiles))
	if l.metrics != nil {
		mux.Handle("GET /metrics", local(l.metrics.Handler()))
	}
	return mux
}

// local hides h from other machines.
func local(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host, _, _ := net.SplitHostPort(r.RemoteAddr)
		if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
			http.NotFound(w, r)
			return
		}
		h.ServeHTTP(w, r)
	})
}
