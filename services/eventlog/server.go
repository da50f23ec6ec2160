package eventlog

import (
	"context"
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
)

// ServerConfig of the embedded server.
type ServerConfig struct {
	// StoreDir holds the JetStream files.
	StoreDir string
	// Listen is host:port, on loopback unless others are to reach it; port 0
	// takes a free one. Empty: 127.0.0.1:0.
	Listen string
	// CorePassword of user "core", PressPassword of user "press". Required.
	CorePassword, PressPassword string
	// MaxStore bounds the JetStream files, bytes; 0: 16 GiB.
	MaxStore int64
	// Name of the server, unique in its cluster. Empty: "downweb".
	Name string
	// Cluster this server belongs to; the zero value: none.
	Cluster Cluster
	// Log; nil: none.
	Log *slog.Logger
}

// Users of the embedded server.
const (
	UserCore  = "core"
	UserPress = "press"
)

// Server is a NATS server with JetStream inside this process. Account CORE
// owns the streams; account PRESS, for agents, sees two services of it and
// nothing else: dw.v1.> (publish frames) and dw.mark.> (ask for marks).
type Server struct {
	cfg     ServerConfig
	ready   chan struct{}
	url     atomic.Value
	running atomic.Pointer[server.Server] // once ready
}

// NewServer returns a server that does nothing until Run.
func NewServer(cfg ServerConfig) *Server {
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
	opts, err := s.options()
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
	return s.watch(ctx, srv)
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

func (s *Server) options() (*server.Options, error) {
	c := s.cfg
	switch {
	case c.StoreDir == "":
		return nil, errors.New("no store directory")
	case c.CorePassword == "" || c.PressPassword == "":
		return nil, errors.New("no password")
	case c.CorePassword == c.PressPassword:
		return nil, errors.New("core and press have the same password")
	}
	host, port, err := listenAt(c.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	opts := &server.Options{}
	if err := opts.ProcessConfigString(c.text()); err != nil {
		return nil, fmt.Errorf("settings: %w", err)
	}
	opts.ServerName = or(c.Name, "downweb")
	opts.Host, opts.Port = host, port
	opts.NoSigs = true
	opts.StoreDir = c.StoreDir
	opts.SyncAlways, opts.SyncInterval = true, 2*time.Minute
	opts.JetStreamMaxStore = or(c.MaxStore, 16<<30)
	if c.Cluster.Listen != "" {
		if err := c.Cluster.set(opts); err != nil {
			return nil, fmt.Errorf("cluster: %w", err)
		}
	}
	return opts, nil
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

func (c ServerConfig) text() string {
	return `
max_payload: ` + strconv.Itoa(MaxPayload) + `
write_deadline: "10s"
jetstream { store_dir: ` + quote(c.StoreDir) + `, sync_interval: always }
accounts {
  CORE {
    jetstream: enabled
    users: [ { user: core, password: ` + quote(c.CorePassword) + ` } ]
    exports: [ { service: "in.dw.v1.*.*" }, { service: "dw.mark.*.*" } ]
  }
  PRESS {
    users: [ { user: press, password: ` + quote(c.PressPassword) + `, permissions: {
      publish: { allow: ["dw.v1.*.*", "dw.mark.*.*"] }
      subscribe: { allow: ["_INBOX.>"] }
    } } ]
    imports: [
      { service: { account: CORE, subject: "in.dw.v1.*.*" }, to: "dw.v1.$1.$2" }
      { service: { account: CORE, subject: "dw.mark.*.*" } }
    ]
  }
}
`
}

// quote writes a string for the configuration, every byte escaped.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i := range len(s) {
		fmt.Fprintf(&b, `\x%02x`, s[i])
	}
	b.WriteByte('"')
	return b.String()
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
