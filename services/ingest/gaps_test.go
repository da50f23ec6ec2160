package ingest

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// ask asks for a mark with what an agent says of itself.
func (r *rig) ask(plant, press string, m *pb.MarkRequest) *pb.MarkReply {
	r.t.Helper()
	reply, err := eventlog.AskMark(r.ctx, r.env.Press, plant, press, m)
	if err != nil {
		r.t.Fatal(err)
	}
	return reply
}

// What an agent has given up is kept with its reason, the mark passes it, also after a restart, and what of it comes
// all the same is stored, once.
func TestLostRanges(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	frames := r.cut("rhein", "p1", 7, slicesOf(100), 10)
	for _, i := range []int{0, 1, 5, 9} {
		r.send(frames[i])
	}
	r.waitMark("rhein", "p1", 7, 20)
	nonsense := []*pb.LostRange{{FirstSeq: 0, LastSeq: 9}, {FirstSeq: 30, LastSeq: 29}, {FirstSeq: 1, LastSeq: 1 << 63}, {FirstSeq: 1, LastSeq: 20, Reason: "stored"}}
	reply := r.ask("rhein", "p1", &pb.MarkRequest{Epoch: 7, FirstSeq: 21, LastSeq: 100, Lost: append(nonsense, &pb.LostRange{FirstSeq: 15, LastSeq: 50, Reason: "block 3\nof the spool"})})
	if reply.Mark != 20 {
		t.Errorf("the mark passes a gap before it is stored: %d", reply.Mark)
	}
	r.waitMark("rhein", "p1", 7, 60)
	h, err := r.db.LogHealth(r.ctx)
	if err != nil {
		t.Fatal(err)
	}
	lost := h.Lost["rhein/p1"]
	if len(lost) != 1 || lost[0].FirstSeq != 21 || lost[0].LastSeq != 50 || lost[0].Reason != "block 3 of the spool" || lost[0].Epoch != "0000000000000007" || lost[0].At.AsTime() != clock().UTC() {
		t.Errorf("lost: %v", lost)
	}
	if holes := h.Holes["rhein/p1"]; len(holes) != 1 || holes[0].FirstSeq != 61 || holes[0].LastSeq != 90 {
		t.Errorf("holes: %v", holes)
	}
	if n := in.Metrics().Lost.Load(); n != 1 {
		t.Errorf("%d ranges lost", n)
	}
	in.stop()
	in = r.start(r.open())
	r.waitMark("rhein", "p1", 7, 60)

	// Seqs 31 to 40 are found after all; they and the holes come, twice.
	r.send(frames[3], frames[3])
	r.eventually("what comes of a gap is stored", func() bool { _, n := r.count(); return n == 50 })
	r.send(frames[6:]...)
	r.send(frames[6:]...)
	r.waitMark("rhein", "p1", 7, 100)
	r.waitDrained()
	if rows, distinct := r.count(); rows != 80 || distinct != 80 {
		t.Errorf("%d rows, %d identities", rows, distinct)
	}
	if h, err = r.db.LogHealth(r.ctx); err != nil {
		t.Fatal(err)
	}
	var ranges []SeqRange
	for _, l := range h.Lost["rhein/p1"] {
		ranges = append(ranges, SeqRange{l.FirstSeq, l.LastSeq})
	}
	if !slices.Equal(ranges, []SeqRange{{21, 30}, {41, 50}}) || len(h.Holes["rhein/p1"]) != 0 {
		t.Errorf("lost %v, holes %v", ranges, h.Holes)
	}
	if len(h.Quarantined) != 0 {
		t.Errorf("quarantined: %v", h.Quarantined)
	}
	// The status of ingest tells what the agent said, over the log, in the core account only.
	r.ask("rhein", "p1", &pb.MarkRequest{Epoch: 7, FirstSeq: 101, LastSeq: 130})
	st, err := AskStatus(r.ctx, r.env.Core)
	if err != nil || len(st.Epochs) != 1 || st.Epochs[0].Press != "rhein/p1" || st.Epochs[0].Mark != 100 || st.Epochs[0].LastSeq != 130 || st.Epochs[0].AskedMs != clock().UnixMilli() ||
		st.Pos == 0 || st.Holder == "" || st.Counters["repeats"] != 60 {
		t.Errorf("status: %v %v", st, err)
	}
	short, cancel := context.WithTimeout(r.ctx, 500*time.Millisecond)
	defer cancel()
	if _, err := AskStatus(short, r.env.Press); err == nil {
		t.Errorf("an agent asks for the status of ingest: %v", err)
	}
	in.stop()
	if _, err := AskStatus(r.ctx, r.env.Core); !errors.Is(err, ErrNoStatus) {
		t.Errorf("nobody at work: %v", err)
	}
}
