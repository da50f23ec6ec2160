package method

import (
	"fmt"
	"math"
)

// groups returns the first place of each group in order, the end last.
func (j *job) groups() ([]int, error) {
	_, code, err := j.codes(j.roles.Group)
	if err != nil {
		return nil, err
	}
	start := []int{0}
	for i := 1; i < len(code); i++ {
		if code[i] != code[i-1] {
			start = append(start, i)
		}
	}
	return append(start, len(code)), nil
}

// together fits terms of several lags at once, with a band over all of them. A
// fit that had to drop one is refused with few: a band with holes says nothing.
func (j *job) together(terms []term, few string) (*fitted, error) {
	d, err := j.design(terms)
	if err != nil {
		return nil, err
	}
	f, err := j.fit(d, j.opt.Model)
	if err != nil {
		return nil, err
	}
	j.describe(f)
	if err := j.estimates(f, d); err != nil {
		return nil, err
	}
	if len(j.out.Estimates) < len(terms) {
		return nil, tooFew("%s", few)
	}
	return f, j.bands(f, j.out.Estimates, f.column)
}

func runLags(j *job) error {
	terms, err := j.terms(j.roles.Exposure)
	if err != nil {
		return err
	}
	start, err := j.groups()
	if err != nil {
		return err
	}
	var lagged []term
	for _, t := range terms {
		for lag := range j.opt.Lags + 1 {
			x := term{name: t.name, lag: whole(lag), v: make([]float64, len(t.v))}
			for g := range len(start) - 1 {
				for i := start[g]; i < start[g+1]; i++ {
					if x.v[i] = math.NaN(); i-lag >= start[g] {
						x.v[i] = t.v[i-lag]
					}
				}
			}
			lagged = append(lagged, x)
		}
	}
	f, err := j.together(lagged, "not every lag can be told from the rest: fewer lags, or more rows")
	if err != nil {
		return err
	}
	for k, t := range terms {
		sum := map[int]float64{}
		for lag := range j.opt.Lags + 1 {
			sum[f.column[k*(j.opt.Lags+1)+lag]] = 1
		}
		value, se, err := f.robust.Combination(sum, f.kind)
		if err != nil {
			return err
		}
		e, err := j.estimateOf(f, term{name: t.name + ", sum over lags"}, value, se)
		if err != nil {
			return err
		}
		j.out.Sums = append(j.out.Sums, e)
	}
	return nil
}

const (
	leastEvents   = 5 // events an event study needs
	leastClusters = 3 // clusters with an event
)

// events lists, per group, the places of events, and the places whose exposure
// is unknown.
func (j *job) events(x []float64, start []int) (at [][]int, n int, err error) {
	for g := range len(start) - 1 {
		var list []int
		for i := start[g] + 1; i < start[g+1]; i++ {
			if v := x[i]; !math.IsNaN(v) && v != 0 && v != 1 {
				return nil, 0, input("the exposure of an event study is 0 or 1; it has %v", v)
			}
			if j.opt.Align == "end" {
				if x[i] == 0 && x[i-1] == 1 {
					list = append(list, i)
				}
				continue
			}
			clean := x[i] == 1 && i-j.opt.Washout >= start[g]
			for k := 1; clean && k <= j.opt.Washout; k++ {
				clean = x[i-k] == 0
			}
			if clean {
				list = append(list, i)
			}
		}
		at, n = append(at, list), n+len(list)
	}
	return at, n, nil
}

func runEvents(j *job) error {
	terms, err := j.numeric()
	if err != nil {
		return err
	}
	if len(terms) != 1 {
		return input("takes one exposure of 0 and 1")
	}
	start, err := j.groups()
	if err != nil {
		return err
	}
	x := terms[0].v
	at, n, err := j.events(x, start)
	if err != nil {
		return err
	}
	with := 0
	for _, l := range at {
		if len(l) > 0 {
			with++
		}
	}
	if n < leastEvents || with < leastClusters {
		return tooFew("%d events in %d groups; %d in %d needed", n, with, leastEvents, leastClusters)
	}
	var window []term
	for k := -j.opt.Leads; k <= j.opt.Lags; k++ {
		if k == -1 {
			continue
		}
		t := term{name: terms[0].name, lag: whole(k), v: make([]float64, len(x))}
		for g, list := range at {
			for i := start[g]; i < start[g+1]; i++ {
				for _, e := range list {
					if since := i - e; since == k || k == -j.opt.Leads && since < k || k == j.opt.Lags && since > k {
						t.v[i]++
					}
				}
				if math.IsNaN(x[i]) {
					t.v[i] = math.NaN()
				}
			}
		}
		window = append(window, t)
	}
	f, err := j.together(window, "not every row around the events can be told from the rest: fewer leads and lags, or more events")
	if err != nil {
		return err
	}
	j.figure("events", float64(n))
	j.figure("groups with an event", float64(with))
	j.note("Row −1, the last before the event, is what the others are compared with; the first and the last term take all rows beyond.")
	return j.past(f)
}

// past tests the terms before the event jointly.
func (j *job) past(f *fitted) error {
	var column []int
	top, least := 0.0, 1.0
	for i, e := range j.out.Estimates {
		if *e.Lag < 0 {
			column = append(column, f.column[i])
			top, least = max(top, math.Abs(*e.Statistic)), min(least, *e.P)
		}
	}
	sup, err := j.supT(f, column)
	if err != nil {
		return fmt.Errorf("test of the past: %w", err)
	}
	j.out.Tests = append(j.out.Tests, Test{Name: "no difference before the event", Statistic: top, P: sup.P(least),
		Note: "largest |t| of the terms before the event; a flat past is not a proof"})
	return nil
}
