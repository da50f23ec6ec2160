package web_test

import (
	"context"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web"
)

// fake answers with invented figures, in one of several moods.
type fake struct {
	pb.UnimplementedLossServiceServer
	pb.UnimplementedCleaningServiceServer
	pb.UnimplementedDutyServiceServer
	pb.UnimplementedStudyServiceServer
	pb.UnimplementedRegistryServiceServer
	pb.UnimplementedStatusServiceServer
	pb.UnimplementedEventServiceServer

	mood string // "": two plants; "bare": no plant; "silent": plants without data; "down": nothing answers; "long": long names; "many": 31 presses

	mu      sync.Mutex
	state   pb.State // of the first press
	pos     uint64   // inserts beyond those at first
	extra   float64  // minutes of planned cleaning beyond those at first
	done    bool     // the overdue task has been signed off
	cut     bool     // streams of due lists end
	asked   int      // losses that were asked for, but for the frontier
	made    []*pb.StudySpec
	release chan struct{} // a study ends when it is closed
}

var at = time.Date(2026, 6, 28, 14, 2, 0, 0, time.UTC)

func ts(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// newSite serves the pages over a fake api.
func newSite(t testing.TB, mood string) (*web.Site, *fake) {
	t.Helper()
	f := &fake{mood: mood, state: pb.State_STATE_PRODUCTION, release: make(chan struct{})}
	g := grpc.NewServer(grpc.UnaryInterceptor(f.away))
	pb.RegisterLossServiceServer(g, f)
	pb.RegisterCleaningServiceServer(g, f)
	pb.RegisterDutyServiceServer(g, f)
	pb.RegisterStudyServiceServer(g, f)
	pb.RegisterRegistryServiceServer(g, f)
	pb.RegisterStatusServiceServer(g, f)
	pb.RegisterEventServiceServer(g, f)
	ln := bufconn.Listen(1 << 20)
	go g.Serve(ln)
	t.Cleanup(g.Stop)
	conn, err := grpc.NewClient("passthrough:///api", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return ln.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	s, err := web.New(conn, web.Config{Now: func() time.Time { return at }})
	if err != nil {
		t.Fatal(err)
	}
	return s, f
}

func (f *fake) away(ctx context.Context, req any, _ *grpc.UnaryServerInfo, h grpc.UnaryHandler) (any, error) {
	if f.mood == "down" {
		return nil, status.Error(codes.Unavailable, "the warehouse is not reached")
	}
	if r, ok := req.(interface{ GetScope() *pb.Scope }); ok {
		for _, p := range r.GetScope().GetPresses() {
			if p == "rhein/p99" {
				return nil, status.Error(codes.NotFound, "press rhein/p99 is not in the registry")
			}
		}
	}
	return h(ctx, req)
}

func (f *fake) asOf() *pb.AsOf {
	f.mu.Lock()
	defer f.mu.Unlock()
	a := &pb.AsOf{Pos: 4711 + f.pos, RegistryRev: 3, RulesVersion: 4}
	if f.mood == "silent" || f.mood == "bare" {
		return a
	}
	a.Newest, a.Through = ts(at), ts(at.Add(-3*time.Hour))
	a.Behind = []*pb.PressLag{{Press: "rhein/p2", Frontier: ts(at.Add(-3 * time.Hour))}}
	return a
}

func (f *fake) ListPlants(context.Context, *pb.ListPlantsRequest) (*pb.ListPlantsResponse, error) {
	if f.mood == "bare" {
		return &pb.ListPlantsResponse{}, nil
	}
	long := func(s string) string {
		if f.mood == "long" {
			return s + strings.Repeat(" with a name that somebody made very long", 3) + " Donaudampfschifffahrtsgesellschaftsetikettendruckmaschine"
		}
		return s
	}
	plant := func(slug, name, zone, currency string) *pb.RegistryRevision {
		p := &pb.Plant{Plant: slug, Name: long(name), Zone: zone, Currency: currency}
		n := 3
		if f.mood == "many" && slug == "rhein" {
			n = 28
		}
		for i := 1; i <= n; i++ {
			p.Presses = append(p.Presses, &pb.Press{Press: fmt.Sprintf("p%d", i), Name: long(fmt.Sprintf("Press %d", i)), Kind: []string{"flexo-430", "inkjet-330"}[i%2],
				Stations: []*pb.Station{{Slug: "uv-1", Name: long("UV unit 1")}, {Slug: "web-cleaner", Name: "Web cleaner"}, {Slug: "anilox", Name: "Anilox and chamber"}}})
		}
		return &pb.RegistryRevision{Rev: 3, Plant: p}
	}
	return &pb.ListPlantsResponse{Revisions: []*pb.RegistryRevision{plant("rhein", "Rhein labels", "Europe/Berlin", "EUR"), plant("ohio", "Ohio labels", "America/New_York", "USD")}}, nil
}

// leaf makes a leaf of minutes and meters with money in two currencies at two bases.
func leaf(slug, name, factor, share string, minutes float64, meters int64) *pb.LossLeaf {
	l := &pb.LossLeaf{Leaf: slug, Name: name, Factor: factor, Share: share, TimeUs: int64(minutes * 6e7), LengthMm: meters * 1000}
	l.Money = []*pb.Money{{Currency: "EUR", Basis: "contribution hour", Amount: strconv.FormatFloat(minutes*7.013+float64(meters)*0.301, 'f', 4, 64)},
		{Currency: "USD", Basis: "press hour", Amount: strconv.FormatFloat(minutes*3.007+float64(meters)*0.299, 'f', 4, 64)}}
	l.OeePoints = minutes / 60000 * 100
	return l
}

func (f *fake) tree(key string) *pb.LossTree {
	t := &pb.LossTree{Key: key, PlannedBusyUs: 60000 * 6e7, ProductionUs: 41000 * 6e7, Ok: true, Availability: 41.0 / 60, Effectiveness: 0.9, Quality: 0.992, LengthYield: 0.991, OeeLow: 0.56, OeeHigh: 0.59, PressDays: 168,
		Coverage:     &pb.Coverage{PlannedMs: 60000 * 60000, MeasuredMs: 57000 * 60000, StatedMs: 1000 * 60000, UnknownMs: 2000 * 60000, KnownShare: 0.9666},
		ClosedByRule: 4, BookedExcessMm: 40000, NoteSpillMs: 240000, OutsidePlannedBusyUs: 57000 * 6e7, OutsideOee: 0.61, RestartEstimateMm: &pb.Estimate{Value: 5e6, Low: 4.8e6, High: 5.2e6, N: 685, Ok: true}}
	t.Leaves = []*pb.LossLeaf{leaf("planned_cleaning", "planned cleaning", "availability", "cleaning", 3000.37, 0), leaf("cleaning_overrun", "cleaning overrun", "availability", "cleaning", 580.51, 0),
		leaf("contamination_stop", "contamination stop", "availability", "dirt", 340.25, 0), leaf("other_breakdown", "other breakdown", "availability", "", 2100.125, 0), leaf("setup", "set-up", "availability", "", 11000, 0),
		leaf("waiting", "waiting", "availability", "", 1979.745, 0), leaf("contamination_slow", "contamination slow", "effectiveness", "dirt", -4.2, 0), leaf("other_slow", "other slow running", "effectiveness", "", 4104.2, 0),
		leaf("restart_waste", "restart-after-clean waste", "quality", "cleaning", 5.05, 421), leaf("contamination_waste", "contamination waste", "quality", "dirt", 4.33, 381), leaf("unbooked_waste", "unbooked waste", "quality", "", 240.62, 70331)}
	t.Leaves[2].Parts = []*pb.LossLeaf{{Leaf: "cleaning", Name: "cleaning", TimeUs: 90 * 6e7}}
	t.Sum, t.Cleaning, t.Dirt = leaf("sum", "sum", "", "", 0, 0), leaf("cleaning", "cleaning", "", "", 0, 0), leaf("dirt", "dirt", "", "", 0, 0)
	for _, l := range t.Leaves {
		for _, s := range []*pb.LossLeaf{t.Sum, map[string]*pb.LossLeaf{"cleaning": t.Cleaning, "dirt": t.Dirt}[l.Share]} {
			if s == nil {
				continue
			}
			s.TimeUs, s.LengthMm, s.OeePoints = s.TimeUs+l.TimeUs, s.LengthMm+l.LengthMm, s.OeePoints+l.OeePoints
			for i, m := range s.Money {
				a, _ := strconv.ParseFloat(m.Amount, 64)
				b, _ := strconv.ParseFloat(l.Money[i].Amount, 64)
				m.Amount = strconv.FormatFloat(a+b, 'f', 4, 64)
			}
		}
	}
	t.ValuableUs = t.PlannedBusyUs - t.Sum.TimeUs
	t.Oee = float64(t.ValuableUs) / float64(t.PlannedBusyUs)
	t.Outside = []*pb.LossLeaf{{Leaf: "extra_running", Name: "extra running", TimeUs: 12 * 6e7}, {Leaf: "labour", Name: "labour of cleaning", Money: []*pb.Money{{Currency: "EUR", Amount: "198.34"}}}}
	return t
}

func (f *fake) GetLosses(_ context.Context, r *pb.GetLossesRequest) (*pb.GetLossesResponse, error) {
	out := &pb.GetLossesResponse{Total: &pb.LossTree{Coverage: &pb.Coverage{}}, Period: r.Period, AsOf: f.asOf(), Zones: []string{"Europe/Berlin"}}
	if f.mood == "silent" || r.Period.FirstDay < "2000" {
		return out, nil
	}
	f.mu.Lock()
	f.asked++
	extra := f.extra
	f.mu.Unlock()
	out.Total = f.tree("")
	out.Total.Leaves[0].TimeUs += int64(extra * 6e7)
	out.Notes = []string{"press ohio/p3 has no money rates"}
	keys := map[pb.LossGroup][]string{pb.LossGroup_LOSS_GROUP_PRESS: {"rhein/p1", "rhein/p2", "ohio/p1"}, pb.LossGroup_LOSS_GROUP_PLANT: {"rhein", "ohio"}, pb.LossGroup_LOSS_GROUP_KIND: {"flexo-430"},
		pb.LossGroup_LOSS_GROUP_SHIFT: {"early", "late", ""}, pb.LossGroup_LOSS_GROUP_STATION: {"uv-1", "anilox", ""}, pb.LossGroup_LOSS_GROUP_DAY: {"2026-06-15", "2026-06-16"}, pb.LossGroup_LOSS_GROUP_WEEK: {"2026-W25"},
		pb.LossGroup_LOSS_GROUP_MONTH: {"2026-06"}, pb.LossGroup_LOSS_GROUP_FAMILY: {"wine labels"}}
	for _, k := range keys[r.GroupBy] {
		out.Groups = append(out.Groups, f.tree(k))
	}
	return out, nil
}

func (f *fake) GetLossSummary(_ context.Context, r *pb.GetLossSummaryRequest) (*pb.GetLossSummaryResponse, error) {
	out := &pb.GetLossSummaryResponse{AsOf: f.asOf(), Period: r.Period}
	if f.mood == "silent" {
		out.Sentence = "Nothing was planned for the fleet in 2026-06-01 to 2026-06-28, or no press has reported yet."
		out.Parts = []*pb.SummaryPart{{Part: "cost", Text: out.Sentence}}
		return out, nil
	}
	out.Parts = []*pb.SummaryPart{{Part: "cost", Text: "Maintenance cost the fleet 6.5 points of OEE, 65 h, EUR 25,436 at the contribution hour and USD 10,789 at the press hour"},
		{Part: "cleaning", Text: "cleaning 6.0 (60 h)", Key: "cleaning"}, {Part: "dirt", Text: "dirt 0.5 (5 h)", Key: "dirt"}, {Part: "station", Text: "most put down to one station: uv-1 (0.2)", Key: "uv-1"},
		{Part: "missed", Text: "218 missed and 43 skipped of 1,865 duties"}, {Part: "known", Text: "96.6 % of the time known"}, {Part: "usual", Text: "within usual variation (4.7 to 8.8 a week in the 22 weeks before)"}}
	out.Sentence = out.Parts[0].Text + ": " + out.Parts[1].Text + ", " + out.Parts[2].Text + "; " + out.Parts[3].Text + "; " + out.Parts[4].Text + "; " + out.Parts[5].Text + "; " + out.Parts[6].Text + "."
	return out, nil
}

func (f *fake) ExplainLoss(_ context.Context, r *pb.ExplainLossRequest) (*pb.ExplainLossResponse, error) {
	out := &pb.ExplainLossResponse{AsOf: f.asOf(), Period: r.Period}
	for _, l := range f.tree("").Leaves {
		if l.Leaf == r.Leaf {
			out.Leaf = l
		}
	}
	if out.Leaf == nil {
		return nil, status.Error(codes.InvalidArgument, "leaf: "+r.Leaf+" is none of the ladder's")
	}
	if f.mood == "silent" {
		out.Leaf = &pb.LossLeaf{Leaf: r.Leaf, Name: out.Leaf.Name}
		return out, nil
	}
	for i := range 3 {
		begin := time.Date(2026, 6, 15, 14, 8+20*i, 0, 0, time.UTC)
		out.Pieces = append(out.Pieces, &pb.LossPiece{Press: "rhein/p1", Day: "2026-06-15", Shift: "late", From: ts(begin), To: ts(begin.Add(12 * time.Minute)), TimeUs: 12 * 6e7, State: pb.State_STATE_DOWN, Reason: "uv-dirt", Station: "uv-1", Job: "J3",
			Rule: 5, Why: "a reason note of class contamination", Session: "s-7", Slices: 12, Events: []string{"rhein/p1/000000000000002a/17"}})
	}
	if r.PageToken == "" {
		out.NextPageToken = "more/of=it&"
	}
	out.Notes = []string{"a defect was seen near a stop without a reason"}
	return out, nil
}

func (f *fake) CompareLosses(_ context.Context, r *pb.CompareLossesRequest) (*pb.CompareLossesResponse, error) {
	out := &pb.CompareLossesResponse{AsOf: f.asOf(), A: f.tree(""), B: f.tree(""), Ok: f.mood != "silent"}
	if f.mood == "silent" {
		out.Notes = []string{"less than 90 % is known of the first side"}
		return out, nil
	}
	out.B.Leaves[3].TimeUs -= 100 * 6e7
	out.B.ValuableUs += 100 * 6e7
	out.OeePoints = 100.0 / 60000 * 100
	for i, l := range out.A.Leaves {
		out.Leaves = append(out.Leaves, &pb.LeafDifference{Leaf: l.Leaf, Name: l.Name, PointsA: l.OeePoints, PointsB: out.B.Leaves[i].OeePoints, Money: []*pb.Money{{Currency: "EUR", Amount: "-12.30"}}})
	}
	out.Factors = []*pb.FactorShare{{Factor: "availability", A: 0.68, B: 0.682, Points: 0.1567}, {Factor: "effectiveness", A: 0.9, B: 0.9, Points: 0.01}, {Factor: "quality", A: 0.99, B: 0.99}, {Factor: "mix"}}
	return out, nil
}

func points() ([]*pb.SeriesPoint, *pb.XmrLimits) {
	var out []*pb.SeriesPoint
	for i := range 26 {
		p := &pb.SeriesPoint{Key: fmt.Sprintf("2026-W%02d", i+1), Value: 6 + float64(i%5)/4, KnownShare: 0.999}
		switch i {
		case 20:
			p.Value, p.Signals = 9.5, []string{"beyond the limits"}
		case 25:
			p.LeftOut, p.LeftOutWhy = true, "not over yet"
		}
		out = append(out, p)
	}
	return out, &pb.XmrLimits{Ok: true, Center: 6.5, Low: 4.2, High: 8.8, MeanRange: 0.9, N: 25, Method: "individuals chart, 2.66 mean moving ranges (NIST/SEMATECH e-Handbook 6.3.2.2)"}
}

func (f *fake) ListLossSeries(_ context.Context, r *pb.ListLossSeriesRequest) (*pb.ListLossSeriesResponse, error) {
	out := &pb.ListLossSeriesResponse{AsOf: f.asOf(), Period: r.Period}
	if f.mood == "silent" {
		return out, nil
	}
	for _, s := range [][2]string{{"oee", "OEE"}, {"cleaning", "cleaning"}, {"dirt", "dirt"}} {
		p, l := points()
		out.Series = append(out.Series, &pb.LossSeries{Series: s[0], Name: s[1], Points: p, Limits: l})
	}
	out.Changes = []*pb.SeriesChange{{Series: "cleaning", Name: "cleaning", Key: "2026-W21", Signal: "beyond the limits", Points: 3.0, Money: []*pb.Money{{Currency: "EUR", Amount: "1234.50"}}}}
	return out, nil
}

const caution = "Cleaning a press can hurt people. The maker's manual, the site's lock-out procedure and local code hold."

func (f *fake) ListStationTimes(_ context.Context, r *pb.ListStationTimesRequest) (*pb.ListStationTimesResponse, error) {
	out := &pb.ListStationTimesResponse{AsOf: f.asOf(), Period: r.Period, Zones: []string{"Europe/Berlin"}, Cautions: []string{caution}}
	if f.mood == "silent" {
		return out, nil
	}
	for i, s := range []string{"anilox", "uv-1", "web-cleaner"} {
		x := &pb.StationTime{Station: s, Visits: 300 - int64(i)*146, MedianMinutes: 11.5, P90Minutes: 19.2, MeanMinutes: &pb.Estimate{Value: 12.4, Low: 11.9, High: 13, N: 300, Ok: i < 2}, StandardMinutes: float64(10 - 5*i), OwnExcessMinutes: 420, SavedMinutes: 33, HoursPerMonth: 40 - float64(i), Small: i == 2, Doubtful: 3, LeftOut: 2}
		if r.GroupBy != pb.StationGroup_STATION_GROUP_UNSPECIFIED {
			x.Key = map[pb.StationGroup]string{pb.StationGroup_STATION_GROUP_PRESS: "rhein/p1", pb.StationGroup_STATION_GROUP_KIND: "flexo-430", pb.StationGroup_STATION_GROUP_PLANT: "rhein", pb.StationGroup_STATION_GROUP_OCCASION: "startup", pb.StationGroup_STATION_GROUP_SHIFT: "early"}[r.GroupBy]
		}
		out.Stations = append(out.Stations, x)
		out.Ranks = append(out.Ranks, &pb.StationRank{Station: s, HoursPerMonth: x.HoursPerMonth, ExcessHoursPerMonth: 7, ByHours: int32(i + 1), ByExcess: int32(i + 1)})
	}
	out.Refused = []string{"shift night: fewer than 20 sessions"}
	out.Reconciliation = &pb.Reconciliation{OwnExcessMinutes: 1260, SavedMinutes: 99, OverrunMinutes: 1161, ClosingMinutes: 20}
	return out, nil
}

func (f *fake) ListStationTrend(_ context.Context, r *pb.ListStationTrendRequest) (*pb.ListStationTrendResponse, error) {
	out := &pb.ListStationTrendResponse{AsOf: f.asOf(), Period: r.Period, Notes: []string{"weekly medians"}}
	if f.mood == "silent" {
		return out, nil
	}
	for _, s := range []string{"anilox", "uv-1"} {
		if r.Station == "" || r.Station == s {
			p, l := points()
			out.Stations = append(out.Stations, &pb.StationTrend{Station: s, Points: p, Limits: l, Visits: make([]int64, len(p))})
		}
	}
	return out, nil
}

func (f *fake) ListStandardProposals(_ context.Context, r *pb.ListStandardProposalsRequest) (*pb.ListStandardProposalsResponse, error) {
	out := &pb.ListStandardProposalsResponse{AsOf: f.asOf(), Period: r.Period, Cautions: []string{caution}}
	if f.mood != "silent" {
		out.Proposals = []*pb.StandardProposal{{Kind: "flexo-430", Task: "uv-1-clean", Station: "uv-1", StandardMinutes: 10, ProposalMinutes: &pb.Estimate{Value: 11.8, Low: 11, High: 12.5, N: 240, Ok: true}, Plant: "rhein"},
			{Kind: "flexo-430", Task: "lock-out", Station: "uv-1", StandardMinutes: 4, ProposalMinutes: &pb.Estimate{N: 240}, Refused: "marked safety", Plant: "rhein"}}
	}
	return out, nil
}

func (f *fake) ListSessions(_ context.Context, r *pb.ListSessionsRequest) (*pb.ListSessionsResponse, error) {
	begin := time.Date(2026, 6, 15, 14, 8, 0, 0, time.UTC)
	return &pb.ListSessionsResponse{AsOf: f.asOf(), Period: r.Period, Cautions: []string{caution}, Sessions: []*pb.Session{{Press: "rhein/p1", Session: "s-7", Day: "2026-06-15", Occasion: pb.Occasion_OCCASION_SHUTDOWN, From: ts(begin), To: ts(begin.Add(55 * time.Minute)),
		AllowanceMs: 33 * 60000, ElapsedMs: 55 * 60000, OverrunMs: 22 * 60000, ClosingMs: 6 * 60000, InterruptionMs: 60000, HandedBack: true, ToolsCountedOut: true, GuardsRestored: true, Zone: "Europe/Berlin",
		Visits: []*pb.Visit{{Station: "uv-1", Task: "uv-1-clean", From: ts(begin), To: ts(begin.Add(20 * time.Minute)), TimeMs: 20 * 60000, StandardMs: 10 * 60000, Mark: "batch"}, {Station: "anilox", Task: "anilox-clean", To: ts(begin.Add(33 * time.Minute)), TimeMs: 13 * 60000}}}}}, nil
}

func (f *fake) ListEvents(_ context.Context, r *pb.ListEventsRequest) (*pb.ListEventsResponse, error) {
	e := &pb.StoredEvent{Id: "rhein/p1/000000000000002a/17", Event: &pb.Event{OccurredAt: r.From, Body: &pb.Event_Slice{Slice: &pb.Slice{From: r.From, To: ts(r.From.AsTime().Add(time.Minute)), State: pb.State_STATE_DOWN, Reason: "uv-dirt", WasteMm: 1500}}}}
	n := &pb.StoredEvent{Id: "rhein/p1/000000000000002a/18", Voided: true, Event: &pb.Event{OccurredAt: r.From, Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Station: "uv-1", Crew: "secret-crew", Note: "secret note", Outcome: pb.Outcome_OUTCOME_CLEANED}}}}
	return &pb.ListEventsResponse{Events: []*pb.StoredEvent{e, n}, AsOf: f.asOf()}, nil
}

