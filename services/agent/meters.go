package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/downweb/downweb/services/agent/clock"
	"github.com/downweb/downweb/services/agent/counter"
)

// ErrNotRead is returned by Meters.Sample while the agent takes nothing: its
// spool is full. The sample is left out, and the time shows as a gap.
var ErrNotRead = errors.New("the agent does not read: the sample is left out")

// Meters makes slices of one press's live samples. It is the Reader of a
// Source: whoever polls a press gives samples in, the agent reads lines.
//
// A slice comes out when it is whole: when its minute ends, or the state
// changes. What is open when the process ends is given out by Close; after a
// kill it is a gap of at most a minute, and the counters go on from the first
// sample of the next process.
type Meters struct {
	press string
	clk   *clock.Clock
	log   *slog.Logger

	mu      sync.Mutex
	more    *sync.Cond
	maker   *counter.Maker
	lines   []byte
	closed  bool
	reports map[counter.Kind]uint64
	gapMs   int64
}

// mostLines held for an agent that does not read, bytes: about five hours of
// minute slices.
const mostLines = 64 << 10

// NewMeters of a press, plant/press. Samples without an instant are stamped by
// clk (nil: the machine's), whose steps close the open slice.
func NewMeters(press string, cfg counter.Config, clk *clock.Clock, log *slog.Logger) (*Meters, error) {
	if !pressPattern.MatchString(press) {
		return nil, fmt.Errorf("meters: press %q is not plant/press", press)
	}
	maker, err := counter.New(cfg)
	if err != nil {
		return nil, fmt.Errorf("meters of %s: %w", press, err)
	}
	if clk == nil {
		clk = clock.New(clock.Machine())
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	m := &Meters{press: press, clk: clk, log: log, maker: maker, reports: map[counter.Kind]uint64{}}
	m.more = sync.NewCond(&m.mu)
	return m, nil
}

// Sample takes one in; At 0 is now.
func (m *Meters) Sample(s counter.Sample) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return io.ErrClosedPipe
	}
	if len(m.lines) >= mostLines {
		return ErrNotRead
	}
	if s.At == 0 {
		s.At = m.clk.Now().UnixMilli()
		for _, step := range m.clk.Steps() {
			m.give(m.maker.Step(step.Before.UnixMilli(), step.After.UnixMilli()))
		}
	}
	m.give(m.maker.Add(s))
	return nil
}

// give writes slices as lines and counts reports. m.mu is held.
func (m *Meters) give(slices []counter.Slice, reports []counter.Report) {
	plant, press, _ := strings.Cut(m.press, "/")
	for _, s := range slices {
		m.lines = fmt.Appendf(m.lines, `{"plant":%q,"press":%q,"slice":{"from":%q,"to":%q,"state":"STATE_%s","goodMm":"%d","wasteMm":"%d"`,
			plant, press, stampText(s.From), stampText(s.To), s.State, s.Good, s.Waste)
		if s.Job != "" {
			m.lines = append(append(m.lines, `,"job":`...), jsonText(s.Job)...)
		}
		if s.Rated > 0 {
			m.lines = fmt.Appendf(m.lines, `,"ratedMmPerMin":"%d"`, s.Rated)
		}
		m.lines = append(m.lines, "}}\n"...)
	}
	for _, r := range reports {
		m.reports[r.Kind]++
		switch r.Kind {
		case counter.Gap:
			m.gapMs += r.To - r.From
			m.log.Warn("no samples", "press", m.press, "from", stampText(r.From), "to", stampText(r.To), "good_mm", r.Good, "waste_mm", r.Waste)
		case counter.Reset, counter.Jump, counter.Stepped:
			m.log.Warn("counter: "+string(r.Kind), "press", m.press, "from", stampText(r.From), "to", stampText(r.To), "meter", r.Meter)
		}
	}
	m.more.Broadcast()
}

// jsonText is a string of any bytes in JSON.
func jsonText(s string) []byte {
	b, err := json.Marshal(s)
	if err != nil {
		panic(err) // a string
	}
	return b
}

func stampText(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z") }

// Reports so far by kind, and the milliseconds without samples.
func (m *Meters) Reports() (n map[counter.Kind]uint64, gapMs int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	n = make(map[counter.Kind]uint64, len(m.reports))
	for k, v := range m.reports {
		n[k] = v
	}
	return n, m.gapMs
}

// Read gives out lines as they come.
func (m *Meters) Read(p []byte) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for len(m.lines) == 0 {
		if m.closed {
			return 0, io.EOF
		}
		m.more.Wait()
	}
	n := copy(p, m.lines)
	m.lines = append(m.lines[:0], m.lines[n:]...)
	return n, nil
}

// Close gives the open slice out and ends the reading.
func (m *Meters) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.closed {
		m.give(m.maker.Close())
		m.closed = true
		m.more.Broadcast()
	}
	return nil
}
