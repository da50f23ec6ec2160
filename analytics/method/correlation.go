package method

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/stats"
)

// numeric refuses text columns where only numbers make sense.
func (j *job) numeric() ([]term, error) {
	for _, name := range j.roles.Exposure {
		if _, err := j.numbers(name); err != nil {
			return nil, err
		}
	}
	return j.terms(j.roles.Exposure)
}

func runCorrelation(j *job) error {
	terms, err := j.numeric()
	if err != nil {
		return err
	}
	d, err := j.design(terms)
	if err != nil {
		return err
	}
	var shuffle []stats.ShuffleColumn
	for _, t := range d.terms {
		for lag := range j.opt.Lags + 1 {
			x, y, group := d.lagged(t.v, lag)
			e := Estimate{Term: t.name, Scale: "correlation", N: len(x)}
			if j.opt.Lags > 0 {
				e.Lag = whole(lag)
			}
			if d.group == nil {
				err = j.pooled(&e, x, y)
			} else {
				err = j.within(&e, x, y, group)
				shuffle = append(shuffle, d.standard(j.info.Name, t.v, lag, j.opt.Lags))
			}
			if err != nil {
				return fmt.Errorf("%s, lag %d: %w", t.name, lag, err)
			}
			j.out.Estimates = append(j.out.Estimates, e)
		}
	}
	if d.group == nil {
		j.note("Rows are taken as independent; rows of one press that follow each other rarely are. With a group p comes from rotations.")
		return nil
	}
	if j.info.Name == stats.KindKendall {
		j.note("p is that of rotating ranks, of which Kendall's score is the sum of signs.")
	}
	s, err := stats.ShuffleTest(stats.ShufflePlan{Start: d.start, Draws: j.opt.Draws, Seed: j.opt.Seed}, shuffle)
	if err != nil {
		j.note("No p: %v.", err)
		return nil
	}
	j.shuffled(j.out.Estimates, s)
	return nil
}

// shuffled writes p-values of a permutation test into the estimates.
func (j *job) shuffled(es []Estimate, s *stats.Shuffled) {
	for i := range es {
		es[i].Statistic, es[i].P, es[i].Exact = number(s.T[i]), number(s.P[i]), s.Exact
		if len(es) > 1 {
			es[i].Adjusted = &Adjusted{MaxT: number(s.MaxT[i])}
		}
	}
	how := "drawn at random"
	if s.Exact {
		how = "all there are"
	}
	j.note("%d permutations, %s.", s.Draws, how)
}

// lagged pairs the outcome with the value so many rows before in the group.
func (d *design) lagged(v []float64, lag int) (x, y []float64, group []int) {
	for g := range len(d.start) - 1 {
		for i := d.start[g] + lag; i < d.start[g+1]; i++ {
			x, y, group = append(x, v[i-lag]), append(y, d.y[i]), append(group, g)
		}
	}
	return x, y, group
}

func (j *job) pooled(e *Estimate, x, y []float64) error {
	kind := j.info.Name
	c, err := stats.CorrelationOf(kind, x, y)
	if err != nil {
		return err
	}
	e.Value, e.Statistic, e.P, e.Exact = c.Value, number(c.Statistic), number(c.P), c.Exact
	if c.DF > 0 {
		e.DF = number(c.DF)
	}
	var iv stats.Interval
	if kind == stats.KindPearson {
		iv, err = stats.FisherInterval(c.Value, c.N, j.opt.Level)
	} else {
		iv, err = stats.RankInterval(c.Value, c.N, kind == stats.KindKendall, j.opt.Level)
	}
	if err != nil {
		j.note("No interval for %s: %v.", e.Term, err)
		return nil
	}
	e.Low, e.High = number(iv.Low), number(iv.High)
	return nil
}

func (j *job) within(e *Estimate, x, y []float64, group []int) error {
	w, err := stats.CorrelationWithin(j.info.Name, x, y, group, j.opt.Level)
	if err != nil {
		return err
	}
	e.Value, e.SE, e.DF, e.N = w.Value, number(w.SE), number(w.DF), w.N
	e.Low, e.High = number(w.Range.Low), number(w.Range.High)
	if e.Lag == nil || *e.Lag == 0 {
		if c, err := stats.CorrelationOf(j.info.Name, x, y); err == nil {
			j.figure(e.Term+": pooled over groups, levels not taken out", c.Value)
			if c.Value*w.Value < 0 {
				j.note("%s: pooled over groups the sign is the other one. Groups differ in level; the figure inside groups is the one to read.", e.Term)
			}
		}
	}
	j.out.Clusters = max(j.out.Clusters, w.Groups)
	return nil
}

// standard scales outcome and exposure inside each group to mean 0 and length
// √n, so that the sum of their products is Σ n·r; ranks first for the rank
// correlations. The first rows, which a lag would read around the group's end,
// are 0.
func (d *design) standard(kind string, v []float64, lag, burn int) stats.ShuffleColumn {
	c := stats.ShuffleColumn{R: make([]float64, len(v)), Q: make([]float64, len(v)), Lag: lag}
	for g := range len(d.start) - 1 {
		lo, hi := d.start[g], d.start[g+1]
		for _, s := range []struct{ to, from []float64 }{{c.R[lo:hi], d.y[lo:hi]}, {c.Q[lo:hi], v[lo:hi]}} {
			from := s.from
			if kind != stats.KindPearson {
				from = stats.Ranks(from)
			}
			n := float64(len(from))
			m := stats.Sum(from) / n
			var ss float64
			for _, x := range from {
				ss += float64((x - m) * (x - m))
			}
			if ss <= 0 {
				continue
			}
			for i, x := range from {
				s.to[i] = (x - m) * math.Sqrt(n/ss)
			}
		}
		clear(c.R[lo:min(hi, lo+burn)])
	}
	return c
}

func runPartial(j *job) error {
	terms, err := j.numeric()
	if err != nil {
		return err
	}
	d, err := j.design(terms)
	if err != nil {
		return err
	}
	var controls [][]float64
	for _, c := range d.controls {
		controls = append(controls, c.v)
	}
	for _, t := range d.terms {
		c, err := stats.PartialCorrelation(t.v, d.y, controls, j.opt.Rank)
		if err != nil {
			return fmt.Errorf("%s: %w", t.name, err)
		}
		e := Estimate{Term: t.name, Scale: "partial correlation", N: c.N, Value: c.Value,
			DF: number(c.DF), Statistic: number(c.Statistic), P: number(c.P)}
		if iv, err := stats.FisherInterval(c.Value, c.N-len(controls), j.opt.Level); err == nil {
			e.Low, e.High = number(iv.Low), number(iv.High)
		}
		j.out.Estimates = append(j.out.Estimates, e)
	}
	return nil
}
