package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/ingest"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/registry"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

const workedShifts = "../../testdata/scenarios/worked-shifts"

// apiLine is the whole line in one process: log server, ingest, projector,
// warehouse and api, all real.
type apiLine struct {
	t    *testing.T
	ctx  context.Context
	env  *eventlogtest.Env
	db   *warehouse.DB
	deps api.Deps
	conn *grpc.ClientConn

	events   pb.EventServiceClient
	registry pb.RegistryServiceClient
	studies  pb.StudyServiceClient
	status   pb.StatusServiceClient
	stopAPI  func()
}

func newAPILine(t *testing.T) *apiLine {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Minute)
	t.Cleanup(cancel)
	l := &apiLine{t: t, ctx: ctx}
	db, err := warehouse.Open(ctx, warehouse.Config{DSN: warehousetest.DSN(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	l.db, l.env = db, eventlogtest.Start(t)
	l.deps = apiDeps(db, l.env.Core, l.env.JS, eventlog.NewBadges(t.TempDir()), nil)
	l.stopAPI = l.serve()
	return l
}

// serve starts an api and connects to it; stop ends it.
func (l *apiLine) serve() (stop func()) {
	l.t.Helper()
	s := api.New(api.Config{Listen: "127.0.0.1:0", Version: "test", Schema: warehouse.SchemaVersion()}, l.deps)
	stop = l.background("api", s.Run)
	select {
	case <-s.Ready():
	case <-time.After(10 * time.Second):
		l.t.Fatal("the api does not listen")
	}
	conn, err := grpc.NewClient(s.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		l.t.Fatal(err)
	}
	l.t.Cleanup(func() { conn.Close() })
	l.conn = conn
	l.events, l.registry = pb.NewEventServiceClient(conn), pb.NewRegistryServiceClient(conn)
	l.studies, l.status = pb.NewStudyServiceClient(conn), pb.NewStatusServiceClient(conn)
	return stop
}

// ingest starts ingest with the projector beside it.
func (l *apiLine) ingest() (stop func()) {
	project := projector.New(projector.Config{Tick: 50 * time.Millisecond}, l.db, liveStore{l.db})
	in := ingest.New(ingest.Config{BatchWait: 20 * time.Millisecond, LeaseTTL: eventlogtest.LeaseTTL, PastLimit: 5 * 365 * 24 * time.Hour},
		ingest.Deps{NC: l.env.Core, JS: l.env.JS, Warehouse: l.db, DirtyFor: registry.DirtyFor, Beside: project.Run})
	return l.background("ingest", in.Run)
}

func (l *apiLine) background(name string, run func(context.Context) error) (stop func()) {
	ctx, cancel := context.WithCancel(l.ctx)
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		select {
		case err := <-done:
			if err != nil && ctx.Err() == nil {
				l.t.Errorf("%s: %v", name, err)
			}
		case <-time.After(20 * time.Second):
			l.t.Errorf("%s does not stop", name)
		}
	}
	l.t.Cleanup(stop)
	return stop
}

func (l *apiLine) apply(change func(p *pb.Plant), expected uint64) (*pb.ApplyPlantResponse, error) {
	l.t.Helper()
	text, err := os.ReadFile(filepath.Join(workedShifts, "plant.yaml"))
	if err != nil {
		l.t.Fatal(err)
	}
	p, problems := registry.ParseYAML(text)
	if len(problems) > 0 {
		l.t.Fatal(problems)
	}
	if change != nil {
		change(p)
	}
	return l.registry.ApplyPlant(l.ctx, &pb.ApplyPlantRequest{Plant: p, ExpectedRev: expected, Author: "test"})
}

// recordShift records a worked shift by hand: its events in two requests, its
// voids by the ids of what they take back.
func (l *apiLine) recordShift(press string) {
	l.t.Helper()
	text, err := os.ReadFile(filepath.Join(workedShifts, press+".ndjson"))
	if err != nil {
		l.t.Fatal(err)
	}
	var evs, voids []*pb.Event
	for s := bufio.NewScanner(bytes.NewReader(text)); s.Scan(); {
		e := &pb.Event{}
		if err := protojson.Unmarshal(s.Bytes(), e); err != nil {
			l.t.Fatal(err)
		}
		if e.GetVoided() != nil {
			voids = append(voids, e)
		} else {
			evs = append(evs, e)
		}
	}
	ids := map[string]string{}
	for n := 0; len(evs) > 0; n++ {
		part := evs[:min(len(evs), 700)]
		r, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: fmt.Sprintf("shift-%s-%d", press, n), Events: part})
		if err != nil {
			l.t.Fatal(err)
		}
		for i, e := range part {
			ids[e.SourceKey] = r.Ids[i]
		}
		evs = evs[len(part):]
	}
	for i, v := range voids {
		if _, err := l.events.VoidEvent(l.ctx, &pb.VoidEventRequest{RequestId: fmt.Sprintf("void-%s-%d", press, i), Id: ids[v.GetVoided().TargetSourceKey], Why: v.GetVoided().Why}); err != nil {
			l.t.Fatal(err)
		}
	}
}

