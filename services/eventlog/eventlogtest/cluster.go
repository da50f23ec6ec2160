package eventlogtest

import (
	"context"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
)

// ClusterPassword of the routes of a test cluster.
const ClusterPassword = "route-secret"

// Cluster is three servers in this process, each with files of its own.
type Cluster struct {
	// Core and Press are connections that know all three servers; JS belongs to Core.
	Core, Press *nats.Conn
	JS          jetstream.JetStream
	// Routes are the servers' addresses for each other.
	Routes []string

	t     testing.TB
	nodes [3]node
}

type node struct {
	cfg  eventlog.ServerConfig
	stop func()
}

// StartCluster runs three servers; nothing is made in them.
func StartCluster(t testing.TB) *Cluster {
	t.Helper()
	c := &Cluster{t: t}
	var urls []string
	for i := range c.nodes {
		listen := free(t)
		c.Routes = append(c.Routes, free(t))
		urls = append(urls, "nats://"+listen)
		c.nodes[i].cfg = eventlog.ServerConfig{StoreDir: t.TempDir(), Listen: listen, CorePassword: CorePassword, PressPassword: PressPassword, Name: fmt.Sprintf("n%d", i+1)}
	}
	for i := range c.nodes {
		c.nodes[i].cfg.Cluster = eventlog.Cluster{Name: "test", Listen: c.Routes[i], Routes: c.Routes, Password: ClusterPassword}
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
	if c.Core, err = eventlog.ConnectCore(ctx, strings.Join(urls, ","), CorePassword, "test-core", nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Core.Close)
	if c.Press, err = eventlog.ConnectPress(ctx, strings.Join(urls, ","), PressPassword, "test-press", nil); err != nil {
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
func Run(cfg eventlog.ServerConfig) (stop func(), err error) {
	s := eventlog.NewServer(cfg)
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
