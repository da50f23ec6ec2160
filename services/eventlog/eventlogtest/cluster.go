package eventlogtest

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/logserver"
	"github.com/downweb/downweb/services/eventlog/presskeys"
)

// ClusterPassword of the routes of a test cluster.
const ClusterPassword = "route-secret"

// Cluster is three servers in this process, each with files of its own.
type Cluster struct {
	// Core and Press are connections that know all three servers; JS belongs to Core.
	Core, Press *nats.Conn
	JS          jetstream.JetStream
	// Routes are the servers' addresses for each other, URLs those for clients.
	Routes, URLs []string
	// Keys of presses, each server's own list.
	Keys [3]*presskeys.List

	t     testing.TB
	nodes [3]node
}

type node struct {
	cfg  logserver.Config
	stop func()
}

// StartCluster runs three servers; nothing is made in them.
func StartCluster(t testing.TB) *Cluster {
	t.Helper()
	return startCluster(t, logserver.TLS{}, eventlog.TLS{})
}

// StartClusterTLS runs three with one self-signed certificate, for clients and
// among themselves.
func StartClusterTLS(t testing.TB) (*Cluster, eventlog.TLS) {
	t.Helper()
	text, err := logserver.SelfSigned(nil, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "nats.pem")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	pins, err := eventlog.Fingerprints(file)
	if err != nil {
		t.Fatal(err)
	}
	known := eventlog.TLS{Pins: pins, Required: true}
	return startCluster(t, logserver.TLS{CertFile: file, KeyFile: file}, known), known
}

func startCluster(t testing.TB, secure logserver.TLS, known eventlog.TLS) *Cluster {
	t.Helper()
	c := &Cluster{t: t}
	for i := range c.nodes {
		listen := free(t)
		c.Routes = append(c.Routes, free(t))
		c.URLs = append(c.URLs, "nats://"+listen)
		c.Keys[i] = presskeys.New(t.TempDir())
		c.nodes[i].cfg = logserver.Config{StoreDir: t.TempDir(), Listen: listen, CorePassword: CorePassword, PressPassword: PressPassword, Keys: c.Keys[i], TLS: secure, Name: fmt.Sprintf("n%d", i+1)}
	}
	for i := range c.nodes {
		c.nodes[i].cfg.Cluster = logserver.Cluster{Name: "test", Listen: c.Routes[i], Routes: c.Routes, Password: ClusterPassword}
		c.Start(i)
	}
	t.Cleanup(func() {
		for i := range c.nodes {
			c.Stop(i)
		}
	})
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	var err error
	if c.Core, err = eventlog.ConnectCore(ctx, strings.Join(c.URLs, ","), CorePassword, "test-core", nil, eventlog.WithTLS(known)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Core.Close)
	if c.Press, err = eventlog.ConnectPress(ctx, strings.Join(c.URLs, ","), PressPassword, "test-press", nil, eventlog.WithTLS(known)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Press.Close)
	if c.JS, err = jetstream.New(c.Core); err != nil {
		t.Fatal(err)
	}
	return c
}

// Start server i, 0 to 2, and wait until clients can connect.
func (c *Cluster) Start(i int) {
	c.t.Helper()
	stop, err := Run(c.nodes[i].cfg)
	if err != nil {
		c.t.Fatalf("server %d: %v", i+1, err)
	}
	c.nodes[i].stop = stop
}

// Stop server i, if it runs.
func (c *Cluster) Stop(i int) {
	if stop := c.nodes[i].stop; stop != nil {
		stop()
		c.nodes[i].stop = nil
	}
}

// Run a server until stop is called.
func Run(cfg logserver.Config) (stop func(), err error) {
	s := logserver.New(cfg)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	select {
	case <-s.Ready():
		return func() { cancel(); <-done }, nil
	case err := <-done:
		cancel()
		return nil, err
	}
}

// free is a loopback address that nobody listens on.
func free(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
