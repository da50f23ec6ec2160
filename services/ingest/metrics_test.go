package ingest

import (
	"testing"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/opstest"
)

// What is stored, put aside and missing can be seen in the metrics, and so can how far behind the log's reader is.
func TestMetrics(t *testing.T) {
	r := newRig(t)
	in := r.start(r.db)
	m := ops.NewMetrics()
	in.RegisterMetrics(m)
	r.db.RegisterMetrics(m)
	eventlog.RegisterLogMetrics(m, r.env.JS, r.db.WarehouseID())
	evs := slicesOf(10)
	evs[2].GetSlice().GoodMm = -5 // a dead letter
	r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, 1, evs)}, message{"rhein", "p1", r.frame("rhein", "p1", 7, 21, slicesOf(5))})
	r.waitMark("rhein", "p1", 7, 10)
	r.waitDrained()
	if _, err := eventlog.AskMark(r.ctx, r.env.Press, "rhein", "p1", &pb.MarkRequest{Epoch: 7, FirstSeq: 1, LastSeq: 30}); err != nil {
		t.Fatal(err)
	}
	press := []string{"press", "rhein/p1", "epoch", "0000000000000007"}
	for name, want := range map[string]float64{
		"downweb_ingest_active": 1, "downweb_ingest_events_total": 14, "downweb_ingest_dead_events_total": 1, "downweb_ingest_frames_total": 2,
		"downweb_ingest_repeats_total": 0, "downweb_ingest_read_backs_total": 0,
		"downweb_warehouse_reachable": 1, "downweb_warehouse_dead_letters": 1, "downweb_warehouse_dirty_presses": 1,
		"downweb_log_reachable": 1, "downweb_log_stream_messages": 2, "downweb_log_pending_messages": 0, "downweb_log_oldest_waiting_seconds": 0,
	} {
		if got := opstest.Value(t, m, name); got != want {
			t.Errorf("%s = %v, want %v", name, got, want)
		}
	}
	for name, want := range map[string]float64{"mark_seq": 10, "hole_events": 10, "behind_events": 20, "quarantined": 0} {
		if got := opstest.Value(t, m, "downweb_ingest_press_"+name, press...); got != want {
			t.Errorf("%s = %v, want %v", name, got, want)
		}
	}
	if age := opstest.Value(t, m, "downweb_ingest_press_mark_age_seconds", press...); age <= 0 || age > 60 {
		t.Errorf("the mark has not moved for %v s", age)
	}
	if got := opstest.Value(t, m, "downweb_log_stream_bytes"); got <= 0 || got >= opstest.Value(t, m, "downweb_log_stream_limit_bytes") {
		t.Errorf("stream of %v bytes", got)
	}
	r.send(message{"rhein", "p1", r.frame("rhein", "p1", 7, 1, slicesOf(2))}) // sent again
	r.eventually("repeats counted", func() bool { return opstest.Value(t, m, "downweb_ingest_repeats_total") == 2 })
}
