package ingest

import (
	"encoding/hex"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/warehouse"
)

// firstFrame is a frame as the first released agent wrote it, byte for byte: a slice and a sign-off of rhein/p1, epoch
// 00000000000000ab, seq 1 and 2. It must be read for ever.
const firstFrame = "44574601dde8dcb2260a05726865696e1202703119ab000000000000002001280230809e87e9ca3338c0edabe9ca33382a0608e0ce94cd06" +
	"320b089ccf94cd06108084af5f52210a0608e0ce94cd061206089ccf94cd06180132026a3138c0a90740a08d0648f403432a0608b8d394cd" +
	"06320b08b8d394cd061080c2d72f3a026b316a280a0273311a0475762d3120012803320a616231326364333465663a04776f726e420608e0" +
	"ce94cd06"

// laterFields adds fields that this program does not know, as a later one would.
func laterFields[M proto.Message](m M) M {
	b := protowire.AppendString(protowire.AppendTag(m.ProtoReflect().GetUnknown(), 1001, protowire.BytesType), "from a later version")
	m.ProtoReflect().SetUnknown(b)
	return m
}

// An agent of the first version is understood by this program; one of a later version, as far as this program
// understands it: what it does not know is kept, and what cannot be read stays with the agent and is counted.
func TestAgentsOfOtherVersions(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	old, err := hex.DecodeString(firstFrame)
	if err != nil {
		t.Fatal(err)
	}
	r.sendRaw(eventlog.PressSubject("rhein", "p1"), old)
	r.waitMark("rhein", "p1", 0xab, 2)
	sl, err := r.db.ReadSlices(r.ctx, "rhein", "p1", t0, t0+60000)
	if err != nil || len(sl) != 1 || sl[0].Good != 100000 || sl[0].Waste != 500 || sl[0].Rated != 120000 || sl[0].Job != "j1" || sl[0].Recorded != t0+60200 {
		t.Errorf("slices of the first version: %+v %v", sl, err)
	}
	evs, err := r.db.ReadEvents(r.ctx, "rhein", "p1", t0, t0+3600000)
	if err != nil || len(evs) != 1 || evs[0].Station != "uv-1" || evs[0].Session != "s1" || evs[0].Note != "worn" || evs[0].Condition != 3 || evs[0].Crew != "ab12cd34ef" || evs[0].Began != t0 {
		t.Errorf("events of the first version: %+v %v", evs, err)
	}

	// Later: more in header, event and body; a body, and a frame, that are not known.
	later := slicesOf(3)
	laterFields(later[0])
	laterFields(later[1].GetSlice())
	later = append(later, laterFields(&pb.Event{OccurredAt: stamp(t0), RecordedAt: stamp(t0)}))
	var records []byte
	for _, e := range later {
		if records, err = eventlog.AppendEvent(records, e); err != nil {
			t.Fatal(err)
		}
	}
	r.sendRaw(eventlog.PressSubject("rhein", "p2"), forged(laterFields(&pb.FrameHeader{Plant: "rhein", Press: "p2", Epoch: 8, FirstSeq: 1, Count: 4}), records))
	newer := r.frame("rhein", "p3", 9, 1, slicesOf(5))
	newer[3] = eventlog.FrameVersion + 1
	r.sendRaw(eventlog.PressSubject("rhein", "p3"), sealFrame(newer))
	r.waitMark("rhein", "p2", 8, 4)
	r.waitDrained()
	list, _, err := r.db.ListEvents(r.ctx, warehouse.ListQuery{Presses: []string{"rhein/p2"}})
	if err != nil || len(list) != 4 {
		t.Fatalf("%d events, %v", len(list), err)
	}
	bySeq := map[uint64]*pb.Event{}
	for _, e := range list {
		bySeq[e.Event.Seq] = e.Event
	}
	for i, want := range later {
		want.Plant, want.Press, want.Epoch, want.Seq = "rhein", "p2", 8, uint64(i)+1
		if !proto.Equal(bySeq[want.Seq], want) {
			t.Errorf("event %d: %v, want %v", i, bySeq[want.Seq], want)
		}
	}
	// The frame of a later version: counted by press, not passed by the mark, not dead; the reply names the version
	// that is understood, also to a request of a later agent.
	reply := r.ask("rhein", "p3", laterFields(&pb.MarkRequest{Epoch: 9, FirstSeq: 1, LastSeq: 5}))
	if reply.Mark != 0 || reply.FrameVersion != eventlog.FrameVersion {
		t.Errorf("reply: %v", reply)
	}
	st, err := AskStatus(r.ctx, r.env.Core)
	if err != nil || len(st.HeldBack) != 1 || st.HeldBack["rhein/p3"] != 1 {
		t.Errorf("held back: %v %v", st.GetHeldBack(), err)
	}
	if n, _, err := r.db.CountDead(r.ctx); err != nil || n != 0 {
		t.Errorf("%d dead letters, %v", n, err)
	}
	// The servers are upgraded: the agent sends it again, and it is stored.
	in.stop()
	in = r.start(r.open())
	r.send(message{"rhein", "p3", r.frame("rhein", "p3", 9, 1, slicesOf(5))})
	r.waitMark("rhein", "p3", 9, 5)
	if st, err = AskStatus(r.ctx, r.env.Core); err != nil || len(st.HeldBack) != 0 {
		t.Errorf("held back: %v %v", st.GetHeldBack(), err)
	}
}

// What an older program kept raw is stored in columns by this one when it begins to work, and its press is projected
// again.
func TestDecodedAgain(t *testing.T) {
	r := newRig(t)
	e := &pb.Event{Plant: "rhein", Press: "p1", Epoch: 7, Seq: 1, OccurredAt: stamp(t0), RecordedAt: stamp(t0),
		Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind_DEFECT_KIND_STREAK, LengthMm: 7}}}
	raw, err := proto.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	batch, err := r.db.Conn().PrepareBatch(r.ctx, "INSERT INTO events (kind, plant, press, occurred_at, epoch, seq, pos, raw)")
	if err != nil {
		t.Fatal(err)
	}
	if err := batch.Append(uint8(0), "rhein", "p1", t0, uint64(7), uint64(1), uint64(1), string(raw)); err != nil {
		t.Fatal(err)
	}
	if err := batch.Send(); err != nil {
		t.Fatal(err)
	}
	in := r.start(r.db)
	r.eventually("the event is decoded", func() bool { return in.Metrics().Decoded.Load() == 1 })
	evs, err := r.db.ReadEvents(r.ctx, "rhein", "p1", t0, t0+1)
	if err != nil || len(evs) != 1 || evs[0].Length != 7 {
		t.Errorf("%+v %v", evs, err)
	}
	if rows, distinct := r.count(); rows != 1 || distinct != 1 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
	take, err := r.db.TakeDirty(r.ctx)
	if err != nil || len(take) != 1 || take[0].Press != "p1" || take[0].From != t0 {
		t.Errorf("dirty: %v %v", take, err)
	}
	r.waitMark("rhein", "p1", 7, 1)
	// It comes again: no other event.
	r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, 1, []*pb.Event{{OccurredAt: e.OccurredAt, RecordedAt: e.RecordedAt, Body: e.Body}})})
	r.waitDrained()
	if n := in.Metrics().Clones.Load(); n != 0 {
		t.Errorf("%d clones", n)
	}
}
