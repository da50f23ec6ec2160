//go:build unix

package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
)

// routes stands between three servers: each is reached by the others through a listener here, so that one can be cut
// off in both directions while its clients still reach it.
type routes struct {
	t  *testing.T
	mu sync.Mutex
	// cut is the server that the others do not reach; 0: none.
	cut   int
	conns map[*routeConn]bool
}

// routeConn is a connection from one server to another; from is 0 until it has said its name.
type routeConn struct {
	in, out  net.Conn
	from, to int
}

// serverName is how a server says who it is on a route.
var serverName = regexp.MustCompile(`"server_name":"n([1-3])"`)

// listen takes connections for server number to, which listens at target, and gives the address.
func (r *routes) listen(to int, target string) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go r.pass(in, to, target)
		}
	}()
	return l.Addr().String()
}

func (r *routes) pass(in net.Conn, to int, target string) {
	defer in.Close()
	out, err := net.Dial("tcp", target)
	if err != nil {
		return
	}
	defer out.Close()
	c := &routeConn{in: in, out: out, to: to}
	r.mu.Lock()
	if r.cut == to {
		r.mu.Unlock()
		return
	}
	r.conns[c] = true
	r.mu.Unlock()
	defer func() { r.mu.Lock(); delete(r.conns, c); r.mu.Unlock() }()
	go func() { io.Copy(in, out); in.Close() }()
	// What the caller says is held back until it has said who it is.
	var said []byte
	b := make([]byte, 32<<10)
	for c.from == 0 && len(said) < 64<<10 {
		n, err := in.Read(b)
		if err != nil {
			return
		}
		said = append(said, b[:n]...)
		if m := serverName.FindSubmatch(said); m != nil {
			r.mu.Lock()
			c.from = int(m[1][0] - '0')
			cut := r.cut == c.from
			r.mu.Unlock()
			if cut {
				return
			}
		}
	}
	if _, err := out.Write(said); err != nil {
		return
	}
	io.Copy(out, in)
}

// isolate server n; 0 heals.
func (r *routes) isolate(n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cut = n
	for c := range r.conns {
		if n != 0 && (c.from == n || c.to == n) {
			c.in.Close()
			c.out.Close()
		}
	}
}

// startCluster runs three servers with routes through r, by configuration alone.
func (a *apart) startCluster(r *routes) {
	a.t.Helper()
	var clients, listens, through []string
	for i := range 3 {
		clients, listens = append(clients, freePort()), append(listens, freePort())
		through = append(through, r.listen(i+1, listens[i]))
	}
	a.urls = "nats://" + strings.Join(clients, ",nats://")
	for i := range 3 {
		a.nats = append(a.nats, a.part(fmt.Sprintf("n%d", i+1), fmt.Sprintf("nats:\n  listen: %q\n  keys_dir: %s\n  cluster: {name: c1, node: n%d, listen: %q, advertise: %q, routes: [%q, %q, %q], replicas: 3}\n",
			clients[i], a.keys, i+1, listens[i], through[i], through[0], through[1], through[2]), "nats").start())
	}
}

// whole says that every stream has a leader and two followers that are up to date; leader is that of PRESS.
func whole(ctx context.Context, js jetstream.JetStream) (leader int, missing string) {
	for _, name := range []string{eventlog.StreamPress, eventlog.StreamRegistry, "KV_" + eventlog.BucketLease} {
		try, cancel := context.WithTimeout(ctx, 2*time.Second)
		s, err := js.Stream(try, name)
		cancel()
		if err != nil {
			return 0, fmt.Sprintf("%s: %v", name, err)
		}
		c := s.CachedInfo().Cluster
		if c == nil || c.Leader == "" || len(c.Replicas) != 2 {
			return 0, fmt.Sprintf("%s: %+v", name, c)
		}
		for _, p := range c.Replicas {
			if !p.Current || p.Offline {
				return 0, fmt.Sprintf("%s: leader %s, replica %+v", name, c.Leader, *p)
			}
		}
		if name == eventlog.StreamPress {
			fmt.Sscanf(c.Leader, "n%d", &leader)
		}
	}
	return leader, ""
}

