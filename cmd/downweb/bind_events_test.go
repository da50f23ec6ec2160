package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func stampOf(t time.Time) *timestamppb.Timestamp {
	return timestamppb.New(t.UTC().Truncate(time.Millisecond))
}

// pages lists all events of a request, page by page; between pages f is called.
func (l *apiLine) pages(t *testing.T, req *pb.ListEventsRequest, f func()) []*pb.StoredEvent {
	t.Helper()
	req = proto.Clone(req).(*pb.ListEventsRequest)
	var out []*pb.StoredEvent
	var pos uint64
	for range 1000 {
		r, err := l.events.ListEvents(l.ctx, req)
		if err != nil {
			t.Fatal(err)
		}
		if pos == 0 {
			pos = r.AsOf.Pos
		}
		if r.AsOf.Pos != pos {
			t.Fatalf("a page as of %d after one as of %d", r.AsOf.Pos, pos)
		}
		out = append(out, r.Events...)
		if req.PageToken = r.NextPageToken; req.PageToken == "" {
			return out
		}
		if f != nil {
			f()
		}
	}
	t.Fatal("the list does not end")
	return nil
}

func (l *apiLine) listEvents(t *testing.T) {
	req := &pb.ListEventsRequest{Scope: &pb.Scope{Presses: []string{"rhein/p2"}}, Kinds: []string{"waste_booked", "station_signed_off", "voided"}, PageSize: 3}
	evs := l.pages(t, req, nil)
	var voided []string
	for i, e := range evs {
		if e.Voided {
			voided = append(voided, e.Event.SourceKey)
		}
		if e.Event.GetSlice() != nil {
			t.Errorf("a slice: %v", e)
		}
		if i > 0 && e.Event.OccurredAt.AsTime().Before(evs[i-1].Event.OccurredAt.AsTime()) {
			t.Errorf("%v comes after %v", e.Event.OccurredAt, evs[i-1].Event.OccurredAt)
		}
	}
	if len(evs) != 4+5+2 || strings.Join(voided, " ") != "sbstatic-bar w2" {
		t.Errorf("%d events, voided %v", len(evs), voided)
	}
	// A list is stable while events are stored between its pages.
	req.PageSize = 4
	n := 0
	again := l.pages(t, req, func() {
		n++
		e := &pb.Event{Plant: "rhein", Press: "p2", OccurredAt: stampOf(time.Date(2026, 6, 15, 21, n, 0, 0, time.UTC)), Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{
			From: stampOf(time.Date(2026, 6, 15, 12, 0, 0, 0, time.UTC)), To: stampOf(time.Date(2026, 6, 15, 12, 30, 0, 0, time.UTC)), LengthMm: 1000, Cause: pb.WasteCause_WASTE_CAUSE_OTHER}}}
		r, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: fmt.Sprintf("between-pages-%d", n), Events: []*pb.Event{e}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.events.VoidEvent(l.ctx, &pb.VoidEventRequest{RequestId: fmt.Sprintf("between-void-%d", n), Id: r.Ids[0], Why: "test"}); err != nil {
			t.Fatal(err)
		}
	})
	if n == 0 || len(again) != len(evs) {
		t.Errorf("%d events after %d more were stored, %d before", len(again), n, len(evs))
	}
	_, err := l.events.ListEvents(l.ctx, &pb.ListEventsRequest{Kinds: []string{"slices"}})
	wantField(t, err, "kinds[0]")
	first, err := l.events.ListEvents(l.ctx, &pb.ListEventsRequest{PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	_, err = l.events.ListEvents(l.ctx, &pb.ListEventsRequest{PageSize: 1, Kinds: []string{"slice"}, PageToken: first.NextPageToken})
	wantField(t, err, "page_token")
}

func (l *apiLine) watchEvents(t *testing.T) {
	max, err := l.db.MaxPos(l.ctx)
	if err != nil {
		t.Fatal(err)
	}
	// From the beginning: everything once, in order of pos; resumed in the
	// middle: the rest.
	read := func(after uint64) (ids []string, at uint64) {
		ctx, cancel := context.WithTimeout(l.ctx, 30*time.Second)
		defer cancel()
		w, err := l.events.WatchEvents(ctx, &pb.WatchEventsRequest{Scope: &pb.Scope{Plants: []string{"rhein"}}, AfterPos: after})
		if err != nil {
			t.Fatal(err)
		}
		for at < max {
			m, err := w.Recv()
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range m.Events {
				if e.Pos <= after || e.Pos < at {
					t.Fatalf("event of pos %d after %d", e.Pos, at)
				}
				ids = append(ids, e.Id)
			}
			at = m.Pos
		}
		return ids, at
	}
	all, _ := read(1) // 0 would be "from now on"
	var middle uint64 // positions begin where the writer's fence stands
	if err := l.db.Conn().QueryRow(l.ctx, "SELECT toUInt64(quantileExact(0.5)(pos)) FROM events").Scan(&middle); err != nil {
		t.Fatal(err)
	}
	rest, _ := read(middle)
	if len(rest) == 0 || len(rest) >= len(all) || !slices.Equal(all[len(all)-len(rest):], rest) {
		t.Errorf("%d events in all, %d when resumed", len(all), len(rest))
	}
	// Live: what is recorded now comes by.
	ctx, cancel := context.WithTimeout(l.ctx, 20*time.Second)
	defer cancel()
	w, err := l.events.WatchEvents(ctx, &pb.WatchEventsRequest{Kinds: []string{"defect_seen"}})
	if err != nil {
		t.Fatal(err)
	}
	for n := 0; ; n++ {
		if n == 50 {
			t.Fatal("nothing came by")
		}
		if _, err := l.events.RecordEvents(ctx, &pb.RecordEventsRequest{RequestId: fmt.Sprintf("live-defect-%d", n), Events: []*pb.Event{defect(time.Now())}}); err != nil {
			t.Fatal(err)
		}
		m, err := w.Recv() // the stream may have begun after the first was stored
		if err != nil {
			t.Fatal(err)
		}
		if len(m.Events) > 0 {
			if d := m.Events[0].Event.GetDefectSeen(); d == nil || d.Crew == "badge-17" || len(d.Crew) != 10 {
				t.Errorf("crew of %v: the log must not hold a badge", m.Events[0])
			}
			break
		}
	}
	_, err = mustStream(l.events.WatchEvents(ctx, &pb.WatchEventsRequest{AfterPos: 1 << 60})).Recv()
	wantField(t, err, "after_pos")
}

func mustStream[S any](s S, err error) S {
	if err != nil {
		panic(err)
	}
	return s
}

func (l *apiLine) recordTwice(t *testing.T) {
	at := time.Date(2026, 6, 15, 10, 0, 0, 0, time.UTC)
	req := &pb.RecordEventsRequest{RequestId: "record-twice", Events: []*pb.Event{defect(at), defect(at.Add(time.Minute))}}
	first, err := l.events.RecordEvents(l.ctx, req)
	if err != nil {
		t.Fatal(err)
	}
	h := sha256.Sum256([]byte("record-twice"))
	if want := "rhein/p1/" + hex.EncodeToString(h[:8]) + "/1"; first.Ids[0] != want || len(first.Ids) != 2 {
		t.Errorf("ids %v, want the first %s", first.Ids, want)
	}
	second, err := l.events.RecordEvents(l.ctx, req)
	if err != nil || !slices.Equal(second.Ids, first.Ids) {
		t.Errorf("again: %v, %v", second, err)
	}
	n := 0
	for _, e := range l.pages(t, &pb.ListEventsRequest{Kinds: []string{"defect_seen"}, From: stampOf(at), To: stampOf(at.Add(time.Hour))}, nil) {
		if strings.HasPrefix(e.Id, strings.TrimSuffix(first.Ids[0], "1")) {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d events stored, want 2", n)
	}
	other := &pb.RecordEventsRequest{RequestId: "record-twice", Events: []*pb.Event{defect(at.Add(5 * time.Minute))}}
	_, err = l.events.RecordEvents(l.ctx, other)
	wantField(t, err, "request_id")
	_, err = l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: "record-twice", Events: req.Events[:1]})
	wantField(t, err, "request_id")

	void := func(request, id string) (*pb.VoidEventResponse, error) {
		return l.events.VoidEvent(l.ctx, &pb.VoidEventRequest{RequestId: request, Id: id, Why: "test"})
	}
	v, err := void("void-once-1", first.Ids[0])
	if err != nil {
		t.Fatal(err)
	}
	if v2, err := void("void-once-1", first.Ids[0]); err != nil || v2.Id != v.Id {
		t.Errorf("voided again: %v, %v", v2, err)
	}
	_, err = void("void-a-void", v.Id)
	wantField(t, err, "id")
	_, err = void("void-nothing", "rhein/p1/00000000000000ff/7")
	if _, _, res := wantStatus(t, err, codes.NotFound, "rhein/p1/00000000000000ff/7"); res.GetResourceType() != "event" {
		t.Errorf("resource %v", res)
	}
	_, err = void("void-nonsense", "p1")
	wantField(t, err, "id")
	// Earliest instant of a booking is its from, not when it was said.
	for _, e := range l.pages(t, &pb.ListEventsRequest{Scope: &pb.Scope{Presses: []string{"rhein/p2"}}, Kinds: []string{"voided"}}, nil) {
		if w := e.Event.GetVoided(); w.Why == "booked twice" && !w.Earliest.AsTime().Equal(time.Date(2026, 6, 15, 14, 45, 0, 0, time.UTC)) {
			t.Errorf("earliest %v, want the booking's from", w.Earliest.AsTime())
		}
	}
}

