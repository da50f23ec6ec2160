package eventlog_test

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/eventlog/logserver"
)

func limited(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func within(t *testing.T, d time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("%s: not within %v", what, d)
}

// TestPublishAndDuplicate: a frame published in the agents' account lands in
// the stream under the core subject; the same message id is stored once, also
// after a restart of the server.
func TestPublishAndDuplicate(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	js, err := jetstream.New(env.Press)
	if err != nil {
		t.Fatal(err)
	}
	publish := func() *jetstream.PubAck {
		t.Helper()
		var last error
		for range 100 {
			// What reaches a server that is just starting may stay without an answer.
			try, cancel := context.WithTimeout(ctx, time.Second)
			a, err := js.Publish(try, eventlog.PressSubject("rhein", "p1"), []byte("frame"), jetstream.WithMsgID("rhein/p1/1/1-1"))
			cancel()
			if err == nil {
				return a
			}
			last = err
			time.Sleep(50 * time.Millisecond)
		}
		t.Fatal(last)
		return nil
	}
	if a := publish(); a.Stream != eventlog.StreamPress || a.Sequence != 1 || a.Duplicate {
		t.Fatalf("first: %+v", a)
	}
	if a := publish(); !a.Duplicate {
		t.Fatalf("second: %+v", a)
	}
	env.Restart()
	if a := publish(); !a.Duplicate {
		t.Fatalf("after restart: %+v", a)
	}
	within(t, 10*time.Second, "core reconnects", env.Core.IsConnected)
	cons, err := eventlog.Consumer(ctx, env.JS, 0xabc)
	if err != nil {
		t.Fatal(err)
	}
	if n := cons.CachedInfo().Name; n != "ingest-0000000000000abc" {
		t.Fatalf("consumer %s", n)
	}
	m, err := cons.Next(jetstream.FetchMaxWait(10 * time.Second))
	if err != nil {
		t.Fatal(err)
	}
	if plant, press, ok := eventlog.ParseStreamSubject(m.Subject()); !ok || plant != "rhein" || press != "p1" {
		t.Fatalf("subject %s", m.Subject())
	}
	if err := m.DoubleAck(ctx); err != nil {
		t.Fatal(err)
	}
}

// TestPressAccountIsWalledIn: from the agents' account neither the JetStream
// API nor the streams' subjects are reached, and a forged reply makes nothing
// land on another press's subject.
func TestPressAccountIsWalledIn(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	js, err := jetstream.New(env.Press)
	if err != nil {
		t.Fatal(err)
	}
	short, cancel := context.WithTimeout(ctx, 500*time.Millisecond)
	defer cancel()
	if _, err := js.Stream(short, eventlog.StreamPress); err == nil {
		t.Fatal("a press account read the stream's info")
	}
	for _, subject := range []string{"$JS.API.STREAM.PURGE.PRESS", "$JS.API.STREAM.DELETE.PRESS", "$JS.API.INFO", "in.dw.v1.rhein.p2", "dw.registry", "dw.stored", "$KV.lease.ingest"} {
		if _, err := env.Press.Request(subject, []byte("x"), 150*time.Millisecond); err == nil {
			t.Errorf("a press account got an answer on %s", subject)
		}
	}

	var heard atomic.Int64
	for _, subject := range []string{"in.dw.v1.rhein.p2", "dw.v1.rhein.p2", "$JS.API.STREAM.PURGE.PRESS", "dw.stored"} {
		sub, err := env.Core.Subscribe(subject, func(*nats.Msg) { heard.Add(1) })
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = sub.Unsubscribe() }()
	}
	if err := env.Core.Flush(); err != nil {
		t.Fatal(err)
	}
	for _, reply := range []string{"in.dw.v1.rhein.p2", "dw.v1.rhein.p2", "$JS.API.STREAM.PURGE.PRESS", "dw.stored"} {
		m := nats.NewMsg(eventlog.PressSubject("rhein", "p1"))
		m.Reply, m.Data = reply, []byte("bait for "+reply)
		if err := env.Press.PublishMsg(m); err != nil {
			t.Fatal(err)
		}
		if err := env.Press.PublishRequest("dw.mark.rhein.p1", reply, []byte("bait")); err != nil {
			t.Fatal(err)
		}
	}
	if err := env.Press.Flush(); err != nil {
		t.Fatal(err)
	}
	s, err := env.JS.Stream(ctx, eventlog.StreamPress)
	if err != nil {
		t.Fatal(err)
	}
	var info *jetstream.StreamInfo
	within(t, 5*time.Second, "baits stored", func() bool {
		info, err = s.Info(ctx, jetstream.WithSubjectFilter("in.>"))
		return err == nil && info.State.Msgs >= 4
	})
	time.Sleep(200 * time.Millisecond) // a forged answer would arrive by now
	info, err = s.Info(ctx, jetstream.WithSubjectFilter("in.>"))
	if err != nil {
		t.Fatal(err)
	}
	if len(info.State.Subjects) != 1 || info.State.Subjects["in.dw.v1.rhein.p1"] != 4 {
		t.Fatalf("stream holds %v", info.State.Subjects)
	}
	if got := heard.Load(); got != 0 {
		t.Fatalf("%d forged answers arrived in the core account", got)
	}
}

