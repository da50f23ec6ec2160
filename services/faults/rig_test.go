//go:build linux

package faults

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/ingest"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// rig is a real log server, a real warehouse and an ingest at work between them.
type rig struct {
	ctx context.Context
	env *eventlogtest.Env
	db  *warehouse.DB
}

// newRig starts them; ingest believes it to be now, and accepts what lies so far back and ahead.
func newRig(t *testing.T, now time.Time, past, future time.Duration) *rig {
	t.Helper()
	r := &rig{ctx: limited(t, 3*time.Minute)}
	var err error
	if r.db, err = warehouse.Open(r.ctx, warehouse.Config{DSN: warehousetest.DSN(t)}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.db.Close() })
	r.env = eventlogtest.Start(t)
	in := ingest.New(ingest.Config{Holder: "faults", LeaseTTL: eventlogtest.LeaseTTL, BatchWait: 10 * time.Millisecond, PastLimit: past, FutureLimit: future, Now: func() time.Time { return now }},
		ingest.Deps{NC: r.env.Core, JS: r.env.JS, Warehouse: r.db})
	run, stop := context.WithCancel(r.ctx)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(run) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("ingest: %v", err)
		}
	})
	return r
}

// frame encodes events as those of an epoch of rhein/PRESS from a seq on.
func frame(t *rapid.T, press string, epoch, first uint64, evs []*pb.Event) []byte {
	var records []byte
	for _, e := range evs {
		e = proto.CloneOf(e)
		e.Plant, e.Press, e.Epoch, e.Seq = "", "", 0, 0 // they stand once in the header
		var err error
		if records, err = eventlog.AppendEvent(records, e); err != nil {
			t.Fatal(err)
		}
	}
	b, err := eventlog.EncodeFrame(&pb.FrameHeader{Plant: "rhein", Press: press, Epoch: epoch, FirstSeq: first, Count: uint32(len(evs))}, records)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// send publishes as an agent does; without an id the stream keeps what is sent twice.
func (r *rig) send(t *rapid.T, press string, frame []byte) {
	m, err := r.env.Press.RequestMsg(&nats.Msg{Subject: eventlog.PressSubject("rhein", press), Data: frame}, 10*time.Second)
	if err != nil || len(m.Data) < 9 || string(m.Data[:9]) == `{"error":` {
		t.Fatalf("publish: %v %s", err, m.Data)
	}
}

// waitMark waits until all up to a seq is stored or put aside.
func (r *rig) waitMark(t *rapid.T, press string, epoch, want uint64) {
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(r.ctx, 2*time.Second)
		reply, err := eventlog.AskMark(ctx, r.env.Press, "rhein", press, &pb.MarkRequest{Epoch: epoch})
		cancel()
		if err == nil && reply.Mark == want {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%s: mark %v, want %d, after 20 s: %v", press, reply.GetMark(), want, err)
		}
	}
}