func (f *fake) WatchSessions(r *pb.WatchSessionsRequest, out pb.CleaningService_WatchSessionsServer) error {
	m := &pb.WatchSessionsResponse{AsOf: f.asOf()}
	if f.mood == "down" {
		return status.Error(codes.Unavailable, "the warehouse is not reached")
	}
	if f.mood != "silent" && f.mood != "bare" {
		m.Sessions = []*pb.OpenSession{{Press: "rhein/p3", Session: "s-9", Occasion: pb.Occasion_OCCASION_STARTUP, From: ts(at.Add(-20 * time.Minute))}}
	}
	if err := out.Send(m); err != nil {
		return err
	}
	<-out.Context().Done()
	return nil
}

func (f *fake) GetStatus(_ context.Context, r *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	out := &pb.GetStatusResponse{AsOf: f.asOf()}
	f.mu.Lock()
	defer f.mu.Unlock()
	for i, id := range []string{"rhein/p1", "rhein/p2", "rhein/p3", "ohio/p1"} {
		p := &pb.PressStatus{Press: id}
		if f.mood != "silent" {
			p.Frontier, p.State, p.StateSince, p.StateJob = ts(at.Add(-time.Duration(i)*3*time.Hour)), pb.State_STATE_WAITING, ts(at.Add(-10*time.Hour)), "J1"
			if i == 0 {
				p.State = f.state
			}
		}
		out.Presses = append(out.Presses, p)
	}
	return out, nil
}

