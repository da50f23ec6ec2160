package agent_test

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// TestBacklogAndLive: one press comes back after seven days offline, a slice
// every second; five others go on. While the backlog goes out, the others'
// events are in the log within a second, most of them, and within four at
// worst (on a busy machine; what they wait for is the frames in flight, 16 at
// most).
func TestBacklogAndLive(t *testing.T) {
	if testing.Short() {
		t.Skip("600,000 events")
	}
	const week, live = 7 * 24 * 3600, 5
	env := eventlogtest.Start(t)
	cfg := config(t, env)
	cfg.Presses = []string{"rhein/p0"}
	for i := range live {
		cfg.Presses = append(cfg.Presses, fmt.Sprintf("rhein/l%d", i))
	}
	sp, err := spool.Open(filepath.Join(cfg.SpoolDir, cfg.Name+".db"), spool.Options{})
	if err != nil {
		t.Fatal(err)
	}
	batch := &spool.Batch{}
	var buf []byte
	for first := 1; first <= week; first += 1000 {
		b := spool.Block{Press: "rhein/p0", First: uint64(first)}
		for i := first; i < min(first+1000, week+1); i++ {
			from := timestamppb.Timestamp{Seconds: int64(day0 + i)}
			to := timestamppb.Timestamp{Seconds: int64(day0 + i + 1)}
			if buf, err = eventlog.AppendEvent(buf[:0], &pb.Event{RecordedAt: &to, Body: &pb.Event_Slice{Slice: &pb.Slice{From: &from, To: &to, State: pb.State_STATE_PRODUCTION, GoodMm: 1600}}}); err != nil {
				t.Fatal(err)
			}
			b.Add(buf, from.Seconds*1000)
		}
		if batch.Blocks = append(batch.Blocks, b); len(batch.Blocks) == 50 || first+1000 > week {
			if err := sp.Commit(batch); err != nil {
				t.Fatal(err)
			}
			batch = &spool.Batch{}
		}
	}
	if err := sp.Close(); err != nil {
		t.Fatal(err)
	}

	var mu sync.Mutex
	marks, arrived := map[string]uint64{}, map[string]time.Time{}
	var drained time.Time
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	cons, err := eventlog.Consumer(ctx, env.JS, 1)
	if err != nil {
		t.Fatal(err)
	}
	it, err := cons.Consume(func(m jetstream.Msg) {
		now := time.Now()
		_, press, _ := eventlog.ParseStreamSubject(m.Subject())
		var first, last uint64
		if _, err := fmt.Sscanf(m.Headers().Get(jetstream.MsgIDHeader)[len("rhein/p0/0123456789abcdef/"):], "%d-%d", &first, &last); err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		for seq := first; press != "p0" && seq <= last; seq++ {
			arrived[fmt.Sprint(press, " ", seq)] = now
		}
		if first <= marks[press]+1 {
			marks[press] = max(marks[press], last)
		}
		if marks["p0"] == week && drained.IsZero() {
			drained = now
		}
		_ = m.Ack()
	})
	if err != nil {
		t.Fatal(err)
	}
	defer it.Stop()
	sub, err := eventlog.ServeMarks(env.Core, func(_, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		mu.Lock()
		defer mu.Unlock()
		return &pb.MarkReply{Epoch: r.Epoch, Mark: marks[press], WarehouseId: 1, FrameVersion: eventlog.FrameVersion}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()

	pr, pw := io.Pipe()
	cfg.Sources = []agent.Source{{Reader: pr, Name: "live"}}
	a := agent.New(cfg)
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	written := map[string]time.Time{}
	for n, finished := 1, false; !finished && n < 400; n++ {
		text := ""
		now := time.Now()
		for i := range live {
			text += fmt.Sprintf(`{"plant":"rhein","press":"l%d","occurredAt":"2026-06-15T04:00:00Z","jobEnded":{"job":"J%d"}}`+"\n", i, n)
			written[fmt.Sprint("l", i, " ", n)] = now
		}
		if _, err := io.WriteString(pw, text); err != nil {
			t.Fatal(err)
		}
		time.Sleep(50 * time.Millisecond)
		mu.Lock()
		finished = n > 20 && !drained.IsZero()
		mu.Unlock()
	}
	_ = pw.Close()
	if err := <-done; err != nil || ctx.Err() != nil {
		t.Fatalf("%v, %+v", err, a.Status())
	}
	mu.Lock()
	defer mu.Unlock()
	var delays []time.Duration
	during := 0
	for k, at := range written {
		if arrived[k].IsZero() {
			t.Fatalf("%s never arrived", k)
		}
		delays = append(delays, arrived[k].Sub(at))
		if arrived[k].Before(drained) {
			during++
		}
	}
	slices.Sort(delays)
	median, worst := delays[len(delays)/2], delays[len(delays)-1]
	t.Logf("%d live events, %d of them before the backlog was out; median %v, 99 %% %v, worst %v", len(delays), during, median, delays[len(delays)*99/100], worst)
	if during == 0 || median > time.Second || worst > 4*time.Second {
		t.Errorf("live events wait for the backlog: %d before its end, median %v, worst %v", during, median, worst)
	}
}
