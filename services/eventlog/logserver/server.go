package logserver

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"github.com/downweb/downweb/services/eventlog/presskeys"
)

// Config of the embedded server.
type Config struct {
	// StoreDir holds the JetStream files.
	StoreDir string
	// Listen is host:port, on loopback unless others are to reach it; port 0
	// takes a free one. Empty: 127.0.0.1:0.
	Listen string
	// CorePassword of user "core". Required.
	CorePassword string
	// PressPassword of user "press", which agents without a key of their own
	// share. Empty: there is no such user, and Keys is required.
	PressPassword string
	// Keys of devices at presses, and tokens by which they enrol; nil: none.
	Keys *presskeys.List
	// TLS of clients, and of the cluster's servers among themselves.
	TLS TLS
	// MaxStore bounds the JetStream files, bytes; 0: 16 GiB.
	MaxStore int64
	// Name of the server, unique in its cluster. Empty: "downweb".
	Name string
	// Cluster this server belongs to; the zero value: none.
	Cluster Cluster
	// Log; nil: none.
	Log *slog.Logger
}

// Server is a NATS server with JetStream inside this process. Account CORE
// owns the streams; account PRESS, for agents, sees three services of it and
// nothing else: dw.v1.> (publish frames), dw.mark.> (ask for marks) and dw.due.>
// (ask for the sheet of a press), a key of its own those of its presses alone.
// Account ENROL lets the holder of a token ask to enrol and nothing else.
type Server struct {
	cfg     Config
	ready   chan struct{}
	url     atomic.Value
	running atomic.Pointer[server.Server] // once ready

	// Made once by Run.
	secrets      secrets
	tls, between *tls.Config // of clients; of the cluster's servers

	reloads, enrolRefused atomic.Uint64
}

// New returns a server that does nothing until Run.
func New(cfg Config) *Server {
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return &Server{cfg: cfg, ready: make(chan struct{})}
}

// Ready is closed once clients can connect.
func (s *Server) Ready() <-chan struct{} { return s.ready }

// URL to connect to, without credentials; empty before Ready.
func (s *Server) URL() string {
	u, _ := s.url.Load().(string)
	return u
}

// Run serves until ctx ends. It returns an error when the server cannot
// start, or when its storage has failed: a JetStream that could not write
// stays frozen, so it must be started again. Run may be called once.
func (s *Server) Run(ctx context.Context) error {
	if err := s.prepare(); err != nil {
		return fmt.Errorf("nats server: %w", err)
	}
	opts, text, err := s.options()
	if err != nil {
		return fmt.Errorf("nats server: %w", err)
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return fmt.Errorf("nats server: %w", err)
	}
	health := &serverLog{log: s.cfg.Log}
	srv.SetLoggerV2(health, false, false, false)
	srv.Start()
	defer func() {
		srv.Shutdown()
		srv.WaitForShutdown()
	}()
	for tries := 0; !srv.ReadyForConnections(100 * time.Millisecond); tries++ {
		switch e := health.fatal.Load(); {
		case e != nil:
			return fmt.Errorf("nats server: %s", *e)
		case ctx.Err() != nil:
			return nil
		case tries > 600: // a large store is read for a while
			return errors.New("nats server: not ready after 60 s")
		}
	}
	if !srv.JetStreamEnabled() {
		return errors.New("nats server: JetStream did not start")
	}
	s.running.Store(srv)
	s.url.Store("nats://" + srv.Addr().String())
	close(s.ready)
	if s.cfg.Keys == nil {
		return s.watch(ctx, srv)
	}
	ctx, stop := context.WithCancel(ctx)
	kept := make(chan error, 1)
	go func() {
		err := s.keep(ctx, srv, text)
		if err != nil {
			stop()
		}
		kept <- err
	}()
	err = s.watch(ctx, srv)
	stop()
	if e := <-kept; e != nil {
		return fmt.Errorf("nats server: %w", e)
	}
	return err
}

// prepare what stays the same for as long as the server runs.
func (s *Server) prepare() (err error) {
	c := &s.cfg
	switch {
	case c.StoreDir == "":
		return errors.New("no store directory")
	case c.CorePassword == "" || c.PressPassword == "" && c.Keys == nil:
		return errors.New("no password")
	case c.CorePassword == c.PressPassword:
		return errors.New("core and press have the same password")
	}
	s.secrets = c.secrets()
	if s.tls, err = c.TLS.config(); err != nil || s.tls == nil {
		return err
	}
	if c.Cluster.Listen != "" && !c.TLS.AllowPlain {
		s.between, err = c.TLS.routes(s.tls)
	}
	return err
}

