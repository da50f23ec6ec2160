package api

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

type cleaningService struct {
	pb.UnimplementedCleaningServiceServer
	s *Server
}

// bootstrapSeed starts the bootstrap of every mean: the same visits give the
// same interval.
const bootstrapSeed = 1

const msPerMinute = float64(timeline.Minute)

// ListStationTimes returns visit statistics per station against standard, and
// how they add up to the overrun of the loss tree.
func (c *cleaningService) ListStationTimes(ctx context.Context, req *pb.ListStationTimesRequest) (*pb.ListStationTimesResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := c.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.ListStationTimesResponse{Period: req.GetPeriod(), Zones: f.zones(), Cautions: f.planCautions(to)}
	if resp.AsOf, err = c.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	rows, err := c.visits(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	type group struct{ station, key string }
	visits := map[group][]cleaning.Visit{}
	cells := map[string]cleaning.Cells{} // by station, of views by shift name
	for i := range rows {
		r := &rows[i]
		if r.Seq < 0 {
			continue
		}
		g := group{r.Station, visitKey(req.GetGroupBy(), f, r)}
		visits[g] = append(visits[g], f.visit(r))
		if req.GetGroupBy() == pb.StationGroup_STATION_GROUP_SHIFT {
			if cells[g.station] == nil {
				cells[g.station] = cleaning.Cells{}
			}
			cells[g.station][g.key] = append(cells[g.station][g.key], cellEntry(r))
		}
	}
	for _, station := range slices.Sorted(maps.Keys(cells)) {
		for _, key := range slices.Sorted(maps.Keys(cells[station].Refuse(plantOfCell))) {
			delete(visits, group{station, key})
			resp.Refused = append(resp.Refused, fmt.Sprintf("%s on shift %s: fewer than %d badges or %d sessions in it, in all other shifts together, or in what is left out together",
				station, key, cleaning.CellBadges, cleaning.CellSessions))
		}
	}
	groups := make([]group, 0, len(visits))
	for g := range visits {
		groups = append(groups, g)
	}
	if len(groups) > maxRows {
		return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("the answer has %d lines, at most %d are sent: narrow the scope or group by less", len(groups), maxRows))
	}
	slices.SortFunc(groups, func(a, b group) int { return cmp.Or(cmp.Compare(a.station, b.station), cmp.Compare(a.key, b.key)) })
	for _, g := range groups {
		x := cleaning.Summarize(visits[g], bootstrapSeed)
		t := &pb.StationTime{Station: g.station, Key: g.key, Visits: int64(x.Visits), LeftOut: int64(x.LeftOut),
			MedianMinutes: x.Median / msPerMinute, P90Minutes: x.P90 / msPerMinute,
			StandardMinutes: x.Standard / msPerMinute, OwnExcessMinutes: float64(x.Excess) / msPerMinute, SavedMinutes: float64(x.Saved) / msPerMinute,
			TotalHours: float64(x.Total) / float64(timeline.Hour), HoursPerMonth: perMonth(x.Total, from, to), Doubtful: int64(x.Doubtful), Small: x.Small,
			MeanMinutes: &pb.Estimate{N: int64(x.Visits), Method: "bootstrap percentile 95 %"}}
		if x.Visits > 0 {
			t.MeanMinutes.Value, t.MeanMinutes.Low, t.MeanMinutes.High = x.Mean/msPerMinute, x.Low/msPerMinute, x.High/msPerMinute
			t.MeanMinutes.Ok = x.Visits > 1
		}
		resp.Stations = append(resp.Stations, t)
	}
	resp.Reconciliation = reconcile(f, rows)
	resp.Ranks = f.ranks(rows, from, to)
	return resp, nil
}

func visitKey(by pb.StationGroup, f *fleet, r *timeline.StationVisit) string {
	switch by {
	case pb.StationGroup_STATION_GROUP_PRESS:
		return r.Plant + "/" + r.Press
	case pb.StationGroup_STATION_GROUP_KIND:
		if p := f.presses[r.Plant+"/"+r.Press]; p != nil {
			return p.Kind
		}
	case pb.StationGroup_STATION_GROUP_PLANT:
		return r.Plant
	case pb.StationGroup_STATION_GROUP_OCCASION:
		return occasionNames[r.Occasion]
	case pb.StationGroup_STATION_GROUP_SHIFT:
		return f.shiftOf(r)
	}
	return ""
}

