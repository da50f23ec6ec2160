package warehouse

import (
	"maps"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// States of presses are those of the slices that nobody has taken back: as Build settles them, by epoch, seq and the
// earliest instant that a void names, whatever came first.
func TestPressStatesWithoutVoided(t *testing.T) {
	db, ctx := openTest(t), testContext(t)
	seq := map[string]uint64{}
	slice := func(press string, epoch uint64, minute int, state pb.State, reason string) *pb.Event {
		e := sliceAt("rhein", press, epoch, minute)
		e.GetSlice().State, e.GetSlice().Reason = state, reason
		seq[press]++
		e.Seq = seq[press]
		return e
	}
	void := func(press string, own, of, first, last uint64, earliest int) *pb.Event {
		e := sliceAt("rhein", press, own, 0) // recorded before what it takes back: order of time says nothing
		e.Seq = 1000 + first
		v := &pb.Voided{Epoch: of, FirstSeq: first, LastSeq: last, Why: "sensor"}
		if earliest >= 0 {
			v.Earliest = stamp(t0 + int64(earliest)*60000)
		}
		e.Body = &pb.Event_Voided{Voided: v}
		return e
	}
	const run, down, off = pb.State_STATE_PRODUCTION, pb.State_STATE_DOWN, pb.State_STATE_OFF
	var evs []*pb.Event
	for _, press := range []string{"plain", "newest", "between", "bound", "epoch", "other", "all", "twice"} {
		for i := range 3 {
			evs = append(evs, slice(press, 7, i, run, ""))
		}
		evs = append(evs, slice(press, 7, 3, down, "web-break"), slice(press, 7, 4, run, ""), slice(press, 7, 5, down, "uv-dirt"))
	}
	evs = append(evs, void("newest", 7, 7, 6, 6, -1), // the newest goes: production again, since the stop
		void("between", 7, 7, 4, 5, -1),                              // what lay between goes: production before, then the stop
		void("bound", 7, 7, 5, 6, 5),                                 // nothing before minute 5
		void("epoch", 7, 8, 6, 6, -1),                                // an epoch that nothing is of
		void("all", 9, 7, 1, 99, -1),                                 // from another epoch, more than there is
		void("twice", 7, 7, 5, 6, -1), void("twice", 7, 7, 6, 6, -1)) // ranges lie over each other
	other := void("newest", 7, 7, 1, 6, -1)
	other.Plant = "ohio" // of a press of the same name elsewhere
	evs = append(evs, other, slice("off", 7, 2, off, ""))
	if err := db.InsertEvents(ctx, evs, 1); err != nil {
		t.Fatal(err)
	}
	at := func(minute int64) int64 { return t0 + minute*60000 }
	stop := PressState{State: uint8(down), SinceMS: at(5), Reason: "uv-dirt", Job: "j1"}
	want := map[string]PressState{"rhein/plain": stop, "rhein/epoch": stop, "rhein/other": stop,
		"rhein/newest":  {State: uint8(run), SinceMS: at(4), Job: "j1"},
		"rhein/between": {State: uint8(down), SinceMS: at(3), Reason: "uv-dirt", Job: "j1"},
		"rhein/bound":   {State: uint8(run), SinceMS: at(4), Job: "j1"},
		"rhein/twice":   {State: uint8(down), SinceMS: at(3), Reason: "web-break", Job: "j1"},
		"rhein/off":     {State: uint8(off), SinceMS: at(2), AtLeast: true, Job: "j1"}}
	got, err := db.PressStates(ctx, nil, t0)
	if err != nil || !maps.Equal(got, want) {
		t.Errorf("got  %v\nwant %v (%v)", got, want, err)
	}
	one, err := db.PressStates(ctx, []string{"rhein/newest", "rhein/all"}, t0)
	if err != nil || len(one) != 1 || one["rhein/newest"] != want["rhein/newest"] {
		t.Errorf("of two presses, one of them taken back whole: %v (%v)", one, err)
	}
	// A void that comes later counts at once, and a repeat of what was taken back does not bring it back.
	again := proto.CloneOf(evs[5])
	if err := db.InsertEvents(ctx, []*pb.Event{void("plain", 7, 7, 4, 6, -1), again}, 2); err != nil {
		t.Fatal(err)
	}
	got, err = db.PressStates(ctx, []string{"rhein/plain"}, t0)
	if want := (PressState{State: uint8(run), SinceMS: at(0), AtLeast: true, Job: "j1"}); err != nil || got["rhein/plain"] != want {
		t.Errorf("after a void: %v, want %v (%v)", got, want, err)
	}
}
