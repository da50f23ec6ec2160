package eventlog_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/eventlog/logserver"
)

// ensure makes the streams with a bounded patience.
func ensure(t *testing.T, ctx context.Context, js jetstream.JetStream, opt eventlog.StreamOptions) {
	t.Helper()
	within(t, 40*time.Second, "the streams are made", func() bool { return eventlog.EnsureStreams(ctx, js, opt) == nil })
}

// retried publishes until there is an answer, as an agent does, always under the same id.
func retried(t *testing.T, nc *nats.Conn, id string, opts ...jetstream.PublishOpt) (*jetstream.PubAck, error) {
	t.Helper()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		try, cancel := context.WithTimeout(t.Context(), time.Second)
		a, err := js.Publish(try, eventlog.PressSubject("rhein", "p1"), []byte(id), append(opts, jetstream.WithMsgID(id))...)
		cancel()
		var api *jetstream.APIError
		if err == nil || errors.As(err, &api) {
			return a, err
		}
	}
	t.Fatalf("no answer for %s", id)
	return nil, nil
}

func stored(t *testing.T, js jetstream.JetStream) (n uint64) {
	t.Helper()
	within(t, 20*time.Second, "the stream is read", func() bool {
		try, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		defer cancel()
		s, err := js.Stream(try, eventlog.StreamPress)
		if err == nil {
			n = s.CachedInfo().State.Msgs
		}
		return err == nil
	})
	return n
}