// Three servers with three replicas, under load from an agent, with ingest, api and engine, each role started apart:
// one is killed, one is cut off, the leader is killed, two are down at once, all are started again one by one. What the
// agent has accepted is stored, each event once, and the projections are those of a fold from the beginning.
func TestThreeServersUnderFaults(t *testing.T) {
	longOnly(t)
	t.Parallel()
	a, r := newApart(t), &routes{t: t, conns: map[*routeConn]bool{}}
	in := newInput(t, 30_000)
	a.startCluster(r)
	a.startEngine()
	ing := a.part("ingest", a.natsConfig(3)+a.dsn, "ingest").start()
	a.startAPI(3)
	js := a.core()
	at := func(limit time.Duration, what string) (leader int) {
		t.Helper()
		missing := ""
		defer func() {
			if missing != "" {
				t.Log(missing)
			}
		}()
		took := a.within(limit, what+": all replicas are there", func() bool { leader, missing = whole(t.Context(), js); return missing == "" })
		t.Logf("%s: whole after %v, leader n%d", what, took.Round(10*time.Millisecond), leader)
		return leader
	}
	at(60*time.Second, "start")
	for _, p := range in.plants {
		if code, _, errs := a.ask("registry", "apply", p); code != 0 {
			t.Fatal(errs)
		}
	}
	agent := a.agent(in.presses, in.file).start()
	var rest atomic.Bool
	fed := in.feed(t, max(1, len(in.lines)/7500), &rest) // lasts 150 s at least
	moves := func(what string) {
		t.Helper()
		n := a.events()
		took := a.within(40*time.Second, what+": events are stored again", func() bool { return a.events() > n })
		t.Logf("%s: the next events are stored after %v", what, took.Round(10*time.Millisecond))
	}
	moves("start")

	a.nats[0].kill()
	moves("n1 killed")
	a.nats[0].start()
	at(30*time.Second, "n1 is back")

	// Ingest, api and agent are clients of n2; it must send them away.
	r.isolate(2)
	a.within(20*time.Second, "n2 is missed", func() bool { _, missing := whole(t.Context(), js); return missing != "" })
	stored := a.events()
	took := a.within(40*time.Second, "n2 cut off: much is stored again", func() bool { return a.events() > stored+1000 })
	t.Logf("n2 cut off: goes on after %v", took.Round(10*time.Millisecond))
	if _, missing := whole(t.Context(), js); missing == "" {
		t.Error("n2 was not cut off")
	}
	r.isolate(0)
	leader := at(60*time.Second, "n2 healed")

	a.nats[leader-1].kill()
	moves("leader killed")
	a.nats[leader-1].start()
	leader = at(30*time.Second, "the leader is back")

	// Quorum lost in the middle of publishing: everything stands still, nothing is dropped, and it goes on.
	one, two := a.nats[leader-1], a.nats[leader%3]
	one.kill()
	two.kill()
	stored = -1
	a.within(30*time.Second, "what ingest had in hand is stored", func() bool {
		before := stored
		time.Sleep(2 * time.Second)
		stored = a.events()
		return stored == before && stored >= 0
	})
	taken := a.accepted(agent)
	time.Sleep(2 * time.Second)
	if now := a.events(); now != stored {
		t.Errorf("without a quorum %d events were stored", now-stored)
	}
	if now := a.accepted(agent); now <= taken {
		t.Errorf("without a quorum the agent accepted nothing: %d", now)
	}
	one.start()
	moves("quorum is back")
	two.start()
	at(30*time.Second, "both are back")

	for i, p := range a.nats {
		p.stop()
		p.start()
		at(30*time.Second, fmt.Sprintf("n%d started again", i+1))
	}
	moves("all started again")
	rest.Store(true)
	<-fed
	a.finish(in, agent)
	if !ing.running() || !agent.running() {
		t.Error("ingest or agent ended")
	}
}

// longOnly skips a test that runs several processes against bounds of seconds: CI
// runs it in a step of its own.
func longOnly(t *testing.T) {
	t.Helper()
	if os.Getenv("DOWNWEB_LONG") == "" {
		t.Skip("DOWNWEB_LONG=1 runs it; .ci/run does")
	}
}
