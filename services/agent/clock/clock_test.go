package clock_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/services/agent/clock"
)

// fake is a wall clock that is set, slewed and jumped about, over a monotonic
// one.
type fake struct {
	wall time.Time
	mono time.Duration
}

func (f *fake) pass(d time.Duration) { f.wall, f.mono = f.wall.Add(d), f.mono+d }

func start() *fake { return &fake{wall: time.Date(2026, 6, 15, 4, 0, 0, 0, time.UTC)} }

func (f *fake) clock() *clock.Clock {
	return clock.New(func() (time.Time, time.Duration) { return f.wall, f.mono })
}

func TestSlew(t *testing.T) {
	f := start()
	c := f.clock()
	c.Now()
	f.wall = f.wall.Add(-5 * time.Minute) // the machine's clock was 5 minutes fast
	var took time.Duration
	for prev := c.Now(); !c.Now().Equal(f.wall); took += time.Minute {
		f.pass(time.Minute)
		now := c.Now()
		if d := now.Sub(prev); d < 594*time.Second/10 || d > time.Minute {
			t.Fatalf("a minute took %v", d)
		}
		prev = now
		if took > 24*time.Hour {
			t.Fatal("the wall clock was never reached")
		}
	}
	if took != 500*time.Minute || len(c.Steps()) != 0 { // 5 min at one part in a hundred
		t.Fatalf("slewed in %v", took)
	}
}

func TestStep(t *testing.T) {
	for _, by := range []time.Duration{5*time.Minute + time.Second, -5*time.Minute - time.Second, 24 * time.Hour, -24 * time.Hour, -56 * 365 * 24 * time.Hour, 80 * 365 * 24 * time.Hour} {
		f := start()
		c := f.clock()
		c.Now()
		f.pass(time.Second)
		f.wall = f.wall.Add(by)
		if now := c.Now(); !now.Equal(f.wall) {
			t.Fatalf("%v: %v, want %v", by, now, f.wall)
		}
		s := c.Steps()
		if len(s) != 1 || s[0].After.Sub(s[0].Before) != by || !s[0].After.Equal(f.wall) || len(c.Steps()) != 0 {
			t.Fatalf("%v: steps %v", by, s)
		}
	}
}

// TestProperties: between steps the clock never goes back and keeps its rate;
// after a step it shows the wall clock; it is never further from it than
// MaxSlew.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := start()
		c := f.clock()
		prev := c.Now()
		for range 50 {
			d := time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "pass"))
			f.pass(d)
			if rapid.IntRange(0, 3).Draw(t, "set") == 0 {
				f.wall = f.wall.Add(time.Duration(rapid.Int64Range(-int64(10*time.Minute), int64(10*time.Minute)).Draw(t, "by")))
			}
			now := c.Now()
			if away := f.wall.Sub(now); away > clock.MaxSlew || away < -clock.MaxSlew {
				t.Fatalf("%v from the wall clock", away)
			}
			if s := c.Steps(); len(s) > 0 {
				if !now.Equal(f.wall) {
					t.Fatalf("after a step %v, want %v", now, f.wall)
				}
			} else if p := now.Sub(prev); p < d-d/100 || p > d+d/100 {
				t.Fatalf("%v passed as %v", d, p)
			}
			prev = now
		}
	})
}

func TestOffset(t *testing.T) {
	var o clock.Offset
	if _, ok := o.Median(); ok {
		t.Fatal("known before the first answer")
	}
	at := time.Date(2026, 6, 15, 4, 0, 0, 0, time.UTC)
	add := func(rtt, server time.Duration) { o.Add(at, at.Add(rtt), at.Add(server)) }
	add(100*time.Millisecond, 3050*time.Millisecond)
	if d, _ := o.Median(); d != 3*time.Second {
		t.Fatalf("%v", d)
	}
	for i := range 20 { // every third answer is slow on its way back
		if i%3 == 0 {
			add(2*time.Second, 20*time.Millisecond)
		} else {
			add(40*time.Millisecond, 20*time.Millisecond)
		}
	}
	if d, _ := o.Median(); d != 0 {
		t.Fatalf("%v", d)
	}
}
