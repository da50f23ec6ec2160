package main

import (
	"bufio"
	"bytes"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

// storeFleet stores some weeks of the simulated fleet as ingest would: marks,
// then one insert per month, in the order of days. fold is called after each
// day with the number of days so far.
func (l *apiLine) storeFleet(t *testing.T, sim *fleetsim.Sim, fold func(days int)) {
	t.Helper()
	ids := map[string]*pb.Voided{} // by press and source key
	seqs := map[string]uint64{}
	pos := uint64(0)
	for d := sim.First(); d <= sim.Last(); d++ {
		byMonth := map[string][]*pb.Event{}
		for i := range sim.Len() {
			var lines bytes.Buffer
			if _, err := sim.Day(i, d, &lines); err != nil {
				t.Fatal(err)
			}
			plant, press, _ := strings.Cut(sim.Press(i), "/")
			for s := bufio.NewScanner(&lines); s.Scan(); {
				e := &pb.Event{}
				if err := protojson.Unmarshal(s.Bytes(), e); err != nil {
					t.Fatal(err)
				}
				seqs[press]++
				e.Plant, e.Press, e.Epoch, e.Seq = plant, press, uint64(i+1), seqs[press]
				if s := e.GetSlice(); s != nil && e.OccurredAt == nil {
					e.OccurredAt = s.From
				}
				if v := e.GetVoided(); v != nil {
					to := ids[press+v.TargetSourceKey]
					e.Body = &pb.Event_Voided{Voided: &pb.Voided{Epoch: to.GetEpoch(), FirstSeq: to.GetFirstSeq(), LastSeq: to.GetFirstSeq(), Earliest: to.GetEarliest(), Why: v.Why}}
				} else if e.SourceKey != "" {
					from := e.OccurredAt
					if b := e.GetWasteBooked(); b != nil {
						from = b.From
					}
					if b := e.GetReasonNoted(); b != nil {
						from = b.From
					}
					ids[press+e.SourceKey] = &pb.Voided{Epoch: e.Epoch, FirstSeq: e.Seq, Earliest: from}
				}
				m := e.OccurredAt.AsTime().Format("2006-01")
				byMonth[m] = append(byMonth[m], e)
			}
		}
		for _, evs := range byMonth {
			from := map[[2]string]int64{}
			for _, e := range evs {
				at := e.OccurredAt.AsTime().UnixMilli()
				if e.GetJobCorrected() != nil || e.GetWasteBooked() != nil || e.GetReasonNoted() != nil || e.GetVoided() != nil {
					at -= 14 * 24 * time.Hour.Milliseconds() // at least as early as ingest would find
				}
				k := [2]string{e.Plant, e.Press}
				if old, ok := from[k]; !ok || at < old {
					from[k] = at
				}
			}
			var marks []warehouse.Dirty
			for k, at := range from {
				marks = append(marks, warehouse.Dirty{Plant: k[0], Press: k[1], From: at})
			}
			if err := l.db.MarkDirty(l.ctx, marks); err != nil {
				t.Fatal(err)
			}
			pos++
			if err := l.db.InsertEvents(l.ctx, evs, pos); err != nil {
				t.Fatal(err)
			}
		}
		fold(int(d-sim.First()) + 1)
	}
}

// A study of the simulated fleet: read from projections that were folded day by
// day, its data set is what the log alone gives when it is folded as of the
// study's pins; and what comes later changes neither.
func TestStudyVerifiesAgainstTheLog(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a simulated fleet of three weeks is left out with -short")
	}
	l := newAPILine(t)
	sim, err := fleetsim.New(fleetsim.Config{Seed: 5, Weeks: 3})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range sim.Plants() {
		if _, err := l.registry.ApplyPlant(l.ctx, &pb.ApplyPlantRequest{Plant: p}); err != nil {
			t.Fatal(err)
		}
		rev, err := l.registry.GetPlant(l.ctx, &pb.GetPlantRequest{Plant: p.Plant})
		if err != nil || rev.Revision.Rev != uint64(i+1) {
			t.Fatal(rev, err)
		}
		if err := l.db.InsertRegistry(l.ctx, rev.Revision); err != nil {
			t.Fatal(err)
		}
	}
	project := projector.New(projector.Config{}, l.db, liveStore{l.db})
	var id string
	l.storeFleet(t, sim, func(days int) {
		if days%5 != 0 && days != 21 && days != 14 {
			return
		}
		if _, err := project.Once(l.ctx); err != nil {
			t.Fatal(err)
		}
		if days == 14 {
			r, err := l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Permutations: 99, MaxLag: new(int32)}})
			if err != nil {
				t.Fatal(err)
			}
			id = r.Study.Id
			l.awaitDone(t, id)
		}
	})
	x := l.awaitDone(t, id)
	if n := len(x.DataNotes); n == 0 || strings.HasPrefix(x.DataNotes[0], "0 ") {
		t.Errorf("data notes %q", x.DataNotes)
	}
	v, err := l.studies.VerifyStudy(l.ctx, &pb.VerifyStudyRequest{Id: id})
	if err != nil || !v.Same {
		t.Errorf("verify %v, %v", v, err)
	}
	r, err := l.studies.RerunStudy(l.ctx, &pb.RerunStudyRequest{Id: id})
	if err != nil || !r.Same {
		t.Errorf("rerun %v, %v", r, err)
	}
	l.studyOutlives(t, x, project)
	// With the projector at rest and marks waiting, a study folds the log.
	if err := l.db.MarkDirty(l.ctx, []warehouse.Dirty{{Plant: "linden", Press: strings.TrimPrefix(firstPress(sim, "linden"), "linden/"), From: 0}}); err != nil {
		t.Fatal(err)
	}
	waits, err := l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Permutations: 99, MaxLag: new(int32), Scope: &pb.Scope{Plants: []string{"linden"}}}})
	if err != nil {
		t.Fatal(err)
	}
	folded := l.awaitDone(t, waits.Study.Id)
	if _, err := project.Once(l.ctx); err != nil {
		t.Fatal(err)
	}
	rests, err := l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Permutations: 99, MaxLag: new(int32), Scope: &pb.Scope{Plants: []string{"linden"}}}})
	if err != nil {
		t.Fatal(err)
	}
	read := l.awaitDone(t, rests.Study.Id)
	if folded.DataSha256 != read.DataSha256 || folded.ResultSha256 != read.ResultSha256 || folded.DataSha256 == x.DataSha256 {
		t.Errorf("data set folded %s, read %s", folded.DataSha256, read.DataSha256)
	}
	whole, err := l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Permutations: 99, MaxLag: new(int32)}})
	if err != nil {
		t.Fatal(err)
	}
	l.figuresAndIntervals(t, l.awaitDone(t, whole.Study.Id))
}

