package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"time"

	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
)

// demoStudy is the title of the study that the demo asks once.
const demoStudy = "missed cleans and waste, the demo's 26 weeks"

// print asks the questions of the demo and prints the answers.
func (d *demo) print(ctx context.Context, conn *grpc.ClientConn) error {
	period := &pb.Period{FirstDay: d.fleet.First().String(), LastDay: d.fleet.Last().String()}
	head := func(text string) { fmt.Fprintf(d.out, "\n== %s ==\n\n", text) }

	losses, err := pb.NewLossServiceClient(conn).GetLosses(ctx, &pb.GetLossesRequest{Period: period, GroupBy: pb.LossGroup_LOSS_GROUP_PRESS})
	if err != nil {
		return err
	}
	plants, err := plantsInScope(ctx, conn, &pb.Scope{})
	if err != nil {
		return err
	}
	summary, err := pb.NewLossServiceClient(conn).GetLossSummary(ctx, &pb.GetLossSummaryRequest{Period: period})
	if err != nil {
		return err
	}
	head("What maintenance cost the fleet")
	printLoss(d.out, lossPage{resp: losses, scope: "the fleet", dayOf: dayOfWords(plants), summary: summary})

	stations, err := pb.NewCleaningServiceClient(conn).ListStationTimes(ctx, &pb.ListStationTimesRequest{Period: period})
	if err != nil {
		return err
	}
	head("Cleaning time per station, against standard")
	printStations(d.out, stations)

	duties, err := pb.NewDutyServiceClient(conn).ListDuties(ctx, &pb.ListDutiesRequest{Period: period, Outcome: pb.DutyOutcome_DUTY_OUTCOME_MISSED, PageSize: 10})
	if err != nil {
		return err
	}
	head("Missed duties (the first ten)")
	printDuties(d.out, duties, duties.GetNextPageToken() != "")

	study, err := d.study(ctx, conn, period)
	if err != nil {
		return err
	}
	head("Does a missed clean go with waste?")
	printStudy(d.out, study)
	var truth fleetsim.Truth
	text, err := os.ReadFile(dataDir(d.cfg.DataDir).truth())
	if err == nil {
		err = json.Unmarshal(text, &truth)
	}
	if err != nil {
		return fmt.Errorf("the planted truth: %w", err)
	}
	head("The same, beside what the simulator planted")
	printTruth(d.out, study, truth)
	fmt.Fprintf(d.err, "\nanswered after %.1f s\n", time.Since(d.began).Seconds())
	return nil
}

// study is the demo's study: the one that an earlier run asked, or a new one.
func (d *demo) study(ctx context.Context, conn *grpc.ClientConn, period *pb.Period) (*pb.Study, error) {
	client := pb.NewStudyServiceClient(conn)
	list, err := client.ListStudies(ctx, &pb.ListStudiesRequest{PageSize: 1000})
	if err != nil {
		return nil, err
	}
	for _, s := range list.GetStudies() {
		if s.GetSpec().GetTitle() == demoStudy && s.GetState() == pb.StudyState_STUDY_STATE_DONE {
			r, err := client.GetStudy(ctx, &pb.GetStudyRequest{Id: s.GetId()})
			return r.GetStudy(), err
		}
	}
	r, err := client.CreateStudy(ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Title: demoStudy, Period: period, Seed: 1}})
	if err != nil {
		return nil, err
	}
	return d.awaitStudy(ctx, client, r.GetStudy().GetId())
}

// printTruth writes, per station, what was planted beside the study's estimate. Here the mechanism is known, so
// that the estimate can be held against it; of a real fleet nobody knows it.
func printTruth(w io.Writer, s *pb.Study, t fleetsim.Truth) {
	planted := map[string]fleetsim.TruthStation{}
	for _, x := range t.Stations {
		planted[x.Station] = x
	}
	g := newGrid("station", ">planted m/run", ">estimate in m (95 %)", ">p adj.", ">grade", "")
	for _, f := range s.GetFindings() {
		x, ok := planted[f.GetStation()]
		cell := "not known"
		if ok {
			cell = number(x.ExtraMeters, 1)
		}
		g.row(clip(f.GetStation(), 20), cell, interval(f.GetMeters(), 1), pValue(f.GetPAdjusted()), fmt.Sprint(f.GetGrade()), truthMark(x, ok, f))
	}
	g.print(w)
	wrapped(w, "", "  ", fmt.Sprintf("planted: the same runs, with the same random numbers, had the station been cleaned before; extra waste, mean over the runs that started not cleaned (seed %d).", t.Seed))
}

// truthMark says whether an estimate agrees with what was planted.
func truthMark(x fleetsim.TruthStation, known bool, f *pb.StationFinding) string {
	e := f.GetMeters()
	switch {
	case !known || !e.GetOk():
		return ""
	case x.Effect && e.GetLow() <= x.ExtraMeters && x.ExtraMeters <= e.GetHigh():
		return "planted, inside the interval"
	case x.Effect:
		return "planted, OUTSIDE the interval"
	case f.GetPAdjusted() <= 0.05 && f.GetGrade() >= 2:
		return "nothing planted, yet SEEN"
	}
	return "nothing planted, none seen"
}