func TestStreamRefusesDeletion(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	if _, err := env.JS.Publish(ctx, eventlog.StreamSubject("rhein", "p1"), []byte("x")); err != nil {
		t.Fatal(err)
	}
	s, err := env.JS.Stream(ctx, eventlog.StreamPress)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Purge(ctx); err == nil {
		t.Fatal("purged")
	}
	if err := s.DeleteMsg(ctx, 1); err == nil {
		t.Fatal("deleted a message")
	}
	c := s.CachedInfo().Config
	if c.Discard != jetstream.DiscardNew || c.Storage != jetstream.FileStorage || c.MaxAge != 14*24*time.Hour ||
		c.Duplicates < 2*time.Minute || c.MaxMsgSize <= 0 || c.MaxBytes <= 0 {
		t.Fatalf("settings %+v", c)
	}
}

func TestMarks(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	req := &pb.MarkRequest{Epoch: 7, LastSeq: 9, FirstSeq: 1}
	if _, err := eventlog.AskMark(ctx, env.Press, "rhein", "p1", req); !errors.Is(err, eventlog.ErrNoAnswer) {
		t.Fatalf("nobody serves: %v", err)
	}
	var fail atomic.Bool
	sub, err := eventlog.ServeMarks(env.Core, func(plant, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		if fail.Load() {
			return nil, errors.New("not now")
		}
		return &pb.MarkReply{Epoch: r.Epoch, Mark: r.LastSeq, WarehouseId: 5, FrameVersion: eventlog.FrameVersion}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := env.Core.Flush(); err != nil {
		t.Fatal(err)
	}
	r, err := eventlog.AskMark(ctx, env.Press, "rhein", "p1", req)
	if err != nil || r.Mark != 9 || r.WarehouseId != 5 {
		t.Fatalf("%v, %v", r, err)
	}
	fail.Store(true)
	short, cancel := context.WithTimeout(ctx, 200*time.Millisecond)
	defer cancel()
	if _, err := eventlog.AskMark(short, env.Press, "rhein", "p1", req); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("failing server: %v", err)
	}
	if err := sub.Unsubscribe(); err != nil {
		t.Fatal(err)
	}
	// A reply without seal, and one of another epoch, come before the true one.
	raw, err := env.Core.Subscribe("dw.mark.rhein.p1", func(m *nats.Msg) { _ = m.Respond([]byte("mark 99")) })
	if err != nil {
		t.Fatal(err)
	}
	if err := env.Core.Flush(); err != nil {
		t.Fatal(err)
	}
	short2, cancel2 := context.WithTimeout(ctx, 200*time.Millisecond)
	defer cancel2()
	if r, err := eventlog.AskMark(short2, env.Press, "rhein", "p1", req); err == nil {
		t.Fatalf("believed %v", r)
	}
	_ = raw.Unsubscribe()
}

func TestStoredNotice(t *testing.T) {
	env := eventlogtest.Start(t)
	got := make(chan uint64, 1)
	if _, err := eventlog.SubscribeStored(env.Core, func(pos uint64) { got <- pos }); err != nil {
		t.Fatal(err)
	}
	if err := env.Core.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := eventlog.PublishStored(env.Core, 1<<40+3); err != nil {
		t.Fatal(err)
	}
	select {
	case pos := <-got:
		if pos != 1<<40+3 {
			t.Fatal(pos)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("no notice")
	}
}

func TestRegistry(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	rev := func(n uint64, name string) *pb.RegistryRevision {
		return &pb.RegistryRevision{Rev: n, Author: "lead", Plant: &pb.Plant{Plant: "rhein", Name: name}}
	}
	watched := make(chan uint64, 10)
	watchCtx, stopWatch := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := eventlog.WatchRevisions(watchCtx, env.JS, 1, func(r *pb.RegistryRevision) error {
			watched <- r.Rev
			return nil
		}); err != nil {
			t.Error(err)
		}
	})
	if rs, err := eventlog.ReadRevisions(ctx, env.JS, 0); err != nil || len(rs) != 0 {
		t.Fatalf("empty: %v %v", rs, err)
	}
	for n := uint64(1); n <= 3; n++ {
		if err := eventlog.AppendRevision(ctx, env.JS, rev(n, "a")); err != nil {
			t.Fatal(err)
		}
	}
	if err := eventlog.AppendRevision(ctx, env.JS, rev(3, "a")); err != nil {
		t.Errorf("the same again: %v", err)
	}
	for _, r := range []*pb.RegistryRevision{rev(3, "b"), rev(5, "b"), rev(0, "b")} {
		if err := eventlog.AppendRevision(ctx, env.JS, r); !errors.Is(err, eventlog.ErrStale) {
			t.Errorf("rev %d: %v", r.Rev, err)
		}
	}
	// Of many who append rev 4 at once, one wins.
	var won atomic.Int64
	var race sync.WaitGroup
	for i := range 8 {
		race.Go(func() {
			err := eventlog.AppendRevision(ctx, env.JS, rev(4, string(rune('a'+i))))
			if err == nil {
				won.Add(1)
			} else if !errors.Is(err, eventlog.ErrStale) {
				t.Error(err)
			}
		})
	}
	race.Wait()
	if won.Load() != 1 {
		t.Fatalf("%d appended rev 4", won.Load())
	}
	rs, err := eventlog.ReadRevisions(ctx, env.JS, 1)
	if err != nil || len(rs) != 3 || rs[0].Rev != 2 || rs[2].Rev != 4 {
		t.Fatalf("%v %v", rs, err)
	}
	if !proto.Equal(rs[0], rev(2, "a")) {
		t.Fatalf("%v", rs[0])
	}
	env.Restart()
	within(t, 10*time.Second, "append after restart", func() bool {
		return eventlog.AppendRevision(ctx, env.JS, rev(5, "c")) == nil
	})
	for want := uint64(2); want <= 5; want++ {
		select {
		case got := <-watched:
			if got != want {
				t.Fatalf("watched %d, want %d", got, want)
			}
		case <-time.After(15 * time.Second):
			t.Fatalf("rev %d was not watched", want)
		}
	}
	stopWatch()
	wg.Wait()
}