var occasionNames = map[timeline.Occasion]string{timeline.OccasionStartup: "startup", timeline.OccasionShutdown: "shutdown",
	timeline.OccasionChangeover: "changeover", timeline.OccasionOnDemand: "on_demand"}

// reconcile ties the stations' time to the overrun of the sessions, group by
// group of overlapping sessions:
//
//	own excess − saved + interruptions = overrun + other overrun − unused allowance
//
// Overrun is that of the loss leaf: of start-up and shut-down sessions. What
// sessions on demand and at a changeover take over their allowance is other
// overrun: in the loss tree it is contamination stop and set-up.
// A visit is compared with its standard shared by the hands planned, closing
// with the time granted to open and close. A standard that was not granted (the
// task was not due) counts as excess too: the session had no time for it. rows
// are in order of their key.
func reconcile(f *fleet, rows []timeline.StationVisit) *pb.Reconciliation {
	var excess, saved, interruption, unused, overrun, other, closing, notGranted int64
	book := func(d int64) {
		excess += max(0, d)
		saved += max(0, -d)
	}
	var g *groupSum
	end := func() {
		if g == nil {
			return
		}
		book(g.closing - g.openClose)
		book(g.standard + g.openClose - g.allowance)
		closing += g.closing - g.openClose
		notGranted += g.standard + g.openClose - g.allowance
		if g.leafless {
			d := g.time + g.closing - g.allowance
			other += max(0, d)
			unused += max(0, -d)
		}
	}
	for i := range rows {
		r := &rows[i]
		p := f.presses[r.Plant+"/"+r.Press]
		if p == nil {
			continue
		}
		if r.Seq < 0 {
			if g == nil || g.press != p || r.SessionFrom >= g.to {
				end()
				g = &groupSum{press: p, hands: int64(p.HandsFor(r.Occasion)), openClose: p.OpenClose,
					leafless: r.Occasion == timeline.OccasionOnDemand || r.Occasion == timeline.OccasionChangeover}
			}
			g.to = max(g.to, r.SessionTo)
			g.allowance += r.Allowance
			g.closing += r.Closing
			if !g.leafless {
				overrun += r.Overrun
				unused += r.Unused
			}
			continue
		}
		if g == nil || g.press != p {
			continue
		}
		own := r.Standard / g.hands
		book(r.Time - own)
		g.standard += own
		g.time += r.Time + r.Interruption
		interruption += r.Interruption
	}
	end()
	m := func(ms int64) float64 { return float64(ms) / msPerMinute }
	return &pb.Reconciliation{OwnExcessMinutes: m(excess), SavedMinutes: m(saved), InterruptionMinutes: m(interruption),
		UnusedAllowanceMinutes: m(unused), OverrunMinutes: m(overrun), OtherOverrunMinutes: m(other),
		ClosingMinutes: m(closing), NotGrantedMinutes: m(notGranted)}
}

// groupSum is one group of overlapping sessions; times are ms.
type groupSum struct {
	press                                   *timeline.Press
	to                                      int64 // unix ms
	hands                                   int64
	leafless                                bool  // its overrun is not the leaf's
	time                                    int64 // visits and interruptions
	openClose, allowance, closing, standard int64
}

// pressChunk is how many presses a paged list reads at once.
const pressChunk = 16

// sessionKey is where a list of sessions has got to.
type sessionKey struct {
	Press   string
	From    int64 // unix ms
	Session string
}

// ListSessions returns sessions by press, start and id. A session belongs to
// the production day it starts on.
func (c *cleaningService) ListSessions(ctx context.Context, req *pb.ListSessionsRequest) (*pb.ListSessionsResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	asks := question(req, func(m proto.Message) {
		r := m.(*pb.ListSessionsRequest)
		r.PageSize, r.PageToken = 0, ""
	})
	token, more, err := parseToken[sessionKey](req.GetPageToken(), asks)
	if err != nil {
		return nil, err
	}
	f, err := c.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.ListSessionsResponse{Period: req.GetPeriod(), Cautions: f.planCautions(to)}
	if resp.AsOf, err = c.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	h, err := c.s.deps.Reader.HandBacks(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	resp.HandBack = &pb.HandBack{Sessions: h.Sessions, NotClosed: h.NotClosed, Tools: h.Tools, Guards: h.Guards, Isolation: h.Isolation}
	size := pageSize(req.GetPageSize())
	presses := f.scope
	if more {
		i, _ := slices.BinarySearch(presses, token.Key.Press)
		presses = presses[i:]
	}
	var keys []sessionKey
	for chunk := range slices.Chunk(presses, pressChunk) {
		rows, err := c.visits(ctx, chunk, from, to)
		if err != nil {
			return nil, err
		}
		byPress := map[string][]*pb.Session{}
		keysOf := map[*pb.Session]sessionKey{}
		opened := map[[2]string]bool{}
		for i := range rows {
			r := &rows[i]
			id := r.Plant + "/" + r.Press
			k := sessionKey{id, r.SessionFrom, r.Session}
			list := byPress[id]
			if r.Seq < 0 {
				x := sessionOf(r)
				x.Zone = f.zoneOf(id)
				x.Reopened = opened[[2]string{id, r.Session}]
				opened[[2]string{id, r.Session}] = true
				if n := len(list); n > 0 && r.SessionFrom < list[n-1].To.AsTime().UnixMilli() {
					x.SameGroup, x.OverrunMs = true, 0
				}
				keysOf[x] = k
				byPress[id] = append(list, x)
			} else if n := len(list); n > 0 && keysOf[list[n-1]] == k {
				list[n-1].Visits = append(list[n-1].Visits, visitOf(r))
				list[n-1].InterruptionMs += r.Interruption
			}
		}
		for _, id := range chunk {
			for _, x := range byPress[id] {
				k := keysOf[x]
				if more && compareSessions(k, token.Key) <= 0 {
					continue
				}
				resp.Sessions = append(resp.Sessions, x)
				keys = append(keys, k)
			}
		}
		if len(resp.Sessions) > size {
			resp.Sessions = resp.Sessions[:size]
			resp.NextPageToken = pageToken[sessionKey]{Key: keys[size-1], Pos: resp.AsOf.Pos, Asks: asks}.String()
			break
		}
	}
	return resp, nil
}

func compareSessions(a, b sessionKey) int {
	return cmp.Or(cmp.Compare(a.Press, b.Press), cmp.Compare(a.From, b.From), cmp.Compare(a.Session, b.Session))
}

func sessionOf(r *timeline.StationVisit) *pb.Session {
	return &pb.Session{Press: r.Plant + "/" + r.Press, Session: r.Session, Day: r.Day.String(), Occasion: pb.Occasion(r.Occasion),
		From: stamp(r.SessionFrom), To: stamp(r.SessionTo), ClosedByRule: r.ClosedByRule, AllowanceMs: r.Allowance,
		ElapsedMs: r.SessionTo - r.SessionFrom, ClosingMs: r.Closing, OverrunMs: overOf(r),
		HandedBack: r.Checks&timeline.CheckStated != 0, ToolsCountedOut: r.Checks&timeline.CheckTools != 0,
		GuardsRestored: r.Checks&timeline.CheckGuards != 0, IsolationRemoved: r.Checks&timeline.CheckIsolation != 0}
}

// overOf is the time of a session over its allowance: of start-up and shut-down
// what the fold booked as overrun; of the others, whose excess is a contamination
// stop or set-up, what they took longer.
func overOf(r *timeline.StationVisit) int64 {
	if r.Occasion == timeline.OccasionStartup || r.Occasion == timeline.OccasionShutdown {
		return r.Overrun
	}
	return max(0, r.SessionTo-r.SessionFrom-r.Allowance)
}

func visitOf(r *timeline.StationVisit) *pb.Visit {
	return &pb.Visit{Station: r.Station, Task: r.Task, From: stamp(r.From), To: stamp(r.To), TimeMs: r.Time, StandardMs: r.Standard, Mark: r.Mark,
		InterruptionMs: r.Interruption, OwnMs: r.Own}
}
