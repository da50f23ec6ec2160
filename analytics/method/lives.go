package method

import (
	"errors"
	"math"

	"github.com/downweb/downweb/analytics/interval"
	"github.com/downweb/downweb/analytics/stats"
)

// runLives describes lives: the product-limit curve, a Weibull distribution and
// the mean time between failures.
func runLives(j *job) error {
	time, err := j.numbers(j.roles.Outcome)
	if err != nil {
		return err
	}
	event, err := j.numbers(j.roles.Event)
	if err != nil {
		return err
	}
	var lives []interval.Life
	total, failures, missing := 0.0, int64(0), 0
	for i, t := range time {
		e := event[i]
		switch {
		case math.IsNaN(t) || math.IsNaN(e):
			missing++
			continue
		case e != 0 && e != 1:
			return input("%s is 0 or 1; it has %v", j.roles.Event, e)
		}
		if e == 1 {
			failures++
		}
		total += t
		lives = append(lives, interval.Life{Time: t, Failed: e == 1})
	}
	if missing > 0 {
		j.out.LeftOut = []LeftOut{{"life or event is missing", missing}}
	}
	j.out.Rows = len(lives)
	curve, err := interval.KaplanMeier(lives)
	if err != nil {
		return err
	}
	for _, s := range curve {
		e := Estimate{Term: "still good", To: number(s.Time), N: s.AtRisk, Scale: "share", Value: s.Survival}
		if s.Survival > 0 {
			e.SE, e.Low, e.High = number(s.SE), number(s.Low), number(s.High)
		}
		j.out.Estimates = append(j.out.Estimates, e)
	}
	if m, ok := interval.MedianLife(curve); ok {
		j.figure("median life", m)
	} else {
		j.note("Half of the lives are still good at the end of the curve: no median.")
	}
	mean, err := stats.MTBF(total, failures, 0.95)
	if err != nil {
		return err
	}
	j.figure("mean time between failures", mean.Value)
	j.figure("mean time between failures, low", mean.Low)
	j.figure("mean time between failures, high", mean.High)
	w, err := interval.FitWeibull(lives)
	switch {
	case errors.Is(err, stats.ErrTooFew):
		j.note("No Weibull distribution: %v.", err)
		return nil
	case err != nil:
		return err
	}
	j.figure("Weibull shape", w.Beta)
	j.figure("Weibull shape, low", w.BetaLow)
	j.figure("Weibull shape, high", w.BetaHigh)
	j.figure("Weibull scale", w.Eta)
	j.figure("life that 10 % do not reach", w.Quantile(0.1))
	j.figure("log likelihood", w.LogLik)
	j.figure("p of a shape of 1", w.PExponential)
	if failures < interval.MinFailures {
		j.note("Fewer than %d failures: the shape says little.", interval.MinFailures)
	}
	if w.BetaLow <= 1 && w.BetaHigh >= 1 {
		j.note("The interval of the shape includes 1: lives that do not wear cannot be excluded.")
	}
	return nil
}