func counts(n int64) *pb.DutyCounts {
	return &pb.DutyCounts{OnTime: 9 * n, Late: n / 2, Missed: n, Skipped: n / 3, NotRequired: 2, Unknown: 1, Open: 1, Compliance: &pb.Estimate{Value: 0.85, Low: 0.82, High: 0.88, N: 11 * n, Ok: n > 0}}
}

func (f *fake) GetCompliance(_ context.Context, r *pb.GetComplianceRequest) (*pb.GetComplianceResponse, error) {
	out := &pb.GetComplianceResponse{AsOf: f.asOf(), Period: r.Period, Cautions: []string{caution}, Total: &pb.ComplianceRow{Counts: &pb.DutyCounts{}}}
	if f.mood == "silent" {
		return out, nil
	}
	if r.Cells && f.mood == "long" {
		return nil, status.Error(codes.ResourceExhausted, "the heat map has more than 10000 cells: narrow the period or the scope")
	}
	out.Total.Counts = counts(60)
	presses := r.GetScope().GetPresses()
	if len(presses) == 0 {
		presses = []string{"ohio/p1", "rhein/p1", "rhein/p2"}
	}
	n := 0
	for _, p := range presses {
		for _, s := range []string{"anilox", "uv-1", "web-cleaner"} {
			for d := range 28 {
				out.Cells = append(out.Cells, &pb.DutyCell{Press: p, Station: s, Day: time.Date(2026, 6, 1+d, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), Outcome: pb.DutyOutcome(n%7 + 1), Duties: 1})
				n++
			}
		}
	}
	for _, s := range []string{"anilox", "uv-1", "web-cleaner"} {
		out.Rows = append(out.Rows, &pb.ComplianceRow{Key: s, Counts: counts(20), LongestGapHours: 75.5, GapPress: "rhein/p1", GapStation: s, GapCut: true})
	}
	return out, nil
}