// settle waits until nothing waits to be projected.
func (l *apiLine) settle() {
	l.t.Helper()
	for range 600 {
		dirty, err := l.db.DirtyFrom(l.ctx)
		if err != nil {
			l.t.Fatal(err)
		}
		if len(dirty) == 0 {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	l.t.Fatal("projections stay dirty")
}

// wantStatus checks a code and returns its details by type.
func wantStatus(t *testing.T, err error, code codes.Code, text string) (bad *errdetails.BadRequest, info *errdetails.ErrorInfo, res *errdetails.ResourceInfo) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code || !strings.Contains(st.Message(), text) {
		t.Errorf("%v %q, want %v with %q", st.Code(), st.Message(), code, text)
	}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			bad = d
		case *errdetails.ErrorInfo:
			if d.Domain != "downweb" {
				t.Errorf("domain %q", d.Domain)
			}
			if info == nil || len(d.Metadata) > 0 {
				info = d
			}
		case *errdetails.ResourceInfo:
			res = d
		}
	}
	return bad, info, res
}

func wantField(t *testing.T, err error, field string) {
	t.Helper()
	bad, _, _ := wantStatus(t, err, codes.InvalidArgument, "")
	for _, v := range bad.GetFieldViolations() {
		if v.Field == field {
			return
		}
	}
	t.Errorf("field violations %v of %v, want one of %s", bad.GetFieldViolations(), err, field)
}

var june = &pb.Period{FirstDay: "2026-03-01", LastDay: "2026-06-30"}

