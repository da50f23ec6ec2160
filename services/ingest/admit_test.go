package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/warehouse"
)

func consumerName(id uint64) string { return fmt.Sprintf("ingest-%016x", id) }

// What cannot be accepted is kept whole with the reason, passes the mark where its seq is known, and its neighbors are
// stored.
func TestDeadLetters(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	evs := slicesOf(10)
	evs[2].GetSlice().GoodMm = -5
	evs[4].GetSlice().To = stamp(t0 + 4*60000 + 60001) // over 60 s
	future := clock().UnixMilli() + 3600000
	evs[6].OccurredAt, evs[6].GetSlice().From, evs[6].GetSlice().To = stamp(future), stamp(future), stamp(future+1000)
	evs[8].RecordedAt = stamp(future)
	r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, 1, evs)})

	good := r.frame("rhein", "p1", 7, 11, slicesOf(3))
	damaged := bytes.Clone(good)
	damaged[len(damaged)-1] ^= 1
	r.sendRaw(eventlog.PressSubject("rhein", "p1"), damaged)
	r.sendRaw(eventlog.PressSubject("rhein", "p1"), damaged)
	r.sendRaw(eventlog.PressSubject("rhein", "p2"), good) // another press's frame
	r.sendRaw(eventlog.PressSubject("rhein", "p3"), []byte("Hello"))
	r.send(message{"ohio", "p9", r.frame("ohio", "p9", 9, 1, slicesOf(5))})

	r.waitMark("rhein", "p1", 7, 10)
	r.waitMark("ohio", "p9", 9, 5)
	r.waitDrained()
	if rows, _ := r.count(); rows != 11 {
		t.Errorf("%d rows, want 6 + 5", rows)
	}
	dead, _, err := r.db.ListDead(r.ctx, warehouse.DeadQuery{Payload: true})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, d := range dead {
		got[fmt.Sprintf("%s/%s %d %d", d.Plant, d.Press, d.Epoch, d.Seq)] = d.Field + ": " + d.Reason
		if d.Seq > 0 {
			e := &pb.Event{}
			if err := proto.Unmarshal(d.Payload, e); err != nil || e.Seq != d.Seq || e.GetSlice() == nil {
				t.Errorf("seq %d is not kept whole: %v %v", d.Seq, e, err)
			}
		} else if !bytes.Equal(d.Payload, damaged) && !bytes.Equal(d.Payload, good) && string(d.Payload) != "Hello" {
			t.Errorf("a frame is not kept whole: %d bytes", len(d.Payload))
		}
	}
	for key, want := range map[string]string{
		"rhein/p1 7 3": "slice.good_mm: must not be negative", "rhein/p1 7 5": "slice", "rhein/p1 7 7": "occurred_at: lies in the future",
		"rhein/p1 7 9": "recorded_at: lies in the future", "rhein/p1 0 0": "checksum", "rhein/p2 0 0": "a frame of rhein/p1 came as one of rhein/p2", "rhein/p3 0 0": "no magic",
	} {
		if !strings.Contains(got[key], want) {
			t.Errorf("%s: %q, want %q", key, got[key], want)
		}
	}
	if len(dead) != 7 {
		t.Errorf("%d dead letters: %v", len(dead), got)
	}
	// Sent again, now right: a dead seq counts as not stored.
	in.stop()
	r.start(r.open())
	r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, 1, slicesOf(10))})
	r.eventually("dead events stored when they come right", func() bool { _, n := r.count(); return n == 15 })
	r.waitDrained()
	if rows, distinct := r.count(); rows != 15 || distinct != 15 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
	r.waitMark("rhein", "p1", 7, 10)
}

// A newer frame is taken off the stream but not counted; a body of a later version is stored whole.
func TestLaterVersions(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	newer := r.frame("rhein", "p1", 7, 1, slicesOf(5))
	newer[3] = eventlog.FrameVersion + 1
	r.send(message{"rhein", "p1", newer})
	later := &pb.Event{OccurredAt: stamp(t0), RecordedAt: stamp(t0)}
	later.ProtoReflect().SetUnknown(protowire.AppendBytes(protowire.AppendTag(nil, 77, protowire.BytesType), []byte("later")))
	r.send(message{"rhein", "p2", r.frame("rhein", "p2", 8, 1, []*pb.Event{later})})
	r.waitMark("rhein", "p2", 8, 1)
	r.waitDrained()
	if m, _ := r.mark("rhein", "p1", 7); m != 0 {
		t.Errorf("the mark of a frame that cannot be read is %d", m)
	}
	if n := in.Metrics().HeldBack.Load(); n != 1 {
		t.Errorf("%d frames held back", n)
	}
	if n, _, _ := r.db.CountDead(r.ctx); n != 0 {
		t.Errorf("%d dead letters", n)
	}
	evs, _, err := r.db.ListEvents(r.ctx, warehouse.ListQuery{Presses: []string{"rhein/p2"}})
	if err != nil || len(evs) != 1 || string(evs[0].Event.ProtoReflect().GetUnknown()) != string(later.ProtoReflect().GetUnknown()) {
		t.Errorf("a later body: %v %v", evs, err)
	}
}

