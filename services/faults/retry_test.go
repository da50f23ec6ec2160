//go:build linux

package faults

import (
	"context"
	"errors"
	"fmt"
	"net"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/eventlog/logserver"
)

// startServers runs one server, or three as a cluster, and gives the first one's address.
func startServers(t *testing.T, n int) (url string) {
	t.Helper()
	var routes []string
	for range n {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		routes = append(routes, ln.Addr().String())
		ln.Close()
	}
	for i := range n {
		cfg := logserver.Config{StoreDir: t.TempDir(), CorePassword: eventlogtest.CorePassword, PressPassword: eventlogtest.PressPassword}
		if n > 1 {
			cfg.Name = fmt.Sprintf("s%d", i)
			cfg.Cluster = logserver.Cluster{Name: "retry", Listen: routes[i], Routes: routes, Password: "route-secret"}
		}
		s := logserver.New(cfg)
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- s.Run(ctx) }()
		t.Cleanup(func() { stop(); <-ended })
		if n == 1 {
			<-s.Ready()
		}
		if i == 0 {
			defer func() {
				select {
				case <-s.Ready():
					url = s.URL()
				case <-time.After(60 * time.Second):
					t.Fatal("the servers are not ready in 60 s")
				}
			}()
		}
	}
	return ""
}

// T8: what a retry does at one server and at three. Inside the window a message with an id that was stored
// is answered as a duplicate, however often it comes, alone or in a replayed batch; with an expected sequence it is
// refused or answered as a duplicate, but never stored again; outside the window it is stored again, which is why the
// identity of events and not the id of messages makes them count once (TestTransportChaos, TestThousand of ingest).
func TestRetryContract(t *testing.T) {
	for _, replicas := range []int{1, 3} {
		t.Run(fmt.Sprint(replicas), func(t *testing.T) {
			t.Parallel() // it mostly waits
			ctx := limited(t, 2*time.Minute)
			url := startServers(t, replicas)
			core, err := eventlog.ConnectCore(ctx, url, eventlogtest.CorePassword, "test-core", nil)
			if err != nil {
				t.Fatal(err)
			}
			defer core.Close()
			js, err := jetstream.New(core)
			if err != nil {
				t.Fatal(err)
			}
			const window = 6 * time.Second // enough for a slow machine to send forty messages
			within(t, 60*time.Second, "the streams are made", func() bool {
				err = eventlog.EnsureStreams(ctx, js, eventlog.StreamOptions{Replicas: replicas, DuplicateWindow: window})
				return err == nil
			})
			press, err := eventlog.ConnectPress(ctx, url, eventlogtest.PressPassword, "test-press", nil)
			if err != nil {
				t.Fatal(err)
			}
			defer press.Close()
			sender, err := jetstream.New(press)
			if err != nil {
				t.Fatal(err)
			}
			stored := func() uint64 {
				t.Helper()
				s, err := js.Stream(ctx, eventlog.StreamPress)
				if err != nil {
					t.Fatal(err)
				}
				return s.CachedInfo().State.Msgs
			}
			subject := eventlog.PressSubject("rhein", "p1")
			send := func(n int, more ...jetstream.PublishOpt) (*jetstream.PubAck, error) {
				id := fmt.Sprintf("rhein/p1/1/%d-%d", n, n)
				return sender.Publish(ctx, subject, []byte("frame "+id), append(more, jetstream.WithMsgID(id))...)
			}
			const batch = 20
			begin := time.Now()
			for n := range batch {
				within(t, 30*time.Second, "the first sending", func() bool { _, err = send(n); return err == nil })
			}
			if got := stored(); got != batch {
				t.Fatalf("%d messages, want %d", got, batch)
			}
			for round := range 2 {
				for n := range batch {
					a, err := send(n)
					if err != nil || !a.Duplicate {
						t.Fatalf("round %d, message %d, after %v of a window of %v: %+v %v", round, n, time.Since(begin), window, a, err)
					}
				}
			}
			if got := stored(); got != batch {
				t.Fatalf("after the replay %d messages, want %d", got, batch)
			}

			// With an expected sequence, whose answer to a retry differs between one replica and three.
			a, err := send(100, jetstream.WithExpectLastSequence(batch))
			if err != nil || a.Sequence != batch+1 {
				t.Fatalf("expected sequence: %+v %v", a, err)
			}
			a, err = send(100, jetstream.WithExpectLastSequence(batch))
			var api *jetstream.APIError
			switch {
			case err == nil && a.Duplicate:
				t.Log("a retry with an expected sequence is answered as a duplicate")
			case errors.As(err, &api):
				t.Logf("a retry with an expected sequence is refused: %v", api)
			default:
				t.Errorf("a retry with an expected sequence: %+v %v", a, err)
			}
			if got := stored(); got != batch+1 {
				t.Errorf("%d messages, want %d", got, batch+1)
			}

			time.Sleep(window + time.Second)
			if a, err := send(0); err != nil || a.Duplicate {
				t.Errorf("outside the window: %+v %v", a, err)
			}
			if got := stored(); got != batch+2 {
				t.Errorf("%d messages, want %d: the window is what makes a duplicate", got, batch+2)
			}
		})
	}
}
