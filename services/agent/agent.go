package agent

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
)

// Agent reads, keeps and sends events of some presses.
type Agent struct {
	cfg    Config
	counts counters

	mu      sync.Mutex
	sp      *spool.Spool
	pushers []*pusher
	nc      *nats.Conn
	last    Status // when Run ended
}

type counters struct {
	accepted, refused, duplicates, retries, lost atomic.Uint64
	offset                                       atomic.Int64
	full                                         atomic.Bool
}

// Status of an agent.
type Status struct {
	// Lines since Run: taken in, refused, and known already.
	Accepted, Refused, Duplicates uint64
	// Over the agent's presses: events on disk or sent so far, acknowledged by
	// the log, confirmed by the warehouse.
	Last, Published, Confirmed uint64
	// Publishes that were tried again; events in damaged blocks.
	Retries, Lost uint64
	// Bytes of events held, and the most that may be.
	SpoolBytes, SpoolMax int64
	// Full: reading has stopped because the spool is full.
	Full bool
	// Connected to the log server.
	Connected bool
	// ClockOffset of the server against this machine; 0 before it is known.
	ClockOffset time.Duration
	Epoch       uint64
	Presses     []PressStatus
}

// PressStatus of one press.
type PressStatus struct {
	Press                               string
	Last, Published, Confirmed, Trimmed uint64
	SpoolBytes                          int64
}

// New agent; it does nothing until Run.
func New(cfg Config) *Agent {
	cfg.defaults()
	return &Agent{cfg: cfg}
}

// Status at the moment; zero before Run, as it was at the end after Run.
func (a *Agent) Status() Status {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.sp == nil {
		return a.last
	}
	return a.status()
}

func (a *Agent) status() Status {
	sp, pushers, nc, c := a.sp, a.pushers, a.nc, &a.counts
	s := Status{
		Accepted: c.accepted.Load(), Refused: c.refused.Load(), Duplicates: c.duplicates.Load(),
		Retries: c.retries.Load(), Lost: c.lost.Load(), Full: c.full.Load(),
		ClockOffset: time.Duration(c.offset.Load()) * time.Millisecond,
		Connected:   nc != nil && nc.IsConnected(),
		Epoch:       sp.Epoch(),
	}
	s.SpoolBytes, s.SpoolMax = sp.Held()
	for _, p := range pushers {
		st := sp.State(p.press.name)
		ps := PressStatus{Press: p.press.name, Last: st.Last, Published: p.published.Load(), Confirmed: p.mark.Load(), Trimmed: st.Trimmed, SpoolBytes: st.Bytes}
		s.Presses = append(s.Presses, ps)
		s.Last += ps.Last
		s.Published += ps.Published
		s.Confirmed += ps.Confirmed
	}
	return s
}

// Run reads the sources and sends what they give until ctx ends; then it
// writes what it has taken in to disk and returns nil. Where no source is
// followed it also ends when all are read and every event is confirmed. It
// returns an error for wrong settings, a source that cannot be read, a spool
// that cannot be used, or events that a damaged spool lost. May be called
// once.
func (a *Agent) Run(ctx context.Context) error {
	cfg := &a.cfg
	if err := cfg.Validate(); err != nil {
		return err
	}
	sp, err := spool.Open(filepath.Join(cfg.SpoolDir, cfg.Name+".db"), spool.Options{MaxBytes: cfg.SpoolMax})
	if err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	defer func() { _ = sp.Close() }()
	if _, err := sp.ForgetKeys(cfg.Clock()); err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	acc, err := newAccepter(sp, cfg.Presses)
	if err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	acc.counts, acc.clock, acc.refuse, acc.alarm = &a.counts, cfg.Clock, a.refuser(), a.alarm

	ctx, stop := context.WithCancel(ctx)
	defer stop()
	g, gctx := errgroup.WithContext(ctx)
	var draining atomic.Bool
	draining.Store(!cfg.follows())
	lost, err := sp.Lost()
	if err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	pushers := a.newPushers(sp, lost, &draining, func(err error) { g.Go(func() error { return err }) })
	a.mu.Lock()
	a.sp, a.pushers = sp, pushers
	a.mu.Unlock()
	acc.committed = func(presses []int) {
		for _, i := range presses {
			signal(pushers[i].wake)
		}
	}

	jobs := a.read(g, gctx, sp)
	g.Go(func() error { return a.send(gctx, pushers) })
	g.Go(func() error {
		if err := acc.run(gctx, jobs); err != nil {
			if ctx.Err() != nil {
				cfg.Log.Warn("agent stopped", "agent", cfg.Name, "err", err)
				return nil // what was not accepted is read again
			}
			return err
		}
		if ctx.Err() != nil || cfg.follows() {
			return nil
		}
		if err := a.confirmed(gctx, sp, pushers); err != nil {
			return err
		}
		stop()
		return nil
	})
	g.Go(func() error { // once a day
		for sleep(gctx, 24*time.Hour) {
			if _, err := sp.ForgetKeys(cfg.Clock()); err != nil {
				cfg.Log.Error("source keys not tidied", "err", err)
			}
		}
		return nil
	})
	err = g.Wait()
	a.mu.Lock()
	a.last = a.status()
	a.sp, a.pushers = nil, nil
	a.mu.Unlock()
	if err != nil && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	return nil
}