// The worked shifts by hand through the whole line: every service answers what
// was worked out on paper.
func TestAPIWorkedShifts(t *testing.T) {
	t.Parallel()
	l := newAPILine(t)
	stop := l.ingest()
	if r, err := l.apply(nil, 0); err != nil || r.Rev != 1 {
		t.Fatalf("apply: %v, %v", r, err)
	}
	for _, p := range []string{"p1", "p2", "p3"} {
		l.recordShift(p)
	}
	l.settle()

	t.Run("losses", func(t *testing.T) {
		r, err := pb.NewLossServiceClient(l.conn).GetLosses(l.ctx, &pb.GetLossesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p2"}}, Period: &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-15"}})
		if err != nil {
			t.Fatal(err)
		}
		if r.Total.PlannedBusyUs != 450*60_000_000 || r.AsOf.Pos == 0 || r.AsOf.RegistryRev != 1 || r.AsOf.Through == nil {
			t.Errorf("planned %d, as of %v", r.Total.PlannedBusyUs, r.AsOf)
		}
	})
	t.Run("views", func(t *testing.T) { l.views(t) })
	t.Run("compare", func(t *testing.T) { l.compareShifts(t) })
	t.Run("series", func(t *testing.T) { l.series(t) })
	t.Run("indicators", func(t *testing.T) { l.indicators(t) })
	t.Run("summary", func(t *testing.T) { l.summary(t) })
	t.Run("stations", func(t *testing.T) { l.stations(t) })
	t.Run("sessions", func(t *testing.T) { l.sessions(t) })
	t.Run("duties", func(t *testing.T) { l.duties(t) })
	t.Run("reports", func(t *testing.T) { l.reports(t) })
	t.Run("events", func(t *testing.T) { l.listEvents(t) })
	t.Run("watch", func(t *testing.T) { l.watchEvents(t) })
	t.Run("record", func(t *testing.T) { l.recordTwice(t) })
	t.Run("errors", func(t *testing.T) { l.errors(t) })
	t.Run("status", func(t *testing.T) { l.statusAnswer(t) })
	t.Run("study", func(t *testing.T) { l.study(t) })
	t.Run("http", func(t *testing.T) { l.overHTTP(t) })
	t.Run("dashboards", func(t *testing.T) { l.dashboards(t) })
	t.Run("notebooks", func(t *testing.T) { l.notebooks(t) })
	t.Run("doctor", func(t *testing.T) { l.doctorAndNames(t) })
	t.Run("exports", func(t *testing.T) { l.exports(t) })
	t.Run("deadline", func(t *testing.T) {
		stop()
		ctx, cancel := context.WithTimeout(l.ctx, 500*time.Millisecond)
		defer cancel()
		req := &pb.RecordEventsRequest{RequestId: "nobody-home", Events: []*pb.Event{defect(time.Now())}}
		_, err := l.events.RecordEvents(ctx, req)
		wantStatus(t, err, codes.DeadlineExceeded, "")
		// Nothing was lost: the same request again finds its event, or stores it.
		l.ingest()
		r, err := l.events.RecordEvents(l.ctx, req)
		if err != nil {
			t.Fatal(err)
		}
		at := req.Events[0].OccurredAt
		evs := l.pages(t, &pb.ListEventsRequest{Kinds: []string{"defect_seen"}, From: at, To: stampOf(at.AsTime().Add(time.Millisecond))}, nil)
		if len(evs) != 1 || evs[0].Id != r.Ids[0] {
			t.Errorf("stored %v, want %s once", evs, r.Ids[0])
		}
	})
}

func defect(at time.Time) *pb.Event {
	return &pb.Event{Plant: "rhein", Press: "p1", OccurredAt: stampOf(at), Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: pb.DefectKind_DEFECT_KIND_STREAK, Crew: "badge-17"}}}
}

func (l *apiLine) stations(t *testing.T) {
	c := pb.NewCleaningServiceClient(l.conn)
	r, err := c.ListStationTimes(l.ctx, &pb.ListStationTimesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p2"}}, Period: june, GroupBy: pb.StationGroup_STATION_GROUP_PRESS})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, s := range r.Stations {
		got[s.Station] = s.MedianMinutes
		if s.Key != "rhein/p2" || !s.Small || s.Visits != 1 {
			t.Errorf("%v", s)
		}
	}
	// testdata/scenarios/worked-shifts/story.md: worked by hand.
	for s, m := range map[string]float64{"treater": 12, "web-cleaner": 4, "uv-1": 20, "uv-2": 13} {
		if got[s] != m {
			t.Errorf("%s: median %v min, want %v", s, got[s], m)
		}
	}
	x := r.Reconciliation
	if x.OwnExcessMinutes != 23 || x.SavedMinutes != 1 || x.OverrunMinutes != 22 || x.InterruptionMinutes != 0 || x.UnusedAllowanceMinutes != 0 {
		t.Errorf("reconciliation %v, want own excess 23 − saved 1 = overrun 22", x)
	}
	// Over the whole plant the sides still meet.
	if r, err = c.ListStationTimes(l.ctx, &pb.ListStationTimesRequest{Period: june}); err != nil {
		t.Fatal(err)
	}
	x = r.Reconciliation
	if d := x.OwnExcessMinutes - x.SavedMinutes + x.InterruptionMinutes - (x.OverrunMinutes + x.OtherOverrunMinutes - x.UnusedAllowanceMinutes); d < -0.01 || d > 0.01 {
		t.Errorf("the sides of %v differ by %v min", x, d)
	}
}

