package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/downweb/downweb/services/fleetsim"
)

// simFeed is the simulated fleet as an agent's source: the JSON Lines of all presses, day by day. It is the same
// bytes at every start, so an agent that was killed goes on where it had got to.
type simFeed struct {
	ctx   context.Context
	fleet *fleet
	live  *livePace // nil: the history, which ends with the sim's last day

	days  chan []byte // made ahead
	err   error       // of the maker, valid when days is closed
	start sync.Once
	skip  int64 // bytes an earlier run has taken

	buf   []byte
	mid   bool         // buf begins inside a line
	lines atomic.Int64 // handed out
	day   atomic.Int32 // the last day begun
}

// fleet is a sim and the day that comes next. One feed after the other uses it.
type fleet struct {
	*fleetsim.Sim
	next fleetsim.Day
}

func newFleet(cfg fleetsim.Config) (*fleet, error) {
	s, err := fleetsim.New(cfg)
	if err != nil {
		return nil, usagef("sim: %w", err)
	}
	return &fleet{s, s.First()}, nil
}

// nextDay writes the lines of all presses for the next day.
func (f *fleet) nextDay(w io.Writer) error {
	for i := range f.Len() {
		if _, err := f.Day(i, f.next, w); err != nil {
			return err
		}
	}
	f.next++
	return nil
}

// newHistory is the feed of the days up to the sim's last.
func newHistory(ctx context.Context, f *fleet) *simFeed {
	return &simFeed{ctx: ctx, fleet: f, days: make(chan []byte, 2)}
}

// newLive is the feed of the days after the sim's last, speed simulated seconds a second.
func newLive(ctx context.Context, f *fleet, speed float64) *simFeed {
	return &simFeed{ctx: ctx, fleet: f, days: make(chan []byte, 2), live: &livePace{speed: speed, now: time.Now}}
}

// Resume makes the next Read go on after the first offset bytes.
func (f *simFeed) Resume(offset int64) error { f.skip = offset; return nil }

func (f *simFeed) make() {
	defer close(f.days)
	skip := f.skip
	for f.live != nil || f.fleet.next <= f.fleet.Last() {
		var b bytes.Buffer
		day := f.fleet.next
		if f.err = f.fleet.nextDay(&b); f.err != nil {
			return
		}
		text := b.Bytes()
		if f.live != nil {
			if day <= f.fleet.Last() { // only to have the fleet as the history left it
				continue
			}
			text = inOrder(text)
		}
		f.day.Store(int32(day))
		if n := min(skip, int64(len(text))); n > 0 {
			f.lines.Add(int64(bytes.Count(text[:n], []byte{'\n'})))
			skip -= n
			text = text[n:]
		}
		select {
		case f.days <- text:
		case <-f.ctx.Done():
			f.err = f.ctx.Err()
			return
		}
	}
}

// Read gives whole lines where p has room for them; a live feed gives them when their time has come.
func (f *simFeed) Read(p []byte) (int, error) {
	f.start.Do(func() { go f.make() })
	for len(f.buf) == 0 {
		select {
		case day, ok := <-f.days:
			if !ok {
				if f.err != nil {
					return 0, f.err
				}
				return 0, io.EOF
			}
			f.buf = day
		case <-f.ctx.Done():
			return 0, f.ctx.Err()
		}
	}
	n := min(len(p), len(f.buf))
	if f.live != nil && !f.mid {
		due, err := f.live.due(f.ctx, f.buf)
		if err != nil {
			return 0, err
		}
		n = min(n, due)
	}
	n = copy(p, f.buf[:n])
	f.lines.Add(int64(bytes.Count(f.buf[:n], []byte{'\n'})))
	f.mid = n > 0 && f.buf[n-1] != '\n'
	f.buf = f.buf[n:]
	return n, nil
}

var recordedAt = []byte(`"recordedAt":"`)

// recorded is when a line was taken down; zero where it does not say.
func recorded(line []byte) time.Time {
	_, rest, ok := bytes.Cut(line, recordedAt)
	if !ok {
		return time.Time{}
	}
	text, _, _ := bytes.Cut(rest, []byte{'"'})
	t, _ := time.Parse(time.RFC3339Nano, string(text))
	return t
}

// inOrder sorts the lines of a day by when they were taken down; lines of one instant keep their order.
func inOrder(text []byte) []byte {
	type timed struct {
		at   time.Time
		line []byte
	}
	var lines []timed
	for line := range bytes.Lines(text) {
		lines = append(lines, timed{recorded(line), line})
	}
	slices.SortStableFunc(lines, func(a, b timed) int { return cmp.Compare(a.at.UnixMilli(), b.at.UnixMilli()) })
	out := make([]byte, 0, len(text))
	for _, l := range lines {
		out = append(out, l.line...)
	}
	return out
}

// livePace lets simulated time run faster than the wall clock until it has caught up with it: speed simulated
// seconds a second, and no pause of the fleet longer than 5 s.
type livePace struct {
	speed float64
	now   func() time.Time
	sim   time.Time // simulated time at wall
	wall  time.Time
}

var errNoTime = errors.New("a simulated line says no time")

// due waits until the first line's time has come and returns how many bytes are due.
func (l *livePace) due(ctx context.Context, buf []byte) (int, error) {
	line := buf
	if i := bytes.IndexByte(buf, '\n'); i >= 0 {
		line = buf[:i+1]
	}
	at := recorded(line)
	if at.IsZero() {
		return 0, errNoTime
	}
	now := l.now()
	if l.sim.IsZero() {
		l.sim, l.wall = at, now
	}
	wait := time.Duration(float64(at.Sub(l.sim)) / l.speed)
	wait = min(wait-now.Sub(l.wall), 5*time.Second)
	wait = max(wait, at.Sub(now)) // never ahead of the wall clock
	if wait > 0 {
		t := time.NewTimer(wait)
		defer t.Stop()
		select {
		case <-t.C:
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
	l.sim, l.wall = at, l.now()
	return len(line), nil
}
