package projector

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// A session that is opened at the very start of a production day is there at
// once, not only when the next event comes; a slice that ends there begins no
// day.
func TestOpenedAtTheStartOfADay(t *testing.T) {
	e := newEnv(t)
	start := time.Date(2026, 6, 16, 4, 0, 0, 0, time.UTC) // 06:00 in Berlin
	slice := &pb.Event{Plant: "rhein", Press: "p1", Epoch: 21, Seq: 1, OccurredAt: timestamppb.New(start.Add(-time.Minute)), RecordedAt: timestamppb.New(start),
		Body: &pb.Event_Slice{Slice: &pb.Slice{From: timestamppb.New(start.Add(-time.Minute)), To: timestamppb.New(start), State: pb.State_STATE_OFF}}}
	e.insert([]*pb.Event{slice})
	e.project()
	days := func() (out []string) {
		for _, d := range e.rows("p1").Days {
			out = append(out, d.Day.String())
		}
		return out
	}
	if d := days(); len(d) != 1 || d[0] != "2026-06-15" {
		t.Fatal(d)
	}
	e.insert([]*pb.Event{{Plant: "rhein", Press: "p1", Epoch: 21, Seq: 2, OccurredAt: timestamppb.New(start), RecordedAt: timestamppb.New(start),
		Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: "s1", Occasion: pb.Occasion_OCCASION_STARTUP}}}})
	e.project()
	if d := days(); len(d) != 2 || d[1] != "2026-06-16" {
		t.Fatal(d)
	}
	var head *timeline.StationVisit
	for _, v := range e.rows("p1").Visits {
		if v.Session == "s1" && v.Seq < 0 {
			head = &v
		}
	}
	if head == nil || head.SessionFrom != start.UnixMilli() {
		t.Fatalf("%+v", e.rows("p1").Visits)
	}
}
