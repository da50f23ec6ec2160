package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// t0 is the start of the test series: 2026-03-02 06:00 UTC; clock is what ingest believes to be now.
const t0 = int64(1772431200000)

func clock() time.Time { return time.UnixMilli(t0).Add(100 * 24 * time.Hour) }

// rig is a real log server and a real warehouse.
type rig struct {
	t   testing.TB
	ctx context.Context
	env *eventlogtest.Env
	db  *warehouse.DB
	dsn string
}

func newRig(t testing.TB) *rig {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	t.Cleanup(cancel)
	r := &rig{t: t, ctx: ctx, dsn: warehousetest.DSN(t)}
	r.db = r.open()
	r.env = eventlogtest.Start(t)
	return r
}

// open makes another connection to the warehouse, as another process would have.
func (r *rig) open() *warehouse.DB {
	r.t.Helper()
	db, err := warehouse.Open(r.ctx, warehouse.Config{DSN: r.dsn})
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { db.Close() })
	return db
}

// running is an ingest at work; stop may be called more than once.
type running struct {
	*Ingest
	stop func()
}

func (r *rig) start(wh Inserter, change ...func(*Config, *Deps)) *running {
	r.t.Helper()
	cfg := Config{Holder: fmt.Sprintf("test-%d", rand.Uint64()), LeaseTTL: eventlogtest.LeaseTTL, BatchWait: 50 * time.Millisecond, AckWait: 2 * time.Second,
		InsertTimeout: 20 * time.Second, Now: clock}
	deps := Deps{NC: r.env.Core, JS: r.env.JS, Warehouse: wh}
	if os.Getenv("DOWNWEB_TEST_LOG") != "" {
		deps.Log = slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	for _, f := range change {
		f(&cfg, &deps)
	}
	in := New(cfg, deps)
	in.retryFirst, in.retryMax = 10*time.Millisecond, 100*time.Millisecond
	ctx, cancel := context.WithCancel(r.ctx)
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	stopped := false
	run := &running{in, func() {
		cancel()
		if !stopped {
			stopped = true
			if err := <-done; err != nil {
				r.t.Errorf("ingest: %v", err)
			}
		}
	}}
	r.t.Cleanup(run.stop)
	return run
}

func stamp(ms int64) *timestamppb.Timestamp { return timestamppb.New(time.UnixMilli(ms)) }

// slicesOf are n minute slices of a press, without identity.
func slicesOf(n int) []*pb.Event {
	out := make([]*pb.Event, n)
	for i := range out {
		from := t0 + int64(i)*60000
		out[i] = &pb.Event{OccurredAt: stamp(from), RecordedAt: stamp(from + 60200), Body: &pb.Event_Slice{Slice: &pb.Slice{From: stamp(from), To: stamp(from + 60000),
			State: pb.State_STATE_PRODUCTION, Job: "j1", RatedMmPerMin: proto.Int64(120000), GoodMm: int64(100000 + i), WasteMm: 500}}}
	}
	return out
}

// frame encodes events as those of an epoch from a seq on.
func (r *rig) frame(plant, press string, epoch, first uint64, evs []*pb.Event) []byte {
	r.t.Helper()
	var records []byte
	var err error
	for _, e := range evs {
		if records, err = eventlog.AppendEvent(records, e); err != nil {
			r.t.Fatal(err)
		}
	}
	b, err := eventlog.EncodeFrame(&pb.FrameHeader{Plant: plant, Press: press, Epoch: epoch, FirstSeq: first, Count: uint32(len(evs))}, records)
	if err != nil {
		r.t.Fatal(err)
	}
	return b
}

// message is a frame under way.
type message struct {
	plant, press string
	data         []byte
}

// cut makes frames of at most size events.
func (r *rig) cut(plant, press string, epoch uint64, evs []*pb.Event, size int) []message {
	var out []message
	for i := 0; i < len(evs); i += size {
		out = append(out, message{plant, press, r.frame(plant, press, epoch, uint64(i)+1, evs[i:min(i+size, len(evs))])})
	}
	return out
}

// send publishes as an agent does, without a message id: the stream keeps what is sent twice.
func (r *rig) send(ms ...message) {
	r.t.Helper()
	for _, m := range ms {
		r.sendRaw(eventlog.PressSubject(m.plant, m.press), m.data)
	}
}

func (r *rig) sendRaw(subject string, data []byte) {
	r.t.Helper()
	var msg *nats.Msg
	var err error
	for range 3 { // a question may be lost when the server is started again; what is stored twice is no harm
		if msg, err = r.env.Press.RequestMsg(&nats.Msg{Subject: subject, Data: data}, 5*time.Second); err == nil {
			break
		}
	}
	if err != nil {
		r.t.Fatal(err)
	}
	if len(msg.Data) == 0 || string(msg.Data[:9]) == `{"error":` {
		r.t.Fatalf("publish: %s", msg.Data)
	}
}

// eventually waits up to a bound until ok.
func (r *rig) eventually(what string, ok func() bool) {
	r.t.Helper()
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if ok() {
			return
		}
	}
	r.t.Fatalf("%s: not within 60 s", what)
}

// mark asks as an agent does; ok is false while nobody answers.
func (r *rig) mark(plant, press string, epoch uint64) (uint64, bool) {
	ctx, cancel := context.WithTimeout(r.ctx, 2*time.Second)
	defer cancel()
	reply, err := eventlog.AskMark(ctx, r.env.Press, plant, press, &pb.MarkRequest{Epoch: epoch})
	if err != nil {
		return 0, false
	}
	return reply.Mark, true
}

func (r *rig) waitMark(plant, press string, epoch, want uint64) {
	r.t.Helper()
	r.eventually(fmt.Sprintf("mark %d of %s/%s", want, plant, press), func() bool {
		m, ok := r.mark(plant, press, epoch)
		return ok && m == want
	})
}

// waitDrained waits until the consumer has nothing left to deliver or acknowledge.
func (r *rig) waitDrained() {
	r.t.Helper()
	r.eventually("all messages acknowledged", func() bool {
		c, err := eventlog.Consumer(r.ctx, r.env.JS, r.db.WarehouseID())
		if err != nil {
			return false
		}
		i, err := c.Info(r.ctx)
		return err == nil && i.NumPending == 0 && i.NumAckPending == 0
	})
}

// rows and distinct identities in the table, by press.
func (r *rig) count() (rows, distinct uint64) {
	r.t.Helper()
	if err := r.db.Conn().QueryRow(r.ctx, "SELECT count(), uniqExact(plant, press, epoch, seq) FROM events").Scan(&rows, &distinct); err != nil {
		r.t.Fatal(err)
	}
	return rows, distinct
}

// checksum is over everything but pos, each identity once.
func (r *rig) checksum() uint64 {
	r.t.Helper()
	var sum uint64
	if err := r.db.Conn().QueryRow(r.ctx, "SELECT sum(cityHash64(plant, press, epoch, seq, kind, occurred_at, dur_ms, good_mm, waste_mm, state, job, note)) FROM events FINAL").Scan(&sum); err != nil {
		r.t.Fatal(err)
	}
	return sum
}
