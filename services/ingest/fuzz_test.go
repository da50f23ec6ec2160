package ingest

import (
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// fakeMsg is a message with bytes of any kind.
type fakeMsg struct {
	jetstream.Msg
	subject string
	data    []byte
	header  nats.Header
}

func (m fakeMsg) Subject() string      { return m.subject }
func (m fakeMsg) Data() []byte         { return m.data }
func (m fakeMsg) Headers() nats.Header { return m.header }

// FuzzAdmit: whatever bytes a message holds, with its checksum right or wrong, under whatever subject and mark of a
// redrive, taking it off, judging and storing it never panics; every event of it that is understood is stored or kept
// aside, everything else is kept whole.
func FuzzAdmit(f *testing.F) {
	rig := &rig{t: f}
	good := rig.frame("rhein", "p1", 7, 1, slicesOf(5))
	f.Add(good, "in.dw.v1.rhein.p1", "", false)
	f.Add(good, "in.dw.v1.rhein.p2", "00ff", false)
	f.Add(good[:20], "in.dw.v1..", "x", true)
	at := stamp(t0)
	for _, e := range []*pb.Event{
		{OccurredAt: at, Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: 1, FirstSeq: 1, LastSeq: 1 << 62, Earliest: at}}},
		{OccurredAt: at, RecordedAt: at, Body: &pb.Event_JobCorrected{JobCorrected: &pb.JobCorrected{Job: "j"}}},
		{OccurredAt: at, RecordedAt: at, Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{}}},
		{OccurredAt: at, RecordedAt: at, Body: &pb.Event_WasteBooked{}},
		{Body: &pb.Event_Slice{}}, {}, laterFields(&pb.Event{}), laterFields(&pb.Event{OccurredAt: at}),
	} {
		f.Add(forged(&pb.FrameHeader{Plant: "rhein", Press: "p1", Epoch: 7, FirstSeq: 1, Count: 1}, record(e)), "in.dw.v1.rhein.p1", "", true)
	}
	f.Fuzz(func(t *testing.T, data []byte, subject, redrive string, repair bool) {
		if len(data) > eventlog.MaxPayload {
			return
		}
		if repair && len(data) >= 8 {
			data = sealFrame(append([]byte("DWF\x01"), data[4:]...))
		}
		m := fakeMsg{subject: subject, data: data, header: nats.Header{}}
		if redrive != "" {
			m.header.Set(RedriveHeader, redrive)
		}
		wh := newMemory()
		p := startProcess(t, wh, -1, false)
		if err := p.load(p.ctx); err != nil {
			t.Fatal(err)
		}
		b := &batch{}
		p.take(b, m)
		p.take(b, m)
		events := 0
		for _, fr := range b.frames {
			events = len(fr.Events)
		}
		whole := len(b.dead)
		if len(b.frames)+whole != 2 && !(len(b.frames) == 0 && whole == 0 && p.metrics.HeldBack.Load() == 2) {
			t.Fatalf("%d frames, %d letters of 2 messages", len(b.frames), whole)
		}
		if err := p.store(p.ctx, b); err != nil {
			t.Fatal(err)
		}
		dead := 0
		for _, d := range wh.dead {
			if d.Seq > 0 {
				dead++
			}
			if d.Reason == "" || len(d.Payload) == 0 && len(data) > 0 && d.Seq == 0 {
				t.Fatalf("a letter without reason or payload: %+v", d)
			}
		}
		if len(wh.events)+dead != events || wh.doubled {
			t.Fatalf("%d stored and %d aside of %d events", len(wh.events), dead, events)
		}
	})
}

// FuzzLost: no request for a mark makes ingest panic or its marks wrong.
func FuzzLost(f *testing.F) {
	f.Add(uint64(1), uint64(5), uint64(3), uint64(1<<63), uint64(1), uint64(9), "why")
	f.Add(uint64(0), uint64(0), ^uint64(0), ^uint64(0), uint64(1), ^uint64(0), "\xff\x00\n")
	f.Fuzz(func(t *testing.T, f1, l1, f2, l2, first, last uint64, why string) {
		wh := newMemory()
		p := startProcess(t, wh, -1, false)
		if err := p.load(p.ctx); err != nil {
			t.Fatal(err)
		}
		k := epochKey{"rhein", "p1", 8}
		p.at(k).add([]uint64{1, 2, 3, 7}, false)
		small := func(n uint64) uint64 {
			if n <= maxLostSeq {
				return n % 100
			}
			return n
		}
		req := &pb.MarkRequest{Epoch: 8, FirstSeq: first, LastSeq: last, Lost: []*pb.LostRange{{FirstSeq: small(f1), LastSeq: small(l1), Reason: why}, {FirstSeq: small(f2), LastSeq: small(l2)}}}
		if _, err := p.markReply("rhein", "p1", req); err != nil {
			t.Fatal(err)
		}
		if err := p.storeLost(p.ctx); err != nil {
			t.Fatal(err)
		}
		covered := map[uint64]bool{1: true, 2: true, 3: true, 7: true}
		for _, g := range wh.gaps {
			if g.First == 0 || g.First > g.Last || g.Last >= 100 || g.At.Sub(clock()) > time.Second {
				t.Fatalf("gap %+v", g)
			}
			for s := g.First; s <= g.Last; s++ {
				covered[s] = true
			}
		}
		for s := uint64(1); s < 110; s++ {
			if p.at(k).covered(s) != covered[s] || p.at(k).stored(s) != (s <= 3 || s == 7) {
				t.Fatalf("seq %d: covered %v, stored %v", s, p.at(k).covered(s), p.at(k).stored(s))
			}
		}
		if st := p.status(); len(st.Epochs) == 0 {
			t.Fatal("no status")
		}
	})
}
