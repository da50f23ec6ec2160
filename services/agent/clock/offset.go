package clock

import (
	"slices"
	"sync"
	"time"
)

// AlarmOffset from the server's clock is too far.
const AlarmOffset = 2 * time.Second

// Offset of a server's clock against this one, from its answers: the median
// of the last nine, each taken to be made half way between question and
// answer. One slow answer does not move it.
type Offset struct {
	mu     sync.Mutex
	recent []time.Duration
	next   int
}

const recent = 9

// Add an answer that says the server's time, to a question asked at asked and
// answered at answered by this clock.
func (o *Offset) Add(asked, answered, server time.Time) {
	d := server.Sub(asked.Add(answered.Sub(asked) / 2))
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.recent) < recent {
		o.recent = append(o.recent, d)
		return
	}
	o.recent[o.next] = d
	o.next = (o.next + 1) % recent
}

// Forget what was measured: this clock was set.
func (o *Offset) Forget() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.recent, o.next = nil, 0
}

// Median of the recent answers; ok is false before the first. Positive: the
// server is ahead.
func (o *Offset) Median() (d time.Duration, ok bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.recent) == 0 {
		return 0, false
	}
	s := slices.Clone(o.recent)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2, true
	}
	return s[len(s)/2], true
}
