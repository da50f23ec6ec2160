package machine

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/downweb/downweb/services/agent/counter"
)

// Sampler takes samples of one press; the agent's Meters is one.
type Sampler interface {
	Sample(counter.Sample) error
}

// Runner reads one machine.
type Runner struct {
	Mapping *Mapping
	Adapter Adapter
	To      Sampler
	// Again, if above 0, repeats the sample held when the machine has told
	// nothing for so long, so that a press that stands still (and tells only
	// changes) makes no gap: it is stopped by a lost connection, and never done
	// where the machine's own clock stamps the samples.
	Again time.Duration
	// Log; nil: none.
	Log *slog.Logger

	mu sync.Mutex
	st Status
}

// Status of a machine.
type Status struct {
	Press, Kind string
	// Samples made, and Lost connections (or deaths told) so far.
	Samples, Lost uint64
	// Why there is no sample now; empty: there is.
	Why string
}

// Status now.
func (r *Runner) Status() Status {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.st
	s.Press, s.Kind = r.Mapping.Press, r.Mapping.Kind()
	return s
}

func (r *Runner) note(f func(*Status)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f(&r.st)
}

// Run reads one machine until ctx ends: see Runner.
func Run(ctx context.Context, m *Mapping, a Adapter, to Sampler, again time.Duration, log *slog.Logger) error {
	return (&Runner{Mapping: m, Adapter: a, To: to, Again: again, Log: log}).Run(ctx)
}

// Run reads until ctx ends and gives the samples on. While a needed signal is
// missing it says so once in the log and gives nothing. It returns an error
// for settings that can never work.
func (r *Runner) Run(ctx context.Context) error {
	m, a, to, again, log := r.Mapping, r.Adapter, r.To, r.Again, r.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	log = log.With("press", m.Press, "machine", m.Kind())
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	type news struct {
		values []Value
		lost   error
	}
	in := make(chan news)
	done := make(chan error, 1)
	send := func(n news) {
		select {
		case in <- n:
		case <-ctx.Done():
		}
	}
	go func() {
		done <- a.Run(ctx, func(v []Value) { send(news{values: v}) }, func(err error) { send(news{lost: err}) })
	}()
	as := NewAssembler(m)
	said := "nothing told yet"
	r.note(func(st *Status) { st.Why = said })
	var tick <-chan time.Time
	if again > 0 && m.Clock != "machine" {
		t := time.NewTicker(again)
		defer t.Stop()
		tick = t.C
	}
	told := false // since the last tick
	sample := func(values []Value) {
		s, why := as.Take(values, time.Now())
		r.note(func(st *Status) { st.Why = why })
		if why != said {
			if said = why; why != "" {
				log.Warn("no samples", "why", why)
			} else {
				log.Info("samples again")
			}
		}
		if why != "" {
			return
		}
		if err := to.Sample(s); err != nil {
			log.Warn("sample left out", "error", err)
			return
		}
		r.note(func(st *Status) { st.Samples++ })
	}
	for {
		select {
		case err := <-done:
			if err != nil {
				return fmt.Errorf("machine of %s: %w", m.Press, err)
			}
			return nil
		case n := <-in:
			if n.lost != nil {
				log.Warn("connection lost", "error", n.lost)
				as.Lost()
				r.note(func(st *Status) { st.Lost++; st.Why = n.lost.Error() })
				continue
			}
			told = true
			sample(n.values)
		case <-tick:
			if !told {
				sample(nil)
			}
			told = false
		}
	}
}
