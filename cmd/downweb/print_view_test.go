package main

import (
	"testing"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Lines below a line add up to what is printed of it, and those to the whole.
func TestViewTableAddsUp(t *testing.T) {
	line := func(level int32, us int64) *pb.ViewLine { return &pb.ViewLine{Level: level, TimeUs: us} }
	const m = 60_000_000
	tree := &pb.LossTree{PlannedBusyUs: 1000 * m, View: []*pb.ViewLine{
		line(0, 700*m), line(1, 233*m+m*4/10), line(1, 233*m+m*4/10), line(1, 233*m+m*2/10), line(0, 300*m), line(1, 20*m+m*4/10)}}
	times, points := viewFigures(tree, hoursClock)
	if len(times) != 6 || times[1]+times[2]+times[3] != times[0] || times[0]+times[4] != 1000 || times[5] != 20 {
		t.Errorf("minutes %v", times)
	}
	if points[1]+points[2]+points[3] != points[0] || points[0]+points[4] != 10_000 || points[5] != 204 {
		t.Errorf("points %v", points)
	}
}
