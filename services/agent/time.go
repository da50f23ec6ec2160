package agent

import (
	"context"
	"time"

	"github.com/downweb/downweb/services/agent/clock"
)

// step of the agent's clock, and the instant it is filed under.
type step struct {
	clock.Step
	at time.Time
}

// watchClock looks at the clock every second, tells its steps, and raises an
// alarm while the server's is more than two seconds away.
func (a *Agent) watchClock(ctx context.Context, steps chan<- step) {
	log := a.cfg.Log
	for sleep(ctx, time.Second) {
		a.clock.Now()
		for _, s := range a.clock.Steps() {
			log.Error("the clock was set", "before", s.Before, "after", s.After, "by", s.After.Sub(s.Before))
			offset, known := a.offset.Median()
			at := filedUnder(s, offset, known)
			a.offset.Forget()
			select {
			case steps <- step{s, at}:
			case <-ctx.Done():
				return
			}
		}
		offset, known := a.offset.Median()
		far := known && (offset > clock.AlarmOffset || offset < -clock.AlarmOffset)
		if far != a.counts.clockAlarm.Swap(far) {
			if far {
				log.Error("the clock is not the server's", "offset", offset)
			} else {
				log.Info("the clock is the server's again", "offset", offset)
			}
		}
	}
}

// filedUnder is the side of a step that is nearer the truth: the server's
// clock where it is known (offset, against the clock before the step), else
// before, unless that is a year in which no agent ran.
func filedUnder(s clock.Step, offset time.Duration, known bool) time.Time {
	if known {
		server := s.Before.Add(offset)
		if s.After.Sub(server).Abs() < s.Before.Sub(server).Abs() {
			return s.After
		}
		return s.Before
	}
	if s.Before.Year() < 2020 {
		return s.After
	}
	return s.Before
}