func (f *fake) ListDueDuties(_ context.Context, r *pb.ListDueDutiesRequest) (*pb.ListDueDutiesResponse, error) {
	out := &pb.ListDueDutiesResponse{AsOf: f.asOf(), Cautions: []string{caution, "UV lamps: light from a lamp hurts eyes and skin."}, OrderRule: "Overdue first: safety tasks, then by what can hurt.", Hours: r.Hours}
	p := &pb.PressDueDuties{Press: "rhein/p1", Name: "Press 1", Zone: "Europe/Berlin"}
	if f.mood != "silent" {
		p.Frontier = ts(at)
		p.Duties = []*pb.DueDuty{{Task: "uv-1-clean", Station: "uv-1", StationName: "UV unit 1", Text: "Wipe the lamp's window", DueAt: ts(at.Add(-5 * time.Hour)), OverdueMs: 5 * 3600000, MissedInRow: 2, StandardMinutes: 10, Hazards: []pb.Hazard{pb.Hazard_HAZARD_UV, pb.Hazard_HAZARD_HOT_SURFACE}, Isolate: true, Safety: true},
			{Task: "anilox-clean", Station: "anilox", DueAt: ts(at.Add(5 * time.Hour)), Expected: true, Clock: "41 of 60 km", StandardMinutes: 15}}
		p.AtJobChange = []*pb.DueDuty{{Task: "web-cleaner-wipe", Station: "web-cleaner", Hazards: []pb.Hazard{pb.Hazard_HAZARD_NIP}}}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.done {
		p.Duties = p.Duties[1:]
	}
	out.Presses = []*pb.PressDueDuties{p}
	if f.mood == "many" { // what was asked for, and nothing else
		out.Presses = nil
		ids := r.GetScope().GetPresses()
		if len(ids) == 0 {
			ids = []string{"ohio/p1", "ohio/p2", "ohio/p3"}
		}
		for _, id := range ids {
			x := proto.CloneOf(p)
			x.Press = id
			out.Presses = append(out.Presses, x)
		}
	}
	return out, nil
}

func (f *fake) WatchDueDuties(r *pb.WatchDueDutiesRequest, out pb.DutyService_WatchDueDutiesServer) error {
	if f.mood == "down" {
		return status.Error(codes.Unavailable, "the warehouse is not reached")
	}
	var last *pb.ListDueDutiesResponse
	for out.Context().Err() == nil {
		f.mu.Lock()
		cut := f.cut
		f.mu.Unlock()
		if cut {
			return status.Error(codes.Unavailable, "this api is stopping: connect again")
		}
		now, err := f.ListDueDuties(out.Context(), &pb.ListDueDutiesRequest{Scope: r.Scope, Hours: r.Hours})
		if err != nil {
			return err
		}
		if last == nil || !proto.Equal(last, now) {
			if err := out.Send(&pb.WatchDueDutiesResponse{Due: now}); err != nil {
				return err
			}
			last = now
		}
		time.Sleep(20 * time.Millisecond)
	}
	return nil
}

func (f *fake) ListDuties(_ context.Context, r *pb.ListDutiesRequest) (*pb.ListDutiesResponse, error) {
	out := &pb.ListDutiesResponse{AsOf: f.asOf(), Period: r.Period}
	if f.mood != "silent" {
		out.Duties = []*pb.Duty{{Press: "rhein/p1", Day: "2026-06-15", Task: "uv-1-clean", Station: "uv-1", DueAt: ts(at.AddDate(0, 0, -13)), Outcome: r.Outcome, Hazards: []pb.Hazard{pb.Hazard_HAZARD_UV}, Isolate: true, ThirdSkip: true}}
		out.NextPageToken = "next"
	}
	return out, nil
}

const studyID = "01a21c92-6d4f-7bd4-9e42-12ccb0b4ebfe"

func (f *fake) study(id string) *pb.Study {
	x := &pb.Study{Id: id, Spec: &pb.StudySpec{Title: "Does a missed clean go with waste?", Scope: &pb.Scope{Plants: []string{"rhein"}}, Period: &pb.Period{FirstDay: "2025-12-29", LastDay: "2026-06-28"}}, State: pb.StudyState_STUDY_STATE_DONE, CreatedAt: ts(at), Version: "v0",
		DataSha256: strings.Repeat("ab", 32), ResultSha256: strings.Repeat("cd", 32), Sentences: []string{"1344 of 1524 press-days were compared.", "No difference was seen. Differences up to 10.5 m are not ruled out.", "Runs that started with uv-1 not cleaned wasted 26.6 m more (13.7 to 39.0 m, 95 %) than runs that started clean.", "It does not show that the clean would have avoided it."}, Cautions: []string{caution}, DataNotes: []string{"179 runs of 12 presses"}, Predecessors: []string{"01a21c92-0000-7000-8000-000000000001"}}
	x.Findings = []*pb.StationFinding{{Station: "uv-1", Meters: &pb.Estimate{Value: 26.6, Low: 13.7, High: 39, N: 179, Ok: true}, RateRatio: &pb.Estimate{Value: 1.5, Low: 1.3, High: 1.8, Ok: true}, PAdjusted: 0.0002, Grade: 3, NotCleanedRows: 179, Presses: 12, DetectableMeters: 18, Sentence: x.Sentences[2] + " " + x.Sentences[3]},
		{Station: "anilox", Meters: &pb.Estimate{Value: -1.2, Low: -8.3, High: 10.5, Ok: true}, PAdjusted: 0.99, Grade: 1, Sentence: x.Sentences[1]}, {Station: "web-cleaner", Meters: &pb.Estimate{}}}
	return x
}

func (f *fake) ListStudies(context.Context, *pb.ListStudiesRequest) (*pb.ListStudiesResponse, error) {
	if f.mood == "silent" {
		return &pb.ListStudiesResponse{}, nil
	}
	failed := f.study("01a21c92-0000-7000-8000-000000000001")
	failed.State, failed.Error = pb.StudyState_STUDY_STATE_FAILED, "fewer than 20 rows"
	return &pb.ListStudiesResponse{Studies: []*pb.Study{f.study(studyID), failed}, NextPageToken: "older"}, nil
}

func (f *fake) GetStudy(_ context.Context, r *pb.GetStudyRequest) (*pb.GetStudyResponse, error) {
	x := f.study(r.Id)
	switch r.Id {
	case "going":
		select {
		case <-f.release:
		default:
			x.State, x.Findings, x.Sentences = pb.StudyState_STUDY_STATE_RUNNING, nil, nil
		}
	case "01a21c92-0000-7000-8000-000000000001":
		x.State, x.Error, x.Findings = pb.StudyState_STUDY_STATE_FAILED, "fewer than 20 rows", nil
	case studyID:
	default:
		return nil, status.Error(codes.NotFound, "study "+r.Id+" is not kept")
	}
	return &pb.GetStudyResponse{Study: x}, nil
}

func (f *fake) CreateStudy(_ context.Context, r *pb.CreateStudyRequest) (*pb.CreateStudyResponse, error) {
	if r.Spec.Period.FirstDay > r.Spec.Period.LastDay {
		return nil, status.Error(codes.InvalidArgument, "spec.period.last_day: is before first_day")
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.made = append(f.made, r.Spec)
	return &pb.CreateStudyResponse{Study: &pb.Study{Id: "going"}}, nil
}

func (f *fake) WatchStudy(r *pb.WatchStudyRequest, out pb.StudyService_WatchStudyServer) error {
	if err := out.Send(&pb.WatchStudyResponse{State: pb.StudyState_STUDY_STATE_RUNNING, Done: 1234, Total: 9999}); err != nil {
		return err
	}
	select {
	case <-f.release:
		return out.Send(&pb.WatchStudyResponse{State: pb.StudyState_STUDY_STATE_DONE, Done: 9999, Total: 9999})
	case <-out.Context().Done():
		return nil
	}
}

func (f *fake) GetStudyPlot(_ context.Context, r *pb.GetStudyPlotRequest) (*pb.GetStudyPlotResponse, error) {
	if r.Plot == pb.StudyPlot_STUDY_PLOT_EVENT {
		return nil, status.Error(codes.FailedPrecondition, "there is nothing to draw: fewer than 20 events")
	}
	return &pb.GetStudyPlotResponse{Data: []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="400" height="200" viewBox="0 0 400 200"><style>rect{fill:#1f6f9c}</style><rect x="20" y="20" width="300" height="40"/></svg>`), MediaType: "image/svg+xml", Description: "uv-1 lies to the right of no difference."}, nil
}

func (f *fake) GetStudyReport(context.Context, *pb.GetStudyReportRequest) (*pb.GetStudyReportResponse, error) {
	return &pb.GetStudyReportResponse{Html: []byte("<!doctype html><html lang=en><title>Report</title><style>h1{color:green}</style><h1>Report</h1>")}, nil
}
