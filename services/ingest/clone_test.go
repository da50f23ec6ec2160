package ingest

import (
	"fmt"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/warehouse"
)

// letters are all dead letters by "seq state reason".
func (r *rig) letters() []warehouse.DeadLetter {
	r.t.Helper()
	list, _, err := r.db.ListDead(r.ctx, warehouse.DeadQuery{Payload: true, Limit: 10000})
	if err != nil {
		r.t.Fatal(err)
	}
	return list
}

// Two disks carry one epoch: the second event under an identity is kept aside whole, with an alarm, and all that comes
// later of the epoch, from either, too; other epochs and presses go on; nothing is lost and nothing changes that is
// stored. A redrive stores what has an identity of its own.
func TestClonedDisk(t *testing.T) {
	for _, how := range []string{"one batch", "later", "after a restart", "at other instants"} {
		t.Run(how, func(t *testing.T) {
			r := newRig(t)
			in := r.start(r.db)
			a, b := slicesOf(30), slicesOf(30)
			for i, e := range b {
				e.GetSlice().GoodMm = 7000 + int64(i)
				if how == "at other instants" {
					from := t0 + 40*86400000 + int64(i)*60000 // another month, so another partition
					e.OccurredAt, e.GetSlice().From, e.GetSlice().To = stamp(from), stamp(from), stamp(from+60000)
					e.RecordedAt = stamp(from + 60000)
				}
			}
			// Both continue the same spool: 1 to 10 are the same, from 11 on they differ.
			r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, 1, a[:10])})
			r.waitMark("rhein", "p1", 7, 10)
			fork := []message{{"rhein", "p1", r.frame("rhein", "p1", 7, 6, a[5:20])}, {"rhein", "p1", r.frame("rhein", "p1", 7, 11, b[10:20])}}
			switch how {
			case "one batch":
				r.send(fork...)
			default:
				r.send(fork[0])
				r.waitMark("rhein", "p1", 7, 20)
				if how == "after a restart" {
					in.stop()
					in = r.start(r.open())
				}
				r.send(fork[1])
			}
			r.eventually("the copy is noticed", func() bool { return in.Metrics().Clones.Load() == 10 })
			r.waitDrained()
			if how == "after a restart" { // also of the quarantine itself
				in.stop()
				in = r.start(r.open())
				r.waitMark("rhein", "p1", 7, 20)
			}
			r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, 21, a[20:25])}, message{"rhein", "p1", r.frame("rhein", "p1", 7, 21, b[20:30])},
				message{"rhein", "p2", r.frame("rhein", "p2", 7, 1, a[:5])}, message{"rhein", "p1", r.frame("rhein", "p1", 8, 1, a[25:])})
			r.waitMark("rhein", "p1", 7, 30) // the agents let go of it: it is kept
			r.waitMark("rhein", "p1", 8, 5)
			r.waitMark("rhein", "p2", 7, 5)
			r.waitDrained()
			if reply := r.ask("rhein", "p1", &pb.MarkRequest{Epoch: 7}); !reply.Quarantined {
				t.Error("the agent is not told")
			}
			if reply := r.ask("rhein", "p1", &pb.MarkRequest{Epoch: 8}); reply.Quarantined {
				t.Error("another epoch is quarantined")
			}
			if rows, distinct := r.count(); rows != 30 || distinct != 30 {
				t.Errorf("%d rows, %d identities", rows, distinct)
			}
			kept := map[string]bool{}
			for _, d := range r.letters() {
				e := &pb.Event{}
				if err := proto.Unmarshal(d.Payload, e); err != nil || e.Seq != d.Seq || !strings.Contains(d.Reason, "two disks") || d.Clone != (d.Seq <= 20) || !d.Done.IsZero() {
					t.Errorf("letter %+v: %v", d, err)
				}
				kept[fmt.Sprint(d.Seq, e.GetSlice().GetGoodMm())] = true
			}
			for i := 10; i < 30; i++ {
				if !kept[fmt.Sprint(i+1, b[i].GetSlice().GoodMm)] || i >= 20 && i < 25 && !kept[fmt.Sprint(i+1, a[i].GetSlice().GoodMm)] {
					t.Errorf("seq %d is not kept", i+1)
				}
			}
			if len(kept) != 25 {
				t.Errorf("%d letters", len(kept))
			}
			h, err := r.db.LogHealth(r.ctx)
			if err != nil || fmt.Sprint(h.Quarantined) != "map[rhein/p1:[0000000000000007]]" {
				t.Errorf("quarantined: %v %v", h, err)
			}
			// Redriven, 21 of one disk is stored; 21 of the other and 11 of the copy never can be.
			r.redrive("rhein", "p1", r.frame("rhein", "p1", 7, 21, a[20:21]))
			r.eventually("a redriven event is stored", func() bool { _, n := r.count(); return n == 31 })
			r.redrive("rhein", "p1", r.frame("rhein", "p1", 7, 21, b[20:21]))
			r.redrive("rhein", "p1", r.frame("rhein", "p1", 7, 11, b[10:11]))
			r.eventually("two more conflicts", func() bool { return in.Metrics().Clones.Load() >= 2 })
			r.waitDrained()
			if rows, distinct := r.count(); rows != 31 || distinct != 31 {
				t.Errorf("redriven: %d rows, %d identities", rows, distinct)
			}
			if waiting, done, err := r.db.CountDead(r.ctx); err != nil || waiting != 24 || done != 1 {
				t.Errorf("%d letters wait, %d are done, %v", waiting, done, err)
			}
		})
	}
}