// Marks stop at holes, also after a restart, and go on when they are filled; the reply carries what agents need.
func TestHoles(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	frames := r.cut("rhein", "p1", 7, slicesOf(100), 10)
	for _, i := range []int{9, 1, 0, 5, 3} {
		r.send(frames[i])
	}
	r.waitMark("rhein", "p1", 7, 20)
	r.waitDrained()
	in.stop()
	in = r.start(r.open())
	r.waitMark("rhein", "p1", 7, 20)
	st := in.Status()
	if len(st) != 1 || !slices.Equal(st[0].Holes, []SeqRange{{21, 30}, {41, 50}, {61, 90}}) {
		t.Errorf("holes: %+v", st)
	}
	reply, err := eventlog.AskMark(r.ctx, r.env.Press, "rhein", "p1", &pb.MarkRequest{Epoch: 7, LastSeq: 100, FirstSeq: 22})
	if err != nil || reply.Mark != 20 || reply.WarehouseId != r.db.WarehouseID() || reply.FrameVersion != eventlog.FrameVersion || reply.ServerMs != clock().UnixMilli() {
		t.Errorf("reply: %v %v", reply, err)
	}
	if n := in.Metrics().Trimmed.Load(); n != 1 {
		t.Errorf("an agent that no longer holds seq 21 counts %d", n)
	}
	r.send(frames...)
	r.waitMark("rhein", "p1", 7, 100)
	if rows, distinct := r.count(); rows != 100 || distinct != 100 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
}

// The day from which a press is dirty follows the table of the rules of projection.
func TestDirtyFrom(t *testing.T) {
	r := newRig(t)
	r.start(r.db, func(_ *Config, d *Deps) {
		d.DirtyFor = func(old, new *pb.Plant) map[string]int64 {
			if old == nil {
				return map[string]int64{"all": 1}
			}
			return map[string]int64{"changed": 2}
		}
	})
	hour := int64(3600000)
	at := func(e *pb.Event, ms int64) []*pb.Event {
		e.OccurredAt, e.RecordedAt = stamp(ms), stamp(ms)
		return []*pb.Event{e}
	}
	note := at(&pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: stamp(t0 - 5*hour), To: stamp(t0 - 4*hour), Kind: pb.NoteKind_NOTE_KIND_STOP, Reason: "r"}}}, t0)
	booking := at(&pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stamp(t0 - 6*hour), To: stamp(t0 - 4*hour), LengthMm: 5, Cause: pb.WasteCause_WASTE_CAUSE_CURE}}}, t0)
	void := at(&pb.Event{Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: 7, FirstSeq: 1, LastSeq: 2, Earliest: stamp(t0 - 7*hour)}}}, t0)
	signed := at(&pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Station: "s", Outcome: pb.Outcome_OUTCOME_CLEANED, BeganAt: stamp(t0 - hour)}}}, t0)
	for press, evs := range map[string][]*pb.Event{"note": note, "booking": booking, "void": void, "signed": signed, "slice": slicesOf(3), "job": slicesOf(3)} {
		r.send(message{"rhein", press, r.frame("rhein", press, 7, 1, evs)})
		r.waitMark("rhein", press, 7, uint64(len(evs)))
	}
	take, err := r.db.TakeDirty(r.ctx)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]int64{}
	for _, d := range take {
		got[d.Press] = d.From
		if d.Press == "job" {
			if err := r.db.ClearDirty(r.ctx, d.Plant, d.Press, d.UpTo); err != nil {
				t.Fatal(err)
			}
		}
	}
	want := map[string]int64{"note": t0 - 5*hour, "booking": t0 - 6*hour, "void": t0 - 7*hour, "signed": t0, "slice": t0, "job": t0}
	for press, from := range want {
		if got[press] != from {
			t.Errorf("%s is dirty from %d, want %d", press, got[press], from)
		}
	}
	// A correction reaches back to the job's first slice.
	corr := at(&pb.Event{Body: &pb.Event_JobCorrected{JobCorrected: &pb.JobCorrected{Job: "j1", Family: "f"}}}, t0+20*hour)
	r.send(message{"rhein", "job", r.frame("rhein", "job", 7, 4, corr)})
	r.waitMark("rhein", "job", 7, 4)
	r.eventually("the corrected job is dirty", func() bool {
		take, err := r.db.TakeDirty(r.ctx)
		i := slices.IndexFunc(take, func(d warehouse.DirtyPress) bool { return d.Press == "job" && d.From == t0 })
		return err == nil && i >= 0
	})

	// Registry revisions are copied once and mark what they change.
	for i := range uint64(2) {
		rev := &pb.RegistryRevision{Rev: i + 1, Plant: &pb.Plant{Plant: "ohio", Zone: "America/New_York"}, Author: "a", AppliedAt: stamp(t0), PreviousRev: i}
		if err := eventlog.AppendRevision(r.ctx, r.env.JS, rev); err != nil {
			t.Fatal(err)
		}
	}
	r.eventually("revisions copied", func() bool { n, err := r.db.MaxRegistryRev(r.ctx); return err == nil && n == 2 })
	r.eventually("presses of the revisions dirty", func() bool {
		take, err := r.db.TakeDirty(r.ctx)
		n := 0
		for _, d := range take {
			if d.Plant == "ohio" && (d.Press == "all" && d.From == 1 || d.Press == "changed" && d.From == 2) {
				n++
			}
		}
		return err == nil && n == 2
	})
	if all, err := r.db.RegistryAfter(r.ctx, 0); err != nil || len(all) != 2 {
		t.Errorf("revisions kept: %d %v", len(all), err)
	}
}

func TestConfigRefuses(t *testing.T) {
	for _, c := range []Config{{BatchEvents: -1}, {BatchWait: -1}, {FutureLimit: -1}, {PastLimit: -1}} {
		if _, err := c.settle(); err == nil {
			t.Errorf("%+v passes", c)
		}
	}
	if err := New(Config{BatchEvents: -1}, Deps{}).Run(t.Context()); err == nil || errors.Is(err, errNotLoaded) {
		t.Errorf("Run with a bad config: %v", err)
	}
}
