package cleaning

import (
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
)

// Small is the number of visits under which figures are to be read with care.
const Small = 10

// Resamples of the bootstrap behind a mean's interval.
const Resamples = 1000

// Figures describe the visits of one station or group. Times are milliseconds.
// Batch and shared visits count in Total, Excess and Saved only.
type Figures struct {
	Visits      int // in the median, percentile and mean
	LeftOut     int // batch and shared
	Doubtful    int // under 20 % or over 300 % of standard; counted in
	Small       bool
	Median, P90 float64 // type 7 of Hyndman and Fan (1996)
	Mean        float64
	Low, High   float64 // 95 % percentile bootstrap of the mean; equal to it under 2 visits
	Standard    float64 // mean over the visits that have one, as given; 0: none has
	Excess      int64   // time above standard, over visits that took longer
	Saved       int64   // time below standard, over visits that took less
	Total       int64
}

// Summarize gives the figures of visits in the order given; seed starts the
// bootstrap. The times are the press's (1/n of it where n chains work at once).
// Without visits everything is 0.
func Summarize(visits []Visit, seed uint64) Figures {
	var f Figures
	var x []float64
	var standards, with int64
	for i := range visits {
		v := &visits[i]
		f.Total += v.Time
		if v.Standard > 0 {
			standards += v.Standard
			with++
			f.Excess += max(0, v.Time-v.Standard)
			f.Saved += max(0, v.Standard-v.Time)
		}
		switch v.Mark {
		case MarkBatch, MarkShared:
			f.LeftOut++
			continue
		case MarkDoubtful:
			f.Doubtful++
		}
		x = append(x, float64(v.Time))
	}
	if with > 0 {
		f.Standard = float64(standards) / float64(with)
	}
	f.Visits, f.Small = len(x), len(x) < Small
	if len(x) == 0 {
		return f
	}
	f.Median, _ = stats.Quantile(x, 0.5, stats.Type7)
	f.P90, _ = stats.Quantile(x, 0.9, stats.Type7)
	f.Mean, _ = stats.Mean(x)
	f.Low, f.High = f.Mean, f.Mean
	if m, iv, err := stats.BootstrapMean(x, 0.95, Resamples, seed); err == nil {
		f.Mean, f.Low, f.High = m, iv.Low, iv.High
	}
	return f
}

// Reconciliation ties the time of the stations to the allowance of their
// groups, in milliseconds: Excess − Saved + Interruption + Rounding = Overrun −
// Unused, exactly. Standards count here as far as they were granted,
// divided by the hands, so a station that was not due is all excess.
type Reconciliation struct {
	Excess       int64 // stations and closing above what was granted to them
	Saved        int64 // the same below
	Interruption int64
	Rounding     int64 // of divisions by the hands
	Overrun      int64 // time above the allowance, over groups that took longer
	Unused       int64 // allowance not used
}

// Reconcile compares groups with their visits: groups as Visits left them,
// grants as given to Groups.
func Reconcile(p *timeline.Press, groups []Group, visits []Visit, grants map[timeline.ID]int64) Reconciliation {
	var r Reconciliation
	by := map[string][]int{}
	for i := range visits {
		by[visits[i].Session] = append(by[visits[i].Session], i)
	}
	book := func(d int64) {
		r.Excess += max(0, d)
		r.Saved += max(0, -d)
	}
	for i := range groups {
		g := &groups[i]
		hands := int64(p.HandsFor(g.Occasion))
		var time, granted, closes int64
		for _, s := range g.Sessions {
			closes += s.Closing
			for _, k := range by[s.ID] {
				v := &visits[k]
				if v.To < s.From || v.To > s.To {
					continue // the session was opened again
				}
				own := grants[v.SignOff] / hands
				book(v.Time - own)
				time += v.Time + v.Interruption
				granted += own
				r.Interruption += v.Interruption
			}
		}
		book(closes - p.OpenClose)
		time += closes
		d := time - g.Allowance
		r.Overrun += max(0, d)
		r.Unused += max(0, -d)
		r.Rounding += granted + p.OpenClose - g.Allowance
	}
	return r
}
