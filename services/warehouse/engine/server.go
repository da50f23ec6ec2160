//go:build linux || darwin

package engine

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/warehouse/engine/chdb"
	"github.com/downweb/downweb/services/warehouse/engine/install"
)

// Server is the engine of this process.
type Server struct {
	cfg     Config
	ready   chan struct{}
	addr    string
	lib     *chdb.Library
	version string
	slots   map[bool]chan struct{} // by "is the reader"
	running sync.WaitGroup
	counts  counts
}

// RegisterMetrics adds what the engine's front counts.
func (s *Server) RegisterMetrics(m *ops.Metrics) { s.counts.register(m) }

// New makes a server that does nothing until Run.
func New(cfg Config) *Server { return &Server{cfg: cfg, ready: make(chan struct{})} }

// Ready is closed when the engine answers at Addr.
func (s *Server) Ready() <-chan struct{} { return s.ready }

// Addr is "host:port", or "unix:" and a path, once Ready.
func (s *Server) Addr() string { return s.addr }

// Run serves until ctx ends. Then statements get 3 s to finish, are killed, and the engine is closed.
func (s *Server) Run(ctx context.Context) (err error) {
	if s.cfg, err = s.cfg.settle(); err != nil {
		return err
	}
	if err := os.MkdirAll(s.cfg.Dir, 0o700); err != nil {
		return fmt.Errorf("engine data directory: %w", err)
	}
	unlock, err := install.Lock(ctx, filepath.Join(s.cfg.Dir, "downweb.lock"), false)
	if err != nil {
		return fmt.Errorf("the data directory %s is in use by another engine: %w", s.cfg.Dir, err)
	}
	defer unlock()
	if s.lib, err = chdb.Load(s.cfg.Lib); err != nil {
		return err
	}
	// This connection keeps the engine running; the statements get one of their own each.
	root, err := s.lib.Open("--path="+s.cfg.Dir, "--timezone=UTC", "--max_server_memory_usage="+strconv.FormatInt(s.cfg.MaxMemory, 10))
	if err != nil {
		return fmt.Errorf("start the ClickHouse engine in %s: %w", s.cfg.Dir, err)
	}
	if s.version, err = root.Text("SELECT version()"); err == nil {
		_, err = root.Text("CREATE DATABASE IF NOT EXISTS " + chdb.Quote(s.cfg.Database, '`') + " ENGINE = Atomic")
	}
	if err != nil {
		root.Close()
		return fmt.Errorf("start the ClickHouse engine in %s: %w", s.cfg.Dir, err)
	}
	s.slots = map[bool]chan struct{}{false: make(chan struct{}, s.cfg.MaxQueries), true: make(chan struct{}, s.cfg.MaxQueries)}
	listener, err := listen(s.cfg.Listen)
	if err != nil {
		root.Close()
		return fmt.Errorf("engine listen: %w", err)
	}
	s.addr = listener.Addr().String()
	if path, ok := strings.CutPrefix(s.cfg.Listen, "unix:"); ok {
		s.addr = "unix:" + path
	}
	base, kill := context.WithCancel(context.WithoutCancel(ctx))
	defer kill()
	front := &http.Server{Handler: s, ReadHeaderTimeout: 10 * time.Second, ErrorLog: slog.NewLogLogger(s.cfg.Log.Handler(), slog.LevelWarn),
		BaseContext: func(net.Listener) context.Context { return base }}
	failed := make(chan error, 1)
	go func() { failed <- front.Serve(listener) }()
	s.cfg.Log.Info("engine is ready", "version", s.version, "addr", s.addr, "dir", s.cfg.Dir)
	close(s.ready)
	select {
	case err = <-failed:
	case <-ctx.Done():
	}
	grace, cancel := context.WithTimeout(base, 3*time.Second)
	defer cancel()
	front.Shutdown(grace)
	kill()
	front.Close()
	idle := make(chan struct{})
	go func() { s.running.Wait(); close(idle) }()
	select {
	case <-idle:
		root.Close()
	case <-time.After(10 * time.Second): // closing under a running statement would abort the process
		err = errors.Join(err, errors.New("engine: a statement did not end; left to the process's exit"))
	}
	return err
}

// listen opens the address; the data directory's lock makes a socket file that is already there a stale one.
func listen(addr string) (net.Listener, error) {
	path, ok := strings.CutPrefix(addr, "unix:")
	if !ok {
		return net.Listen("tcp", addr)
	}
	if info, err := os.Lstat(path); err == nil && info.Mode()&os.ModeSocket != 0 {
		os.Remove(path)
	}
	l, err := net.Listen("unix", path)
	if err == nil {
		err = os.Chmod(path, 0o600)
	}
	return l, err
}

// kill ends the statement of a client that went away. It asks again until the statement has returned,
// because one that has just begun is not listed yet, and gives up after 10 s.
func (s *Server) kill(id string, done <-chan struct{}) {
	for range 100 {
		if c, err := s.lib.Open("--path=" + s.cfg.Dir); err == nil {
			_, err = c.Text("KILL QUERY WHERE Settings['log_comment'] = '" + id + "' ASYNC")
			c.Close()
			if err != nil {
				s.cfg.Log.Warn("engine: kill a query", "err", err)
			}
		}
		select {
		case <-done:
			return
		case <-time.After(100 * time.Millisecond):
		}
	}
	s.cfg.Log.Warn("engine: a cancelled query goes on running", "id", id)
}
