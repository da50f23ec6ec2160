package main

import (
	"bytes"
	"strings"
	"testing"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// The list that is pinned up, and the file of it, say what the study counts on:
// the first window of a week is cleaned under every schedule.
func TestTrialListSaysTheFirstWindow(t *testing.T) {
	r := &pb.PlanTrialResponse{Plan: &pb.TrialPlan{Station: "nips", Period: &pb.Period{}, Every: []int32{1, 2}, Seed: 3},
		Assignments: []*pb.TrialAssignment{{Press: "a/1", Week: "2027-01-04", Every: 1}, {Press: "a/1", Week: "2027-01-11", Every: 2}}}
	var b bytes.Buffer
	printTrial(&b, r)
	const want = "clean at the first window, then every 2nd"
	if got := b.String(); strings.Count(got, want) != 1 || !strings.Contains(got, "clean at every window") {
		t.Error(got)
	}
	_, rows := trialCSV(r)
	if len(rows) != 2 || rows[1][5] != want {
		t.Errorf("%q", rows)
	}
}