// redrive sends a frame as an operator does.
func (r *rig) redrive(plant, press string, data []byte) {
	r.t.Helper()
	m := &nats.Msg{Subject: eventlog.StreamSubject(plant, press), Data: data, Header: nats.Header{}}
	m.Header.Set(RedriveHeader, "00")
	if _, err := r.env.JS.PublishMsg(r.ctx, m); err != nil {
		r.t.Fatal(err)
	}
}

// What comes again as it was is no copy, whatever its kind, also if another version of the program stored it.
func TestRepeatsAreNoClones(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	evs := slicesOf(3)
	evs[0].OccurredAt = nil // a slice's start says it
	evs[1].SourceKey = "k1"
	evs[2].RecordedAt = nil
	unknown := func(e *pb.Event, n protowire.Number) *pb.Event {
		e.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, n, protowire.VarintType), 5))
		return e
	}
	evs = append(evs, unknown(&pb.Event{OccurredAt: stamp(t0 + 1), RecordedAt: stamp(t0 + 1)}, 77), unknown(slicesOf(1)[0], 78),
		&pb.Event{OccurredAt: stamp(t0), RecordedAt: stamp(t0), Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind_DEFECT_KIND_STREAK, LengthMm: 5}}},
		&pb.Event{OccurredAt: stamp(t0), RecordedAt: stamp(t0 + 9), Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: 7, FirstSeq: 1, LastSeq: 1, Earliest: stamp(t0)}}},
		&pb.Event{OccurredAt: stamp(t0), RecordedAt: stamp(t0), SourceKey: "s", Body: &pb.Event_JobStarted{JobStarted: &pb.JobStarted{Job: "j", Family: "f", PlannedMm: 10, RatedMmPerMin: proto.Int64(100)}}},
	)
	for i := range evs {
		if v := eventlog.Validate(func() *pb.Event {
			e := proto.CloneOf(evs[i])
			e.Plant, e.Press, e.Epoch, e.Seq = "rhein", "p1", 7, uint64(i)+1
			return e
		}()); len(v) > 0 {
			t.Fatalf("event %d: %v", i, v)
		}
	}
	f := message{"rhein", "p1", r.frame("rhein", "p1", 7, 1, evs)}
	r.send(f)
	n := uint64(len(evs))
	r.waitMark("rhein", "p1", 7, n)
	r.send(f, f)
	r.eventually("repeats", func() bool { return in.Metrics().Repeats.Load() == 2*n })
	r.waitDrained()
	in.stop()
	in = r.start(r.open())
	r.send(f)
	r.eventually("repeats after a restart", func() bool { return in.Metrics().Repeats.Load() == n })
	r.waitDrained()
	if in.Metrics().Clones.Load() != 0 {
		t.Error("a repeat is taken for a copy")
	}
	if waiting, _, err := r.db.CountDead(r.ctx); err != nil || waiting != 0 {
		t.Errorf("%d dead letters: %v %v", waiting, r.letters(), err)
	}
	if rows, distinct := r.count(); rows != n || distinct != n {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
}