// TestRegistryLargeDocument: 500 presses of 20 stations fit.
func TestRegistryLargeDocument(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	p := &pb.Plant{Plant: "rhein"}
	for i := range 500 {
		pr := &pb.Press{Press: "p" + string(rune('a'+i%26)) + string(rune('a'+i/26)), Name: "press"}
		for j := range 20 {
			pr.Stations = append(pr.Stations, &pb.Station{Slug: "station-" + string(rune('a'+j)), Name: "Station of the web path"})
		}
		p.Presses = append(p.Presses, pr)
	}
	if n := proto.Size(p); n < eventlog.MaxPayload {
		t.Fatalf("only %d bytes", n)
	}
	if err := eventlog.AppendRevision(ctx, env.JS, &pb.RegistryRevision{Rev: 1, Plant: p}); err != nil {
		t.Fatal(err)
	}
	rs, err := eventlog.ReadRevisions(ctx, env.JS, 0)
	if err != nil || len(rs) != 1 || !proto.Equal(rs[0].Plant, p) {
		t.Fatal("not read back", err)
	}
}

// TestLease: one works at a time; it is handed on at once when given back,
// and within the ttl when its holder falls silent.
func TestLease(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	var working, most, turns atomic.Int64
	work := func(ctx context.Context) error {
		n := working.Add(1)
		defer working.Add(-1)
		most.Store(max(most.Load(), n))
		turns.Add(1)
		<-ctx.Done()
		return ctx.Err()
	}
	run := func(holder string) (cancel context.CancelFunc, done chan error) {
		c, cancel := context.WithCancel(ctx)
		done = make(chan error, 1)
		l := eventlog.NewLease(env.JS, "ingest", holder, eventlogtest.LeaseTTL, nil)
		go func() { done <- l.Run(c, work) }()
		return cancel, done
	}
	cancelA, doneA := run("a")
	within(t, 5*time.Second, "a works", func() bool { return turns.Load() == 1 })
	cancelB, doneB := run("b")
	time.Sleep(2 * eventlogtest.LeaseTTL) // a renews: b must not come in
	if turns.Load() != 1 {
		t.Fatal("b took a lease that was held")
	}
	if h, err := eventlog.NewLease(env.JS, "ingest", "c", 0, nil).Holder(ctx); err != nil || h != "a" {
		t.Fatalf("holder %q, %v", h, err)
	}
	cancelA()
	if err := <-doneA; err != nil {
		t.Fatal(err)
	}
	within(t, eventlogtest.LeaseTTL, "b works", func() bool { return turns.Load() == 2 })
	if most.Load() != 1 {
		t.Fatalf("%d worked at once", most.Load())
	}
	// The server away longer than the ttl: the work is ended, and taken up again.
	env.Stop()
	within(t, 3*eventlogtest.LeaseTTL, "b stops", func() bool { return working.Load() == 0 })
	env.Restart()
	within(t, 15*time.Second, "b works again", func() bool { return turns.Load() == 3 })
	cancelB()
	if err := <-doneB; err != nil {
		t.Fatal(err)
	}
}