// watch looks at the server's health every 2 s.
func (s *Server) watch(ctx context.Context, srv *server.Server) error {
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	bad, alone := 0, 0
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if alone = s.sendAway(srv, alone); alone == 1 {
			s.cfg.Log.Warn("the cluster has no leader that this server sees")
		}
		if !srv.Running() {
			return errors.New("nats server: stopped by itself")
		}
		err := s.health(srv)
		if err == nil {
			bad = 0
			continue
		}
		if bad++; bad >= 3 {
			return fmt.Errorf("nats server: unhealthy: %w", err)
		}
	}
}

// sendAway disconnects the clients of a server that has not seen the cluster's
// leader for a while: cut off from the others it can take nothing in, but its
// clients may reach one that can. alone is how many looks have found no leader,
// and the new number is returned.
func (s *Server) sendAway(srv *server.Server, alone int) int {
	if s.cfg.Cluster.Listen == "" {
		return 0
	}
	j, err := srv.Jsz(nil)
	if err != nil || j.Meta == nil || j.Meta.Leader != "" {
		return 0
	}
	alone++
	if alone%3 != 0 { // every 6 s
		return alone
	}
	list, err := srv.Connz(&server.ConnzOptions{Limit: 1 << 20})
	if err != nil {
		return alone
	}
	for _, c := range list.Conns {
		_ = srv.DisconnectClientByID(c.Cid) // gone already: as well
	}
	return alone
}

// health says what a restart would mend. In a cluster that is not the lack of
// a leader or a stream that catches up: others must come back for it, or time
// pass, and a server that leaves makes it worse.
func (s *Server) health(srv *server.Server) error {
	if !srv.JetStreamEnabled() {
		return errors.New("JetStream is off")
	}
	if s.cfg.Cluster.Listen == "" {
		if h := srv.Healthz(nil); h == nil || h.Status != "ok" {
			return fmt.Errorf("%+v", h)
		}
		return nil
	}
	if h := srv.Healthz(&server.HealthzOptions{JSEnabledOnly: true}); h == nil || h.Status != "ok" {
		return fmt.Errorf("%+v", h)
	}
	if h := srv.Healthz(&server.HealthzOptions{Details: true}); h != nil {
		for _, e := range h.Errors {
			if strings.Contains(e.Error, "write error") {
				return errors.New(e.Error)
			}
		}
	}
	return nil
}

// options of the server as its files say now, and the text of their changing
// part.
func (s *Server) options() (*server.Options, string, error) {
	c := s.cfg
	var keys []presskeys.Entry
	if c.Keys != nil {
		var err error
		if keys, err = c.Keys.Read(); err != nil {
			return nil, "", err
		}
	}
	host, port, err := listenAt(c.Listen)
	if err != nil {
		return nil, "", fmt.Errorf("listen: %w", err)
	}
	opts := &server.Options{}
	text := c.text(s.secrets, keys, time.Now())
	if err := opts.ProcessConfigString(text); err != nil {
		return nil, "", fmt.Errorf("settings: %w", err)
	}
	opts.ServerName = cmp.Or(c.Name, "downweb")
	opts.Host, opts.Port = host, port
	opts.NoSigs = true
	opts.StoreDir = c.StoreDir
	opts.SyncAlways, opts.SyncInterval = true, 2*time.Minute
	opts.JetStreamMaxStore = cmp.Or(c.MaxStore, 16<<30)
	if c.Cluster.Listen != "" {
		if err := c.Cluster.set(opts, s.secrets.route); err != nil {
			return nil, "", fmt.Errorf("cluster: %w", err)
		}
	}
	if s.tls != nil {
		opts.TLSConfig, opts.TLSTimeout, opts.AllowNonTLS = s.tls, 5, c.TLS.AllowPlain
		if s.between != nil {
			opts.Cluster.TLSConfig, opts.Cluster.TLSTimeout = s.between, 5
		}
	}
	return opts, text, nil
}

// listenAt splits host:port; port 0 takes a free one.
func listenAt(addr string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(addr)
	if err != nil {
		return "", 0, err
	}
	if port, err = strconv.Atoi(text); err != nil || port < 0 || port > 65535 {
		return "", 0, fmt.Errorf("bad port %q", text)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	return host, port, nil
}

// serverLog passes the server's talk on: warnings and errors only.
type serverLog struct {
	log   *slog.Logger
	fatal atomic.Pointer[string]
}

var _ io.Closer = (*serverLog)(nil)

func (l *serverLog) Close() error               { return nil }
func (l *serverLog) Noticef(f string, v ...any) { l.log.Debug(fmt.Sprintf(f, v...)) }
func (l *serverLog) Warnf(f string, v ...any)   { l.log.Warn(fmt.Sprintf(f, v...)) }
func (l *serverLog) Errorf(f string, v ...any)  { l.log.Error(fmt.Sprintf(f, v...)) }
func (l *serverLog) Debugf(string, ...any)      {}
func (l *serverLog) Tracef(string, ...any)      {}
func (l *serverLog) Fatalf(f string, v ...any) {
	s := fmt.Sprintf(f, v...)
	l.fatal.Store(&s)
	l.log.Error(s)
}