func (l *apiLine) sessions(t *testing.T) {
	c := pb.NewCleaningServiceClient(l.conn)
	var got []string
	visits := 0
	req := &pb.ListSessionsRequest{Period: june, PageSize: 1}
	for range 10 {
		r, err := c.ListSessions(l.ctx, req)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range r.Sessions {
			got = append(got, s.Press+"/"+s.Session)
			visits += len(s.Visits)
		}
		if req.PageToken = r.NextPageToken; req.PageToken == "" {
			break
		}
	}
	if strings.Join(got, " ") != "rhein/p1/a rhein/p2/b rhein/p3/d" || visits != 4+4+2 {
		t.Errorf("sessions %v with %d visits", got, visits)
	}
	_, err := c.ListSessions(l.ctx, &pb.ListSessionsRequest{Period: june, PageToken: "nonsense"})
	wantField(t, err, "page_token")
}

func (l *apiLine) duties(t *testing.T) {
	c := pb.NewDutyServiceClient(l.conn)
	whole, err := c.ListDuties(l.ctx, &pb.ListDutiesRequest{Period: june, PageSize: 1000})
	if err != nil {
		t.Fatal(err)
	}
	n := whole.Counts
	if all := n.OnTime + n.Late + n.Missed + n.Skipped + n.NotRequired + n.Unknown + n.Open; all == 0 || all != int64(len(whole.Duties)) {
		t.Errorf("%d duties listed, %d counted", len(whole.Duties), all)
	}
	if n.Compliance.N != n.OnTime+n.Late+n.Missed+n.Skipped || !n.Compliance.Ok || n.Compliance.Low >= n.Compliance.Value && n.Compliance.Value > 0 {
		t.Errorf("compliance %v of %v", n.Compliance, n)
	}
	var sum int64
	for _, s := range whole.Stations {
		sum += s.Counts.OnTime
	}
	if sum != n.OnTime {
		t.Errorf("stations count %d on time, all %d", sum, n.OnTime)
	}
	if len(whole.Cautions) < 3 || !strings.Contains(whole.Cautions[0], "maker's manual") || !strings.Contains(whole.Cautions[0], "lock-out") || !strings.Contains(whole.Cautions[1], "isolated") {
		t.Errorf("cautions %q", whole.Cautions)
	}
	var paged []*pb.Duty
	req := &pb.ListDutiesRequest{Period: june, PageSize: 3}
	for range 100 {
		r, err := c.ListDuties(l.ctx, req)
		if err != nil {
			t.Fatal(err)
		}
		paged = append(paged, r.Duties...)
		if req.PageToken = r.NextPageToken; req.PageToken == "" {
			break
		}
	}
	if len(paged) != len(whole.Duties) {
		t.Fatalf("%d duties in pages, %d in one", len(paged), len(whole.Duties))
	}
	for i := range paged {
		if !proto.Equal(paged[i], whole.Duties[i]) {
			t.Errorf("duty %d is %v in pages, %v in one", i, paged[i], whole.Duties[i])
		}
	}
	skipped, err := c.ListDuties(l.ctx, &pb.ListDutiesRequest{Period: june, Outcome: pb.DutyOutcome_DUTY_OUTCOME_SKIPPED})
	if err != nil || int64(len(skipped.Duties)) != n.Skipped || n.Skipped == 0 || skipped.Duties[0].Reason != "no-access" {
		t.Errorf("skipped %v, %v", skipped, err)
	}
}
