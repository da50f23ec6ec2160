// Package eventlogtest runs the real log server inside a test.
//
// It promises a server of its own in a temporary directory, with streams and
// bucket made, connections to both accounts open, and everything stopped when
// the test ends.
package eventlogtest

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/logserver"
	"github.com/downweb/downweb/services/eventlog/presskeys"
)

// Passwords of the test server.
const (
	CorePassword  = "core-\"secret\" $1"
	PressPassword = "press-secret"
)

// LeaseTTL of the test server's lease bucket.
const LeaseTTL = time.Second

// Env is a running server and connections to it.
type Env struct {
	Server *logserver.Server
	// Core is a connection of user core, Press one of user press.
	Core, Press *nats.Conn
	// JS belongs to Core.
	JS  jetstream.JetStream
	Dir string
	// Keys of presses that the server knows.
	Keys *presskeys.List
	// Pins and CertFile of its certificate, where it has one.
	Pins     []string
	CertFile string

	t    testing.TB
	stop func()
	tls  logserver.TLS
}

// Start a server in a new temporary directory.
func Start(t testing.TB) *Env {
	t.Helper()
	return start(t, &Env{})
}

// StartTLS starts one with a self-signed certificate; with plain it takes
// plaintext as well.
func StartTLS(t testing.TB, plain bool) *Env {
	t.Helper()
	text, err := logserver.SelfSigned(nil, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	e := &Env{CertFile: filepath.Join(t.TempDir(), "nats.pem")}
	if err := os.WriteFile(e.CertFile, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if e.Pins, err = eventlog.Fingerprints(e.CertFile); err != nil {
		t.Fatal(err)
	}
	e.tls = logserver.TLS{CertFile: e.CertFile, KeyFile: e.CertFile, AllowPlain: plain}
	return start(t, e)
}

func start(t testing.TB, e *Env) *Env {
	t.Helper()
	e.t, e.Dir, e.Keys = t, t.TempDir(), presskeys.New(t.TempDir())
	e.run("127.0.0.1:0")
	t.Cleanup(func() { e.stop() })
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var err error
	if e.Core, err = eventlog.ConnectCore(ctx, e.Server.URL(), CorePassword, "test-core", nil, eventlog.WithTLS(eventlog.TLS{Pins: e.Pins})); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Core.Close)
	if e.Press, err = eventlog.ConnectPress(ctx, e.Server.URL(), PressPassword, "test-press", nil, eventlog.WithTLS(eventlog.TLS{Pins: e.Pins})); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Press.Close)
	if e.JS, err = jetstream.New(e.Core); err != nil {
		t.Fatal(err)
	}
	if err := eventlog.EnsureStreams(ctx, e.JS, eventlog.StreamOptions{LeaseTTL: LeaseTTL}); err != nil {
		t.Fatal(err)
	}
	return e
}

// Stop the server; connections begin to reconnect.
func (e *Env) Stop() { e.stop() }

// Restart the server on the same files and port, after a Stop or without.
func (e *Env) Restart() {
	e.t.Helper()
	addr := e.Server.URL()[len("nats://"):]
	e.stop()
	e.run(addr)
}

func (e *Env) run(listen string) {
	e.t.Helper()
	e.Server = logserver.New(logserver.Config{
		StoreDir: e.Dir, Listen: listen, CorePassword: CorePassword, PressPassword: PressPassword, Keys: e.Keys, TLS: e.tls,
	})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	srv := e.Server
	go func() { done <- srv.Run(ctx) }()
	stopped := false
	e.stop = func() {
		cancel()
		if !stopped {
			<-done
			stopped = true
		}
	}
	select {
	case <-srv.Ready():
	case err := <-done:
		stopped = true
		cancel()
		e.t.Fatalf("log server: %v", err)
	}
}