// read starts the sources and two parsers. The channel is closed when all
// sources have ended.
func (a *Agent) read(g *errgroup.Group, ctx context.Context, sp *spool.Spool) <-chan job {
	const depth = 4
	work, ordered := make(chan job, depth), make(chan job, depth)
	emit := func(ctx context.Context, j job) error {
		j.items = make(chan []item, 1)
		select {
		case work <- j:
		case <-ctx.Done():
			return ctx.Err()
		}
		select {
		case ordered <- j:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	badges := eventlog.NewBadges(a.cfg.BadgeKeyDir)
	for range 2 {
		g.Go(func() error {
			p := newParser(a.cfg.Presses, a.cfg.FutureLimit, a.cfg.Clock)
			p.crew = badges.Pseudonym
			for j := range work {
				j.items <- j.chunk.parse(p)
			}
			return nil
		})
	}
	var sources sync.WaitGroup
	for _, src := range a.cfg.Sources {
		sources.Add(1)
		g.Go(func() error {
			defer sources.Done()
			f := &feeder{src: src, stored: sp.Position, emit: emit, warn: a.cfg.Log.Warn}
			err := f.run(ctx)
			if errors.Is(err, context.Canceled) {
				return nil
			}
			return err
		})
	}
	go func() {
		sources.Wait()
		close(work)
		close(ordered)
	}()
	return ordered
}

func (a *Agent) newPushers(sp *spool.Spool, lost []spool.CorruptError, draining *atomic.Bool, fail func(error)) []*pusher {
	inFlight := make(chan struct{}, 32)
	var once sync.Once
	out := make([]*pusher, 0, len(a.cfg.Presses))
	for _, name := range splitPresses(a.cfg.Presses) {
		p := &pusher{
			press: name, sp: sp, log: a.cfg.Log, counts: &a.counts, inFlight: inFlight,
			wake: make(chan struct{}, 1), sent: make(chan struct{}, 1),
			fail: func(err error) { once.Do(func() { fail(err) }) },
			markDelay: func() time.Duration {
				if held, most := sp.Held(); draining.Load() || held > most/2 {
					return a.cfg.MarkDelay / 4
				}
				return a.cfg.MarkDelay
			},
			republish: a.cfg.RepublishAfter,
		}
		for _, l := range lost { // found by an earlier run
			if l.Press == name.name {
				p.lost.Add(l.Last - l.First + 1)
				a.counts.lost.Add(l.Last - l.First + 1)
			}
		}
		st := sp.State(name.name)
		p.mark.Store(st.Trimmed)
		p.published.Store(st.Trimmed)
		out = append(out, p)
	}
	return out
}

// send connects and runs the pushers.
func (a *Agent) send(ctx context.Context, pushers []*pusher) error {
	nc := a.cfg.Conn
	if nc == nil {
		var err error
		nc, err = eventlog.ConnectPress(ctx, a.cfg.URL, a.cfg.Password, "agent "+a.cfg.Name, a.cfg.Log)
		if err != nil {
			return nil // ctx has ended
		}
		defer nc.Close()
	}
	a.mu.Lock()
	a.nc = nc
	a.mu.Unlock()
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncTimeout(ackTimeout), jetstream.WithPublishAsyncMaxPending(1024))
	if err != nil {
		return fmt.Errorf("publish: %w", err)
	}
	g, ctx := errgroup.WithContext(ctx)
	for _, p := range pushers {
		g.Go(func() error { return p.publish(ctx, nc, js) })
		g.Go(func() error { return p.marks(ctx, nc) })
	}
	return g.Wait()
}

// confirmed waits until every event of every press is.
func (a *Agent) confirmed(ctx context.Context, sp *spool.Spool, pushers []*pusher) error {
	for {
		open, lost := false, uint64(0)
		for _, p := range pushers {
			last := sp.State(p.press.name).Last
			lost += p.lost.Load()
			// The mark cannot pass what was lost; the rest is at least sent.
			done := p.mark.Load()
			if p.lost.Load() > 0 {
				done = max(done, p.published.Load())
			}
			open = open || done < last
		}
		if !open && lost > 0 {
			return fmt.Errorf("%d events are in damaged spool blocks and were set aside", lost)
		}
		if !open {
			return nil
		}
		if !sleep(ctx, 20*time.Millisecond) {
			return nil
		}
	}
}

// refuser logs the first refusals of each source and passes all on.
func (a *Agent) refuser() func(Refusal) {
	const logged = 100
	n := map[string]int{}
	return func(r Refusal) {
		if a.cfg.Refused != nil {
			a.cfg.Refused(r)
		}
		n[r.Source]++
		switch c := n[r.Source]; {
		case c <= logged:
			a.cfg.Log.Warn("line refused", "source", r.Source, "line", r.Line, "field", r.Field, "reason", r.Reason)
		case c%10_000 == 0:
			a.cfg.Log.Warn("lines refused", "source", r.Source, "so_far", c)
		}
	}
}

func (a *Agent) alarm(on bool, err error) {
	if on {
		a.cfg.Log.Error("events cannot be kept, reading has stopped", "err", err)
		return
	}
	a.cfg.Log.Info("events are kept again, reading goes on")
}
