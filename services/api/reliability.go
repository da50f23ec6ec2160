package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

const mtbfMethod = "running hours / failures; limits 2T/chi2(0.95; 2r+2) and 2T/chi2(0.05; 2r), 90 %"

const mttrMethod = "minutes down / failures; limits 2T/chi2(0.95; 2r) and 2T/chi2(0.05; 2r), 90 %, if times to restoration are exponential"

var reliabilityNotes = []string{
	"A failure is one stop, from its first minute to its last, that the loss ladder books to contamination stop or other breakdown; one that changes its station counts at each. Planned maintenance, set-up, reel changes and waiting are none.",
	"MTBF = running hours (PRODUCTION, in and out of planned time) / failures. Limits for a constant rate, time-censored, two-sided 90 %: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1. Without a failure: at least -T / ln 0.05, one-sided 95 %, and no mean.",
	"MTTR = minutes down / failures (mean time to restoration, IEC 60050-192). Its limits hold only if times to restoration are exponential.",
	"A station's running time is its press's. Few failures say little: read the limits, not the mean.",
}

// ListReliability returns failures, time between them and time to restoration
// by press and by station of a press.
func (c *cleaningService) ListReliability(ctx context.Context, req *pb.ListReliabilityRequest) (*pb.ListReliabilityResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := c.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.ListReliabilityResponse{Period: req.GetPeriod(), Zones: f.zones(), Notes: reliabilityNotes, Cautions: f.planCautions(to)}
	if resp.AsOf, err = c.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	facts, err := c.s.deps.Reader.FactSums(ctx, "press_station", f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	if resp.Rows = reliability(facts); len(resp.Rows) > maxRows {
		return nil, tooManyRows(len(resp.Rows), "narrow the scope")
	}
	return resp, nil
}

// reliability counts failures by press and station. Keys of facts are
// "plant/press/station", the station may be empty.
func reliability(facts []timeline.FactSum) []*pb.Reliability {
	type sums struct{ failures, dirt, down, run int64 }
	type key struct{ press, station string }
	by := map[key]*sums{}
	of := func(k key) *sums {
		if by[k] == nil {
			by[k] = &sums{}
		}
		return by[k]
	}
	for i := range facts {
		x := &facts[i]
		at := strings.LastIndexByte(x.Key, '/')
		press, station := x.Key[:max(0, at)], x.Key[at+1:]
		whole := of(key{press, ""})
		if x.State == timeline.StateProduction {
			whole.run += x.Dur
			continue
		}
		leaf := loss.Leaf(x.Leaf)
		if leaf != loss.ContaminationStop && leaf != loss.OtherBreakdown {
			continue
		}
		add := []*sums{whole}
		if station != "" {
			add = append(add, of(key{press, station}))
		}
		for _, s := range add {
			s.failures += x.Stops
			s.down += x.Dur
			if leaf == loss.ContaminationStop {
				s.dirt += x.Stops
			}
		}
	}
	var out []*pb.Reliability
	for k, s := range by {
		out = append(out, reliabilityOf(k.press, k.station, s.failures, s.dirt, s.down, by[key{k.press, ""}].run))
	}
	slices.SortFunc(out, func(a, b *pb.Reliability) int {
		return cmp.Or(cmp.Compare(a.Press, b.Press), cmp.Compare(a.Station, b.Station))
	})
	return out
}

func reliabilityOf(press, station string, failures, dirt, down, run int64) *pb.Reliability {
	hours, minutes := float64(run)/float64(timeline.Hour), float64(down)/msPerMinute
	out := &pb.Reliability{Press: press, Station: station, Failures: failures, DirtFailures: dirt, RunHours: hours, DownMinutes: minutes,
		MtbfHours: &pb.Estimate{N: failures, Method: mtbfMethod}, MttrMinutes: &pb.Estimate{N: failures, Method: mttrMethod}}
	if m, err := stats.MTBF(hours, failures, 0.9); err == nil {
		e := out.MtbfHours
		e.Ok, e.Value, e.Low, e.High = true, m.Value, m.Low, m.High
	} else if low, err := stats.MTBFAtLeast(hours, 0.95); err == nil && failures == 0 {
		out.MtbfHours.Method = fmt.Sprintf("no failure: at least %.1f h, -T / ln 0.05, one-sided 95 %%", low)
	}
	if m, err := stats.MeanOfExponential(minutes, failures, 0.9); err == nil {
		e := out.MttrMinutes
		e.Ok, e.Value, e.Low, e.High = true, m.Value, m.Low, m.High
	}
	return out
}