// TestLeaseOfSilentHolder: a holder that is gone without giving back is
// replaced when the ttl is over.
func TestLeaseOfSilentHolder(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	kv, err := env.JS.KeyValue(ctx, eventlog.BucketLease)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := kv.Create(ctx, "ingest", []byte("dead")); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	c, cancel := context.WithCancel(ctx)
	err = eventlog.NewLease(env.JS, "ingest", "next", eventlogtest.LeaseTTL, nil).Run(c, func(context.Context) error {
		cancel()
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if d := time.Since(began); d < eventlogtest.LeaseTTL/2 || d > 4*eventlogtest.LeaseTTL {
		t.Fatalf("taken over after %v", d)
	}
}

func TestServerRefusesBadSettings(t *testing.T) {
	for name, c := range map[string]logserver.Config{
		"no dir":        {CorePassword: "a", PressPassword: "b"},
		"no password":   {StoreDir: t.TempDir(), PressPassword: "b"},
		"same password": {StoreDir: t.TempDir(), CorePassword: "a", PressPassword: "a"},
		"bad listen":    {StoreDir: t.TempDir(), CorePassword: "a", PressPassword: "b", Listen: "nowhere"},
	} {
		if err := logserver.New(c).Run(context.Background()); err == nil {
			t.Errorf("%s: ran", name)
		}
	}
	env := eventlogtest.Start(t)
	taken := env.Server.URL()[len("nats://"):]
	err := logserver.New(logserver.Config{StoreDir: t.TempDir(), CorePassword: "a", PressPassword: "b", Listen: taken}).Run(context.Background())
	if err == nil {
		t.Error("ran on a taken port")
	} else {
		t.Log(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 300*time.Millisecond)
	defer cancel()
	if _, err := eventlog.ConnectCore(ctx, env.Server.URL(), "wrong", "x", nil); err == nil {
		t.Error("connected with a wrong password")
	}
	if _, err := nats.Connect(env.Server.URL()); err == nil {
		t.Error("connected without a user")
	}
}

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }
