package api

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

type dutyService struct {
	pb.UnimplementedDutyServiceServer
	s *Server
}

// dutyKey is where a list of duties has got to.
type dutyKey struct {
	Press   string
	Day     timeline.Day
	Task    string
	Due     int64 // unix ms
	Cadence timeline.Cadence
}

func compareDuties(a, b dutyKey) int {
	return cmp.Or(cmp.Compare(a.Press, b.Press), cmp.Compare(a.Day, b.Day), cmp.Compare(a.Task, b.Task),
		cmp.Compare(a.Due, b.Due), cmp.Compare(a.Cadence, b.Cadence))
}

// ListDuties returns outcomes by press, day, task and due, counts over the
// whole scope and period, and the cautions to read first.
func (d *dutyService) ListDuties(ctx context.Context, req *pb.ListDutiesRequest) (*pb.ListDutiesResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	asks := question(req, func(m proto.Message) {
		r := m.(*pb.ListDutiesRequest)
		r.PageSize, r.PageToken = 0, ""
	})
	token, more, err := parseToken[dutyKey](req.GetPageToken(), asks)
	if err != nil {
		return nil, err
	}
	f, err := d.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.ListDutiesResponse{Period: req.GetPeriod()}
	if resp.AsOf, err = d.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	counts, err := d.s.deps.Reader.DutyCounts(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	resp.Counts, resp.Stations = countDuties(counts)
	hazards, isolate, err := d.s.deps.Reader.Hazards(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	resp.Cautions = cautions(hazards, isolate)
	size := pageSize(req.GetPageSize())
	presses := f.scope
	if more {
		i, _ := slices.BinarySearch(presses, token.Key.Press)
		presses = presses[i:]
	}
	var keys []dutyKey
	for chunk := range slices.Chunk(presses, pressChunk) {
		rows, err := d.s.deps.Reader.Duties(ctx, chunk, from, to)
		if err != nil {
			return nil, err
		}
		slices.SortStableFunc(rows, func(a, b timeline.DutyRow) int { return compareDuties(keyOfDuty(&a), keyOfDuty(&b)) })
		for i := range rows {
			r := &rows[i]
			k := keyOfDuty(r)
			if o := req.GetOutcome(); o != 0 && r.Outcome != uint8(o) || more && compareDuties(k, token.Key) <= 0 {
				continue
			}
			resp.Duties = append(resp.Duties, dutyOf(r))
			keys = append(keys, k)
		}
		if len(resp.Duties) > size {
			resp.Duties = resp.Duties[:size]
			resp.NextPageToken = pageToken[dutyKey]{Key: keys[size-1], Pos: resp.AsOf.Pos, Asks: asks}.String()
			break
		}
	}
	return resp, nil
}

func keyOfDuty(r *timeline.DutyRow) dutyKey {
	return dutyKey{r.Plant + "/" + r.Press, r.Day, r.Task, r.Due, r.Cadence}
}

func dutyOf(r *timeline.DutyRow) *pb.Duty {
	out := &pb.Duty{Press: r.Plant + "/" + r.Press, Day: r.Day.String(), Task: r.Task, Station: r.Station, Cadence: pb.Cadence(r.Cadence),
		Outcome: pb.DutyOutcome(r.Outcome), Reason: r.Reason, Isolate: r.Isolate, ThirdSkip: r.ThirdSkip}
	for _, at := range []struct {
		ms  int64
		set func(ms int64)
	}{
		{r.Opens, func(ms int64) { out.OpensAt = stamp(ms) }}, {r.Due, func(ms int64) { out.DueAt = stamp(ms) }},
		{r.Closes, func(ms int64) { out.ClosesAt = stamp(ms) }}, {r.DoneAt, func(ms int64) { out.DoneAt = stamp(ms) }},
	} {
		if at.ms != 0 {
			at.set(at.ms)
		}
	}
	for _, h := range r.Hazards {
		out.Hazards = append(out.Hazards, pb.Hazard(h))
	}
	return out
}

// countDuties sums up by station, by name, and in all.
func countDuties(list []DutyCount) (*pb.DutyCounts, []*pb.StationDuties) {
	all := &pb.DutyCounts{}
	by := map[string]*pb.DutyCounts{}
	var names []string
	for _, c := range list {
		if by[c.Station] == nil {
			by[c.Station] = &pb.DutyCounts{}
			names = append(names, c.Station)
		}
		for _, x := range []*pb.DutyCounts{all, by[c.Station]} {
			if n := counter(x, duty.Outcome(c.Outcome)); n != nil {
				*n += c.N
			}
		}
	}
	all.Compliance = compliance(all)
	slices.Sort(names)
	var out []*pb.StationDuties
	for _, n := range names {
		by[n].Compliance = compliance(by[n])
		out = append(out, &pb.StationDuties{Station: n, Counts: by[n]})
	}
	return all, out
}

func counter(c *pb.DutyCounts, o duty.Outcome) *int64 {
	switch o {
	case duty.OnTime:
		return &c.OnTime
	case duty.Late:
		return &c.Late
	case duty.Missed:
		return &c.Missed
	case duty.Skipped:
		return &c.Skipped
	case duty.NotRequired:
		return &c.NotRequired
	case duty.Unknown:
		return &c.Unknown
	case duty.Open:
		return &c.Open
	}
	return nil
}

// compliance is on time ÷ (on time + late + missed + skipped) with Wilson's 95 %
// interval; not ok without such a duty.
func compliance(c *pb.DutyCounts) *pb.Estimate {
	n := c.OnTime + c.Late + c.Missed + c.Skipped
	e := &pb.Estimate{N: n, Method: "Wilson 95 %"}
	iv, err := stats.Wilson(int(c.OnTime), int(n), 0.95)
	if err != nil {
		return e
	}
	e.Value, e.Low, e.High, e.Ok = float64(c.OnTime)/float64(n), iv.Low, iv.High, true
	return e
}