func (l *apiLine) errors(t *testing.T) {
	record := func(evs ...*pb.Event) error {
		_, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: "erroneous", Events: evs})
		return err
	}
	bad := defect(time.Now())
	bad.GetDefectSeen().Kind = 0
	wantField(t, record(defect(time.Now()), bad), "events[1].defect_seen.kind")
	wantField(t, record(defect(time.Now().Add(time.Hour))), "events[0].occurred_at")
	wantField(t, record(defect(time.Now().AddDate(-20, 0, 0))), "events[0].occurred_at")
	// What only ingest refuses (here: it takes five years back) is not said to
	// be stored.
	wantStatus(t, record(defect(time.Now().AddDate(-6, 0, 0))), codes.FailedPrecondition, "put aside")
	other := defect(time.Now())
	other.Press = "p2"
	wantField(t, record(defect(time.Now()), other), "events[1].press")
	other.Press = "p99"
	if _, _, res := wantStatus(t, record(other), codes.NotFound, "rhein/p99"); res.GetResourceType() != "press" || res.GetResourceName() != "rhein/p99" {
		t.Errorf("resource %v", res)
	}
	wantField(t, record(&pb.Event{Plant: "rhein", Press: "p1", OccurredAt: stampOf(time.Now()), Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: 1, FirstSeq: 1, LastSeq: 1}}}), "events[0].voided")
	_, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: "short", Events: []*pb.Event{defect(time.Now())}})
	wantField(t, err, "request_id")

	_, err = pb.NewDutyServiceClient(l.conn).ListDuties(l.ctx, &pb.ListDutiesRequest{Period: &pb.Period{FirstDay: "2026-06-31", LastDay: "2026-07-01"}})
	wantField(t, err, "period.first_day")
	_, err = pb.NewCleaningServiceClient(l.conn).ListStationTimes(l.ctx, &pb.ListStationTimesRequest{Period: june, Scope: &pb.Scope{Plants: []string{"atlantis"}}})
	wantStatus(t, err, codes.NotFound, "atlantis")

	// Registry: stale, invalid, unknown; the same document again is no revision.
	if r, err := l.apply(nil, 0); err != nil || r.Rev != 1 {
		t.Errorf("the same document again: %v, %v", r, err)
	}
	_, err = l.apply(func(p *pb.Plant) { p.Name = "Renamed" }, 7)
	if _, info, _ := wantStatus(t, err, codes.Aborted, "revision 1"); info.GetMetadata()["current_rev"] != "1" {
		t.Errorf("info %v", info)
	}
	_, err = l.apply(func(p *pb.Plant) { p.Zone = "Europe/Atlantis" }, 1)
	wantField(t, err, "zone")
	_, err = l.registry.GetPlant(l.ctx, &pb.GetPlantRequest{Plant: "atlantis"})
	wantStatus(t, err, codes.NotFound, "atlantis")
	_, err = l.registry.GetPlant(l.ctx, &pb.GetPlantRequest{Plant: "rhein", Rev: 9})
	wantStatus(t, err, codes.NotFound, "9")
	got, err := l.registry.GetPlant(l.ctx, &pb.GetPlantRequest{Plant: "rhein"})
	if err != nil {
		t.Fatal(err)
	}
	p := proto.Clone(got.Revision.Plant).(*pb.Plant)
	p.OpenCloseMinutes = 2
	plan, err := l.registry.PlanApply(l.ctx, &pb.PlanApplyRequest{Plant: p})
	if err != nil || plan.CurrentRev != 1 || len(plan.Changes) != 1 || len(plan.DirtyPresses) != 3 {
		t.Errorf("plan %v, %v", plan, err)
	}
	revs, err := l.registry.ListRevisions(l.ctx, &pb.ListRevisionsRequest{Plant: "rhein"})
	if err != nil || len(revs.Revisions) != 1 || revs.Revisions[0].Revision.Author != "test" || revs.Revisions[0].Revision.Plant.Zone != "" {
		t.Errorf("revisions %v, %v", revs, err)
	}

	// Health and reflection.
	for _, service := range []string{"", "downweb.v1.EventService", "downweb.v1.StudyService"} {
		h, err := healthpb.NewHealthClient(l.conn).Check(l.ctx, &healthpb.HealthCheckRequest{Service: service})
		if err != nil || h.Status != healthpb.HealthCheckResponse_SERVING {
			t.Errorf("health of %q: %v, %v", service, h, err)
		}
	}
	rs := mustStream(reflectpb.NewServerReflectionClient(l.conn).ServerReflectionInfo(l.ctx))
	if err := rs.Send(&reflectpb.ServerReflectionRequest{MessageRequest: &reflectpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	m, err := rs.Recv()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, s := range m.GetListServicesResponse().GetService() {
		names = append(names, s.Name)
	}
	for _, want := range []string{"downweb.v1.CleaningService", "downweb.v1.DutyService", "downweb.v1.EventService", "downweb.v1.LossService", "downweb.v1.RegistryService", "downweb.v1.StatusService", "downweb.v1.StudyService"} {
		if !slices.Contains(names, want) {
			t.Errorf("reflection lists %v, not %s", names, want)
		}
	}
	_ = rs.CloseSend()
}

func (l *apiLine) statusAnswer(t *testing.T) {
	// A press the registry does not name: stored, listed, not projected; with a
	// hole and a void of nothing.
	at := time.Date(2026, 6, 15, 10, 0, 0, 0, time.UTC)
	x := defect(at)
	x.Press, x.Epoch, x.Seq, x.RecordedAt = "p9", 77, 4, stampOf(at)
	v := &pb.Event{Plant: "rhein", Press: "p9", Epoch: 78, Seq: 1, OccurredAt: stampOf(at), RecordedAt: stampOf(at), Body: &pb.Event_Voided{Voided: &pb.Voided{Epoch: 99, FirstSeq: 1, LastSeq: 1, Earliest: stampOf(at)}}}
	w := l.deps.Writer.(*apiWriter)
	for _, e := range []*pb.Event{x, v} {
		if _, err := w.publish(l.ctx, []*pb.Event{e}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.await(l.ctx, v); err != nil {
		t.Fatal(err)
	}
	l.settlePresses("rhein/p1", "rhein/p2", "rhein/p3", "rhein/p9")
	r, err := l.status.GetStatus(l.ctx, &pb.GetStatusRequest{Checksum: true})
	if err != nil {
		t.Fatal(err)
	}
	by := map[string]*pb.PressStatus{}
	for _, p := range r.Presses {
		by[p.Press] = p
	}
	p9 := by["rhein/p9"]
	if p9 == nil || !p9.Unknown || p9.Events != 2 || p9.DanglingVoids != 1 || len(p9.Holes) != 1 || p9.Holes[0].FirstSeq != 1 || p9.Holes[0].LastSeq != 3 || p9.DirtyFrom != "" {
		t.Errorf("the unknown press: %v", p9)
	}
	p1 := by["rhein/p1"]
	if p1 == nil || p1.Unknown || p1.Events < 480 || p1.Frontier == nil || p1.LagMs <= 0 || p1.DirtyFrom != "" || len(p1.Holes) != 0 || p1.DanglingVoids != 0 {
		t.Errorf("p1: %v", p1)
	}
	if len(r.Checksum) != 64 || len(r.Checksums) != 4 || len(r.WarehouseId) != 16 || !strings.HasPrefix(r.WarehouseVersion, "ClickHouse ") || r.StreamPending != 0 || r.Events == 0 {
		t.Errorf("status %v", r)
	}
	// A rebuild gives the same checksum.
	l.rebuild(t)
	again, err := l.status.GetStatus(l.ctx, &pb.GetStatusRequest{Checksum: true, Scope: &pb.Scope{Presses: []string{"rhein/p1"}}})
	if err != nil || again.Checksum != r.Checksum || len(again.Presses) != 1 {
		t.Errorf("after a rebuild: %v, %v; before %s", again, err, r.Checksum)
	}
}

func (l *apiLine) study(t *testing.T) {
	_, err := l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Permutations: 5}})
	wantField(t, err, "spec.permutations")
	_, err = l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Stations: []string{"no-such"}}})
	wantStatus(t, err, codes.NotFound, "no-such")
	_, err = l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Period: &pb.Period{FirstDay: "2026-06-02", LastDay: "2026-06-01"}}})
	wantField(t, err, "spec.period.last_day")
	_, err = l.studies.GetStudy(l.ctx, &pb.GetStudyRequest{Id: "no-such"})
	wantStatus(t, err, codes.NotFound, "no-such")

	r, err := l.studies.CreateStudy(l.ctx, &pb.CreateStudyRequest{Spec: &pb.StudySpec{Title: "three shifts", Permutations: 99}})
	if err != nil {
		t.Fatal(err)
	}
	id := r.Study.Id
	w := mustStream(l.studies.WatchStudy(l.ctx, &pb.WatchStudyRequest{Id: id}))
	var last pb.StudyState
	for last != pb.StudyState_STUDY_STATE_DONE {
		m, err := w.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if last = m.State; last == pb.StudyState_STUDY_STATE_FAILED {
			break
		}
	}
	got, err := l.studies.GetStudy(l.ctx, &pb.GetStudyRequest{Id: id})
	if err != nil {
		t.Fatal(err)
	}
	x := got.Study
	if x.State != pb.StudyState_STUDY_STATE_DONE || len(x.DataSha256) != 64 || len(x.ResultSha256) != 64 || x.AsOf.GetPos() == 0 || x.AsOf.GetRegistryRev() != 1 ||
		x.Spec.GetPeriod().GetFirstDay() == "" || x.Spec.GetMaxLag() != 14 || x.ResultJson == "" || len(x.Cautions) == 0 || x.Version != "test" {
		t.Fatalf("study %v", x)
	}
	// Three days cannot answer, and the study says so.
	if !strings.Contains(strings.Join(x.Sentences, " "), "cannot answer") {
		t.Errorf("sentences %q", x.Sentences)
	}
	for _, s := range append(x.Sentences, x.Cautions...) {
		if bad := study.ForbiddenWords(s); len(bad) > 0 {
			t.Errorf("%q says %q", s, bad)
		}
	}
	rerun, err := l.studies.RerunStudy(l.ctx, &pb.RerunStudyRequest{Id: id})
	if err != nil || !rerun.Same || rerun.ResultSha256 != x.ResultSha256 {
		t.Errorf("rerun %v, %v", rerun, err)
	}
	verify := func() {
		t.Helper()
		v, err := l.studies.VerifyStudy(l.ctx, &pb.VerifyStudyRequest{Id: id})
		if err != nil || !v.Same {
			t.Errorf("verify %v, %v", v, err)
		}
	}
	verify()
	export := func(f pb.DataSetFormat) []byte {
		s := mustStream(l.studies.GetDataSet(l.ctx, &pb.GetDataSetRequest{Id: id, Format: f}))
		var b []byte
		for {
			m, err := s.Recv()
			if err != nil {
				return b
			}
			b = append(b, m.Chunk...)
		}
	}
	raw := export(pb.DataSetFormat_DATA_SET_FORMAT_UNSPECIFIED)
	if h := sha256.Sum256(raw); hex.EncodeToString(h[:]) != x.DataSha256 {
		t.Errorf("the exported bytes have another hash")
	}
	d, err := study.ReadCSV(bytes.NewReader(export(pb.DataSetFormat_DATA_SET_FORMAT_CSV)))
	if err != nil || !bytes.Equal(d.Bytes(), raw) || len(d.Rows) != 3 {
		t.Errorf("CSV: %v", err)
	}
	// Later events and a later registry change the projections, not the study.
	l.recordLater(t)
	verify()
	// What a stopped process left is taken up again.
	rec, err := l.db.GetStudy(l.ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	left := proto.Clone(x).(*pb.Study)
	left.State, left.ResultSha256, left.ResultJson = pb.StudyState_STUDY_STATE_RUNNING, "", ""
	rec.Body, _ = proto.Marshal(left)
	rec.Version, rec.State = rec.Version+1, uint8(left.State)
	if err := l.db.PutStudy(l.ctx, rec); err != nil {
		t.Fatal(err)
	}
	for range 300 {
		if got, err = l.studies.GetStudy(l.ctx, &pb.GetStudyRequest{Id: id}); err != nil || got.Study.State == pb.StudyState_STUDY_STATE_DONE {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil || got.Study.ResultSha256 == "" || got.Study.DataSha256 == x.DataSha256 {
		t.Errorf("taken up again: %v, %v", got, err)
	}
	list, err := l.studies.ListStudies(l.ctx, &pb.ListStudiesRequest{})
	if err != nil || len(list.Studies) != 1 || list.Studies[0].ResultJson != "" {
		t.Errorf("list %v, %v", list, err)
	}
}
