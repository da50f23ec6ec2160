// Package eventlogtest runs the real log server inside a test.
//
// It promises a server of its own in a temporary directory, with streams and
// bucket made, connections to both accounts open, and everything stopped when
// the test ends.
package eventlogtest

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
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
	Server *eventlog.Server
	// Core is a connection of user core, Press one of user press.
	Core, Press *nats.Conn
	// JS belongs to Core.
	JS  jetstream.JetStream
	Dir string

	t    testing.TB
	stop func()
}

// Start a server in a new temporary directory.
func Start(t testing.TB) *Env {
	t.Helper()
	e := &Env{Dir: t.TempDir(), t: t}
	e.run("127.0.0.1:0")
	t.Cleanup(func() { e.stop() })
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var err error
	if e.Core, err = eventlog.ConnectCore(ctx, e.Server.URL(), CorePassword, "test-core", nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Core.Close)
	if e.Press, err = eventlog.ConnectPress(ctx, e.Server.URL(), PressPassword, "test-press", nil); err != nil {
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
	e.Server = eventlog.NewServer(eventlog.ServerConfig{
		StoreDir: e.Dir, Listen: listen, CorePassword: CorePassword, PressPassword: PressPassword,
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