// studyOutlives holds a kept study against all that happens later: events that
// came since (the caller has stored a week of them), a void of sign-offs inside
// its days, a rebuild of every projection, and another api in place of the one
// that answered. Each time the rerun is the same to the bit and the log as of its
// pins gives the same data set; the void is no empty one: who asks again gets
// other rows.
func (l *apiLine) studyOutlives(t *testing.T, x *pb.Study, project *projector.Projector) {
	t.Helper()
	same := func(when string) {
		t.Helper()
		r, err := l.studies.RerunStudy(l.ctx, &pb.RerunStudyRequest{Id: x.Id})
		if err != nil || !r.Same || r.ResultSha256 != x.ResultSha256 {
			t.Errorf("%s: rerun %v, %v", when, r, err)
		}
		v, err := l.studies.VerifyStudy(l.ctx, &pb.VerifyStudyRequest{Id: x.Id})
		if err != nil || !v.Same {
			t.Errorf("%s: verify %v, %v", when, v, err)
		}
		g, err := l.studies.GetStudy(l.ctx, &pb.GetStudyRequest{Id: x.Id})
		if err != nil || !proto.Equal(g.GetStudy(), x) {
			t.Errorf("%s: the kept study is another, %v", when, err)
		}
	}
	ask := func() *pb.Study {
		t.Helper()
		spec := proto.Clone(x.Spec).(*pb.StudySpec)
		r, err := l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: spec})
		if err != nil {
			t.Fatal(err)
		}
		return l.awaitDone(t, r.Study.Id)
	}
	same("later events")
	before := ask()
	if before.DataSha256 == "" || len(before.Predecessors) != 1 || before.Predecessors[0] != x.Id || !strings.Contains(strings.Join(before.DataNotes, " "), "Asked before") {
		t.Errorf("asked again: predecessors %q, notes %q", before.Predecessors, before.DataNotes)
	}

	first, err := time.Parse(time.DateOnly, x.Spec.Period.FirstDay)
	if err != nil {
		t.Fatal(err)
	}
	list, err := l.events.ListEvents(l.ctx, &pb.ListEventsRequest{Kinds: []string{"station_signed_off"}, PageSize: 1000,
		From: timestamppb.New(first.AddDate(0, 0, 4)), To: timestamppb.New(first.AddDate(0, 0, 9))})
	if err != nil || len(list.Events) < 50 {
		t.Fatalf("%d sign-offs, %v", len(list.GetEvents()), err)
	}
	pos, err := l.db.MaxPos(l.ctx)
	if err != nil {
		t.Fatal(err)
	}
	var voids []*pb.Event
	var marks []warehouse.Dirty
	for i, e := range list.Events {
		at := e.Event
		voids = append(voids, &pb.Event{Plant: at.Plant, Press: at.Press, Epoch: 1 << 40, Seq: uint64(i + 1), OccurredAt: list.Events[len(list.Events)-1].Event.OccurredAt,
			Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: at.Epoch, FirstSeq: at.Seq, LastSeq: at.Seq, Earliest: at.OccurredAt, Why: "signed on the wrong press"}}})
		marks = append(marks, warehouse.Dirty{Plant: at.Plant, Press: at.Press, From: first.UnixMilli()})
	}
	if err := l.db.MarkDirty(l.ctx, marks); err != nil {
		t.Fatal(err)
	}
	if err := l.db.InsertEvents(l.ctx, voids, pos+1); err != nil {
		t.Fatal(err)
	}
	if _, err := project.Once(l.ctx); err != nil {
		t.Fatal(err)
	}
	same("later voids")
	voided := ask()
	if voided.DataSha256 == before.DataSha256 || len(voided.Predecessors) != 2 {
		t.Errorf("after voids of %d sign-offs the rows are as before; predecessors %q", len(voids), voided.Predecessors)
	}

	if r, err := projector.Rebuild(l.ctx, l.db, newBesideStore(l.db), 1, nil, nil); err != nil || r.Presses == 0 {
		t.Fatalf("rebuild %v, %v", r, err)
	}
	same("rebuild")
	if again := ask(); again.DataSha256 != voided.DataSha256 || again.ResultSha256 != voided.ResultSha256 {
		t.Error("a rebuild changed what a study reads")
	}

	l.stopAPI()
	l.stopAPI = l.serve()
	same("restart")
}

func firstPress(s *fleetsim.Sim, plant string) string {
	for i := range s.Len() {
		if strings.HasPrefix(s.Press(i), plant+"/") {
			return s.Press(i)
		}
	}
	return ""
}

// awaitDone waits until a study is done.
func (l *apiLine) awaitDone(t *testing.T, id string) *pb.Study {
	t.Helper()
	w := mustStream(l.studies.WatchStudy(l.ctx, &pb.WatchStudyRequest{Id: id}))
	for {
		m, err := w.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if m.State == pb.StudyState_STUDY_STATE_DONE {
			break
		}
		if m.State == pb.StudyState_STUDY_STATE_FAILED {
			t.Fatal("the study failed")
		}
	}
	r, err := l.studies.GetStudy(l.ctx, &pb.GetStudyRequest{Id: id})
	if err != nil {
		t.Fatal(err)
	}
	return r.Study
}
