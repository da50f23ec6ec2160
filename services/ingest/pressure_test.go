package ingest

import (
	"context"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/warehouse"
)

// stuck is the real warehouse behind an insert that does not return until it is let go, as one does whose server has
// stopped working without closing its connections.
type stuck struct {
	*warehouse.DB
	mu    sync.Mutex
	gate  chan struct{} // closed: inserts go on
	tries int
}

func (s *stuck) InsertEvents(ctx context.Context, evs []*pb.Event, pos uint64) error {
	s.mu.Lock()
	gate := s.gate
	s.tries++
	s.mu.Unlock()
	select {
	case <-gate:
		return s.DB.InsertEvents(ctx, evs, pos)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// While the warehouse hangs, however much comes, ingest holds two batches and no more: everything else stays in the
// stream, publishing goes on, and nothing is delivered again. Then all of it is stored, once.
func TestHangingWarehouse(t *testing.T) {
	r := newRig(t)
	wh := &stuck{DB: r.db, gate: make(chan struct{})}
	in := r.start(wh, func(c *Config, _ *Deps) {
		c.BatchEvents, c.BatchMessages, c.BatchBytes, c.InsertTimeout, c.AckWait = 2000, 12, 1<<20, time.Second, 600*time.Millisecond
	})
	r.waitMark("rhein", "p1", 7, 0)
	// 60 frames of 200 events, all but the 24 of two batches must wait.
	const frames, each = 60, 200
	var sent int
	for f := range frames {
		evs := make([]*pb.Event, each)
		for i := range evs {
			at := t0 + int64(f*each+i)*1000
			evs[i] = &pb.Event{OccurredAt: stamp(at), RecordedAt: stamp(at), Body: &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{
				Session: "s", Station: "uv-1", Reason: "waiting-parts", Task: fmt.Sprintf("t%d", i)}}}
		}
		data := r.frame("rhein", "p1", 7, uint64(f*each)+1, evs)
		sent += len(data)
		r.send(message{"rhein", "p1", data})
	}
	r.eventually("an insert hangs", func() bool { wh.mu.Lock(); defer wh.mu.Unlock(); return wh.tries > 0 })
	pending := func() (waiting uint64, inHand, again int) {
		c, err := eventlog.Consumer(r.ctx, r.env.JS, r.db.WarehouseID())
		if err != nil {
			t.Fatal(err)
		}
		i := c.CachedInfo()
		return i.NumPending, i.NumAckPending, i.NumRedelivered
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	for end := time.Now().Add(4 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		waiting, inHand, again := pending()
		if inHand > 24 || waiting+uint64(inHand) != frames || again > 0 {
			t.Fatalf("%d in hand, %d wait, %d delivered again", inHand, waiting, again)
		}
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 8<<20 {
		t.Errorf("memory grew by %d bytes while nothing could be stored", grown)
	}
	if n := in.Metrics().Frames.Load(); n > 24 {
		t.Errorf("%d frames pulled of %d bytes sent", n, sent)
	}
	if m, _ := r.mark("rhein", "p1", 7); m != 0 {
		t.Errorf("mark %d", m)
	}
	close(wh.gate)
	r.waitMark("rhein", "p1", 7, frames*each)
	r.waitDrained()
	if rows, distinct := r.count(); rows != frames*each || distinct != frames*each {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
}

// A batch ends at its bytes, too: events may be large.
func TestBatchBytes(t *testing.T) {
	r := newRig(t)
	wh := &stuck{DB: r.db, gate: make(chan struct{})}
	in := r.start(wh, func(c *Config, _ *Deps) { c.BatchBytes = 1 << 20 })
	evs := slicesOf(1000)
	for i, e := range evs { // a frame of about 190 KiB
		e.SourceKey = fmt.Sprintf("%064d", i)
		e.GetSlice().Job = fmt.Sprintf("%064d", i)
	}
	var size int
	for p := range 30 {
		press := fmt.Sprintf("p%d", p)
		data := r.frame("rhein", press, 7, 1, evs)
		size = len(data)
		r.send(message{"rhein", press, data})
	}
	r.eventually("an insert hangs", func() bool { wh.mu.Lock(); defer wh.mu.Unlock(); return wh.tries > 0 })
	time.Sleep(500 * time.Millisecond)
	if n := int(in.Metrics().Frames.Load()) * size; n > 2*(1<<20)+2*eventlog.MaxPayload {
		t.Errorf("%d bytes in hand, two batches have %d", n, 2<<20)
	}
	close(wh.gate)
	for p := range 30 {
		r.waitMark("rhein", fmt.Sprintf("p%d", p), 7, 1000)
	}
}

// What is larger than a hop takes is refused there by name; what is within is taken. Poison of every kind among good
// frames of the same press and of others stops none of them, is kept whole with its reason, and passes no mark.
func TestPoisonAndLimits(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	// The log: a message above its limit is refused to its sender.
	if err := r.env.Press.Publish(eventlog.PressSubject("rhein", "p1"), make([]byte, eventlog.MaxPayload+1)); err != nats.ErrMaxPayload {
		t.Errorf("a message above the limit: %v", err)
	}
	// A frame above its limits is not made, and not read.
	if _, err := eventlog.EncodeFrame(&pb.FrameHeader{Plant: "rhein", Press: "p1", FirstSeq: 1, Count: eventlog.MaxFrameEvents + 1}, nil); err == nil {
		t.Error("a frame of 1,001 events is made")
	}
	many := append(slicesOf(eventlog.MaxFrameEvents), slicesOf(1)...)
	most := r.frame("rhein", "p1", 7, 1, many[:eventlog.MaxFrameEvents])
	var records []byte
	for _, e := range many {
		records, _ = eventlog.AppendEvent(records, e)
	}
	poison := map[string][]byte{
		"no magic":                       []byte(strings.Repeat("A", eventlog.MaxPayload)), // as large as may be
		"1001 is not 1 to 1000":          forged(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1001, Count: 1001}, records),
		"checksum":                       append(append([]byte(nil), most[:len(most)-1]...), most[len(most)-1]^1),
		"version 0":                      append([]byte("DWF\x00"), most[4:]...),
		"came as one of":                 r.frame("rhein", "p2", 7, 1, many[:3]),
		"header":                         forged(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 0, Count: 1}, records[:60]),
		"bytes after the last event":     forged(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1001, Count: 1000}, records),
		"plant \"RHEIN\" is no slug":     forged(&pb.FrameHeader{Plant: "RHEIN", Press: "p1", Epoch: 7, FirstSeq: 1001, Count: 1}, records[:60]),
		"9223372036854775807":            forged(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1<<63 - 1, Count: 1}, records[:60]),
		"300 events in 60 bytes":         forged(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1001, Count: 300}, records[:60]),
		"carries an identity of its own": forged(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1001, Count: 1}, record(&pb.Event{Plant: "rhein", Press: "p2", Epoch: 1, Seq: 5})),
	}
	r.send(message{"rhein", "p1", most})
	next := uint64(1001)
	for _, data := range poison {
		r.sendRaw(eventlog.PressSubject("rhein", "p1"), data)
		r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, next, many[:5])}, message{"rhein", "p3", r.frame("rhein", "p3", 7, next-1000, many[:5])})
		next += 5
	}
	r.waitMark("rhein", "p1", 7, next-1)
	r.waitMark("rhein", "p3", 7, next-1001)
	r.waitDrained()
	letters := r.letters()
	if len(letters) != len(poison) {
		t.Errorf("%d letters of %d", len(letters), len(poison))
	}
	for reason, data := range poison {
		n := 0
		for _, l := range letters {
			if string(l.Payload) == string(data) && strings.Contains(l.Reason, reason) && l.Seq == 0 && l.Subject == eventlog.StreamSubject("rhein", "p1") && l.Plant == "rhein" && l.Press == "p1" {
				n++
			}
		}
		if n != 1 {
			t.Errorf("%q is kept %d times", reason, n)
		}
	}
	if m, ok := r.mark("rhein", "p2", 7); m != 0 || !ok {
		t.Errorf("another press's frame moved its mark to %d", m)
	}
	if n := in.Metrics().DeadFrames.Load(); n != uint64(len(poison)) {
		t.Errorf("%d dead frames counted", n)
	}
	// A frame that could not be read and now can is stored by a redrive, and its letter is done. Here its cause is
	// mended by hand: a newer program reads what this one does not.
	good := r.frame("rhein", "p4", 9, 1, many[:4])
	if err := r.db.InsertDead(r.ctx, []Dead{{Plant: "rhein", Press: "p4", Payload: good, Subject: eventlog.StreamSubject("rhein", "p4"), Reason: "could not be read", At: clock()}}); err != nil {
		t.Fatal(err)
	}
	var hash string
	for _, l := range r.letters() {
		if l.Press == "p4" {
			hash = l.Hash
		}
	}
	m := &nats.Msg{Subject: eventlog.StreamSubject("rhein", "p4"), Data: good, Header: nats.Header{RedriveHeader: {hash}}}
	for range 2 {
		if _, err := r.env.JS.PublishMsg(r.ctx, m); err != nil {
			t.Fatal(err)
		}
	}
	r.waitMark("rhein", "p4", 9, 4)
	r.waitDrained()
	if waiting, done, err := r.db.CountDead(r.ctx); err != nil || waiting != uint64(len(poison)) || done != 1 {
		t.Errorf("%d wait, %d done, %v", waiting, done, err)
	}
	if rows, distinct := r.count(); rows != distinct || distinct != next-1+next-1001+4 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
}