// The retry contract (T8), one server and three: inside the window a message id is stored once, whoever
// leads meanwhile, whatever is expected of the sequence, one by one or as a replayed batch; outside of it it is stored
// again, and ingest removes it by the identity of its events.
func TestRetryContract(t *testing.T) {
	const window = 20 * time.Second
	contract := func(t *testing.T, press *nats.Conn, js jetstream.JetStream, disturb func()) {
		if a, err := retried(t, press, "a"); err != nil || a.Duplicate {
			t.Fatalf("first: %+v %v", a, err)
		}
		if a, err := retried(t, press, "a"); err != nil || !a.Duplicate || a.Sequence != 1 {
			t.Errorf("again: %+v %v", a, err)
		}
		var ids []string
		for i := range 30 {
			ids = append(ids, fmt.Sprintf("batch/%d", i))
		}
		for _, id := range ids {
			if a, err := retried(t, press, id); err != nil {
				t.Errorf("%s: %+v %v", id, a, err)
			}
		}
		disturb()
		for _, id := range append(ids, "a") {
			if a, err := retried(t, press, id); err != nil || !a.Duplicate {
				t.Errorf("%s replayed: %+v %v", id, a, err)
			}
		}
		if n := stored(t, js); n != 31 {
			t.Errorf("%d messages, want 31", n)
		}
		// With an expected sequence: the first passes; its retry is answered as a duplicate or as out of sequence,
		// which differs between one replica and three, and is stored by neither. Agents therefore expect nothing.
		if a, err := retried(t, press, "b", jetstream.WithExpectLastSequence(31)); err != nil || a.Duplicate {
			t.Errorf("expected sequence: %+v %v", a, err)
		}
		a, err := retried(t, press, "b", jetstream.WithExpectLastSequence(31))
		var api *jetstream.APIError
		if err == nil && !a.Duplicate || err != nil && !(errors.As(err, &api) && strings.Contains(api.Description, "wrong last sequence")) {
			t.Errorf("expected sequence again: %+v %v", a, err)
		}
		t.Logf("a retry with an expected sequence: %+v %v", a, err)
		if a, err := retried(t, press, "c", jetstream.WithExpectLastSequence(7)); err == nil {
			t.Errorf("a wrong expected sequence was taken: %+v", a)
		}
		if n := stored(t, js); n != 32 {
			t.Errorf("%d messages, want 32", n)
		}
	}
	outside := func(t *testing.T, press *nats.Conn, js jetstream.JetStream) {
		ensure(t, t.Context(), js, eventlog.StreamOptions{LeaseTTL: eventlogtest.LeaseTTL, DuplicateWindow: 200 * time.Millisecond})
		if a, err := retried(t, press, "late"); err != nil || a.Duplicate {
			t.Fatalf("first: %+v %v", a, err)
		}
		n := stored(t, js)
		within(t, 15*time.Second, "the window has passed", func() bool {
			time.Sleep(500 * time.Millisecond)
			a, err := retried(t, press, "late")
			return err == nil && !a.Duplicate
		})
		if got := stored(t, js); got != n+1 {
			t.Errorf("outside of the window: %d messages, want %d", got, n+1)
		}
	}
	t.Run("one server", func(t *testing.T) {
		env := eventlogtest.Start(t)
		ensure(t, t.Context(), env.JS, eventlog.StreamOptions{LeaseTTL: eventlogtest.LeaseTTL, DuplicateWindow: window * 3})
		contract(t, env.Press, env.JS, func() { env.Restart() })
		outside(t, env.Press, env.JS)
	})
	t.Run("three servers", func(t *testing.T) {
		c := eventlogtest.StartCluster(t)
		opt := eventlog.StreamOptions{LeaseTTL: eventlogtest.LeaseTTL, DuplicateWindow: window * 3}
		ensure(t, t.Context(), c.JS, opt)
		replicas := func() (press, registry, lease int) {
			for name, n := range map[string]*int{eventlog.StreamPress: &press, eventlog.StreamRegistry: &registry, "KV_" + eventlog.BucketLease: &lease} {
				if s, err := c.JS.Stream(t.Context(), name); err == nil {
					*n = s.CachedInfo().Config.Replicas
				}
			}
			return
		}
		if p, r, l := replicas(); p != 1 || r != 1 || l != 1 {
			t.Fatalf("replicas %d %d %d before they are asked for", p, r, l)
		}
		opt.Replicas = 3
		ensure(t, t.Context(), c.JS, opt)
		if p, r, l := replicas(); p != 3 || r != 3 || l != 3 {
			t.Fatalf("replicas %d %d %d after they are raised", p, r, l)
		}
		opt.Replicas = 1 // a role that is set differently lowers nothing
		ensure(t, t.Context(), c.JS, opt)
		if p, r, l := replicas(); p != 3 || r != 3 || l != 3 {
			t.Fatalf("replicas %d %d %d after another role came", p, r, l)
		}
		leader := func() (i int) {
			within(t, 30*time.Second, "the stream has a leader and followers that keep up", func() bool {
				i = -1
				s, err := c.JS.Stream(t.Context(), eventlog.StreamPress)
				if err != nil || s.CachedInfo().Cluster == nil || len(s.CachedInfo().Cluster.Replicas) != 2 {
					return false
				}
				for _, r := range s.CachedInfo().Cluster.Replicas {
					if !r.Current {
						return false
					}
				}
				_, err = fmt.Sscanf(s.CachedInfo().Cluster.Leader, "n%d", &i)
				i--
				return err == nil
			})
			return i
		}
		leader()
		contract(t, c.Press, c.JS, func() { // another leads
			i := leader()
			c.Stop(i)
			if a, err := retried(t, c.Press, "a"); err != nil || !a.Duplicate {
				t.Errorf("with a new leader: %+v %v", a, err)
			}
			c.Start(i)
			leader()
		})
		outside(t, c.Press, c.JS)

		// A server that does not know the password of the routes stays outside.
		stop, err := eventlogtest.Run(logserver.Config{StoreDir: t.TempDir(), CorePassword: "x", PressPassword: "y", Name: "n4",
			Cluster: logserver.Cluster{Name: "test", Listen: "127.0.0.1:0", Routes: c.Routes, Password: "guessed"}})
		if err != nil {
			t.Fatal(err)
		}
		defer stop()
		time.Sleep(2 * time.Second)
		s, err := c.JS.Stream(t.Context(), eventlog.StreamPress)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(fmt.Sprint(c.Core.DiscoveredServers()), "n4") || len(c.Core.Servers()) > 3 || len(s.CachedInfo().Cluster.Replicas) != 2 {
			t.Errorf("servers known: %v", c.Core.Servers())
		}
	})
}

// A cluster that cannot work is refused with the reason.
func TestClusterSettings(t *testing.T) {
	good := logserver.Config{StoreDir: t.TempDir(), CorePassword: "a", PressPassword: "b", Name: "n1",
		Cluster: logserver.Cluster{Name: "c", Listen: "127.0.0.1:0", Routes: []string{"127.0.0.1:1"}, Password: "p"}}
	for want, change := range map[string]func(*logserver.Config){
		"no name":                func(c *logserver.Config) { c.Cluster.Name = "" },
		"a name of its own":      func(c *logserver.Config) { c.Name = "" },
		"no password":            func(c *logserver.Config) { c.Cluster.Password = "" },
		`route "x"`:              func(c *logserver.Config) { c.Cluster.Routes = []string{"x"} },
		`listen: bad port "99x"`: func(c *logserver.Config) { c.Cluster.Listen = "127.0.0.1:99x" },
	} {
		cfg := good
		change(&cfg)
		if err := logserver.New(cfg).Run(t.Context()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}
