// Package clock is an agent's clock: monotonic, anchored to the machine's wall
// clock.
//
// It promises: between two steps it never goes back and runs at 0.99 to 1.01
// of the monotonic rate. Where the wall clock is up to five minutes away it is
// approached at that rate (five minutes in 8 h 20 min); where it is further
// away the clock is set to it at once, and the step is told.
package clock

import (
	"sync"
	"time"
)

// MaxSlew is the largest difference that is slewed; more is a step.
const MaxSlew = 5 * time.Minute

// slewPart of the time that passes is the most a slew adds or takes.
const slewPart = 100

// Step of the clock from Before to After.
type Step struct {
	Before, After time.Time
}

// Source of time: the wall clock, and a clock that never steps.
type Source func() (wall time.Time, mono time.Duration)

// Machine is this computer's clocks.
func Machine() Source { return From(time.Now) }

// From takes the wall clock from a function, the other from this computer.
func From(wall func() time.Time) Source {
	start := time.Now()
	return func() (time.Time, time.Duration) { return wall().Round(0), time.Since(start) }
}

// Clock of an agent. The methods may be called by several goroutines.
type Clock struct {
	src Source

	mu    sync.Mutex
	begun bool
	at    time.Time     // what the clock showed
	mono  time.Duration // when it did
	steps []Step
}

// New clock, anchored at the first call of Now.
func New(src Source) *Clock { return &Clock{src: src} }

// Now by this clock, UTC.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	wall, mono := c.src()
	wall = wall.UTC()
	if !c.begun {
		c.begun, c.at, c.mono = true, wall, mono
		return wall
	}
	passed := max(mono-c.mono, 0)
	c.mono = mono
	now := c.at.Add(passed)
	away := wall.Sub(now)
	if away > MaxSlew || away < -MaxSlew {
		const most = 16 // nobody takes them
		if len(c.steps) < most {
			c.steps = append(c.steps, Step{Before: now, After: wall})
		}
		c.at = wall
		return wall
	}
	c.at = now.Add(min(max(away, -passed/slewPart), passed/slewPart))
	return c.at
}

// Steps since the last call, oldest first.
func (c *Clock) Steps() []Step {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.steps
	c.steps = nil
	return s
}
