package agent

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/services/agent/clock"
	"github.com/downweb/downweb/services/agent/machine"
	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
)

// Agent reads, keeps and sends events of some presses.
type Agent struct {
	cfg    Config
	counts counters

	clock  *clock.Clock
	offset clock.Offset

	mu      sync.Mutex
	sp      *spool.Spool
	line    *line
	pushers []*pusher
	nc      *nats.Conn
	last    Status // when Run ended

	machines []*machine.Runner
	records  chan record
	ended    chan struct{}
}

type counters struct {
	accepted, refused, duplicates, retries, lost atomic.Uint64
	full, clockAlarm                             atomic.Bool

	denied     atomic.Uint64
	lastDenied atomic.Pointer[denial]
}

// denial is a word of the log server that this agent may not.
type denial struct {
	at   time.Time // of this machine's clock
	text string
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
	// Denied counts how often the log server has said that this agent may not:
	// publish for a press that is not its own, or connect at all. LastDenied is
	// what it said last, at DeniedAt.
	Denied     uint64    `json:",omitempty"`
	LastDenied string    `json:",omitempty"`
	DeniedAt   time.Time `json:",omitzero"`
	// ClockOffset of the server against the agent's clock, the median of its
	// last answers; 0 before it is known. ClockAlarm: it is over two seconds.
	ClockOffset time.Duration
	ClockAlarm  bool
	Epoch       uint64
	// Unproven: what was taken since the start is held back until the warehouse
	// has answered for every press. OldCopy: the spool is an older copy of
	// itself and about to begin a new epoch; Rolls: epochs begun since Run.
	Unproven, OldCopy bool
	Rolls             uint64
	Presses           []PressStatus
	// Machines read, where there are any.
	Machines []machine.Status `json:",omitempty"`
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
	return &Agent{cfg: cfg, records: make(chan record), ended: make(chan struct{})}
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
	offset, _ := a.offset.Median()
	s := Status{
		Accepted: c.accepted.Load(), Refused: c.refused.Load(), Duplicates: c.duplicates.Load(),
		Retries: c.retries.Load(), Lost: c.lost.Load(), Full: c.full.Load(),
		ClockOffset: offset, ClockAlarm: c.clockAlarm.Load(),
		Connected: nc != nil && nc.IsConnected(),
		Epoch:     sp.Epoch(),
	}
	if d := c.lastDenied.Load(); d != nil {
		s.Denied, s.LastDenied, s.DeniedAt = c.denied.Load(), d.text, d.at
	}
	s.SpoolBytes, s.SpoolMax = sp.Held()
	s.Rolls, s.Unproven, s.OldCopy = a.line.state()
	for _, p := range pushers {
		st := sp.State(p.press.name)
		ps := PressStatus{Press: p.press.name, Last: st.Last, Published: p.published.Load(), Confirmed: p.mark.Load(), Trimmed: st.Trimmed, SpoolBytes: st.Bytes}
		s.Presses = append(s.Presses, ps)
		s.Last += ps.Last
		s.Published += ps.Published
		s.Confirmed += ps.Confirmed
	}
	for _, m := range a.machines {
		s.Machines = append(s.Machines, m.Status())
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
	a.clock = clock.New(clock.From(cfg.Clock))
	sp, err := spool.Open(filepath.Join(cfg.SpoolDir, cfg.Name+".db"), spool.Options{MaxBytes: cfg.SpoolMax})
	if err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	defer func() { _ = sp.Close() }()
	if _, err := sp.ForgetKeys(a.clock.Now()); err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	acc, err := newAccepter(sp, cfg.Presses)
	if err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	acc.counts, acc.clock, acc.refuse, acc.alarm = &a.counts, a.clock.Now, a.refuser(), a.alarm

	ctx, stop := context.WithCancel(ctx)
	defer stop()
	g, gctx := errgroup.WithContext(ctx)
	var draining atomic.Bool
	draining.Store(!cfg.follows())
	lost, err := sp.Lost()
	if err != nil {
		return fmt.Errorf("agent %s: %w", cfg.Name, err)
	}
	var once sync.Once
	fail := func(err error) { once.Do(func() { g.Go(func() error { return err }) }) }
	ln := &line{sp: sp, log: cfg.Log, fail: fail, roll: make(chan struct{}, 1)}
	pushers := a.newPushers(sp, ln, lost, &draining)
	a.mu.Lock()
	a.sp, a.line, a.pushers = sp, ln, pushers
	a.mu.Unlock()
	steps, drained := make(chan step), make(chan struct{})
	acc.line, acc.steps, acc.records, acc.drained = ln, steps, a.records, func() { close(drained) }
	acc.committed = func(presses []int) {
		for _, i := range presses {
			signal(pushers[i].wake)
		}
	}

	jobs := a.read(g, gctx, sp)
	g.Go(func() error { return a.send(gctx, pushers) })
	g.Go(func() error {
		err := acc.run(gctx, jobs)
		if err != nil && ctx.Err() != nil {
			cfg.Log.Warn("agent stopped", "agent", cfg.Name, "err", err)
			return nil // what was not accepted is read again
		}
		return err
	})
	g.Go(func() error {
		select {
		case <-drained:
		case <-gctx.Done():
			return nil
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
	g.Go(func() error { a.watchClock(gctx, steps); return nil })
	g.Go(func() error { // once a day
		for sleep(gctx, 24*time.Hour) {
			if _, err := sp.ForgetKeys(a.clock.Now()); err != nil {
				cfg.Log.Error("source keys not tidied", "err", err)
			}
		}
		return nil
	})
	err = g.Wait()
	close(a.ended)
	a.mu.Lock()
	a.last = a.status()
	a.sp, a.line, a.pushers = nil, nil, nil
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
			p := newParser(a.cfg.Presses, a.cfg.FutureLimit, a.clock.Now)
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
			feed := func(src Source) error {
				f := &feeder{src: src, stored: sp.Position, emit: emit, warn: a.cfg.Log.Warn}
				return f.run(ctx)
			}
			err := error(nil)
			if src.Machine != "" {
				err = a.machine(ctx, src.Machine, feed)
			} else {
				err = feed(src)
			}
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

// newPushers makes one for each press of the agent, in their order, and for
// presses it no longer serves but of which it holds events.
func (a *Agent) newPushers(sp *spool.Spool, ln *line, lost []spool.CorruptError, draining *atomic.Bool) []*pusher {
	inFlight, busy := make(chan struct{}, 16), make(chan struct{}, 8)
	names := slices.Clone(a.cfg.Presses)
	for _, name := range sp.Presses() {
		if st := sp.State(name); st.Last > st.Trimmed && !slices.Contains(names, name) {
			a.cfg.Log.Warn("events of a press that is not served any more are sent", "press", name, "events", st.Last-st.Trimmed)
			names = append(names, name)
		}
	}
	out := make([]*pusher, 0, len(names))
	for _, name := range splitPresses(names) {
		p := &pusher{
			press: name, sp: sp, log: a.cfg.Log, counts: &a.counts, inFlight: inFlight, busy: busy,
			wake: make(chan struct{}, 1), sent: make(chan struct{}, 1),
			line: ln, clock: a.clock.Now, offset: &a.offset,
			markDelay: func() time.Duration {
				if held, most := sp.Held(); draining.Load() || held > most/2 {
					return a.cfg.MarkDelay / 4
				}
				return a.cfg.MarkDelay
			},
			republish: a.cfg.RepublishAfter,
		}
		st := sp.State(name.name)
		for _, l := range lost { // found by an earlier run
			if l.Press == name.name {
				if l.Last > st.Trimmed { // and not yet stored as lost
					p.ranges = append(p.ranges, l)
					p.lost.Add(l.Last - l.First + 1)
				}
				a.counts.lost.Add(l.Last - l.First + 1)
			}
		}
		p.bound, ln.unproven = sp.Bound(name.name)
		p.mark.Store(st.Trimmed)
		p.published.Store(st.Trimmed)
		out = append(out, p)
	}
	ln.pushers = out
	return out
}

// deny notes that the log server refused what this agent tried.
func (a *Agent) deny(err error) {
	a.counts.lastDenied.Store(&denial{at: time.Now(), text: err.Error()})
	a.counts.denied.Add(1)
}

// denialFresh is how long a denial is shown as going on; an agent that may not
// publish tries again, and is denied again, every few seconds.
const denialFresh = time.Minute

// DeniedNow says whether the log server has refused this agent lately.
func (s *Status) DeniedNow(now time.Time) bool {
	return s.Denied > 0 && now.Sub(s.DeniedAt) < denialFresh
}

// send connects and runs the pushers.
func (a *Agent) send(ctx context.Context, pushers []*pusher) error {
	nc := a.cfg.Conn
	if nc == nil {
		var err error
		opts := []eventlog.ConnectOption{eventlog.WithTLS(a.cfg.TLS), eventlog.OnDenied(a.deny)}
		if a.cfg.Seed != nil {
			opts = append(opts, eventlog.WithKey(a.cfg.Seed))
		}
		nc, err = eventlog.ConnectPress(ctx, a.cfg.URL, a.cfg.Password, "agent "+a.cfg.Name, a.cfg.Log, opts...)
		if err != nil && ctx.Err() == nil {
			return fmt.Errorf("log server: %w", err)
		}
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

// confirmed waits until every event of every press is. Of a press with damaged
// blocks the mark passes once the warehouse has stored what was lost; where
// it does not, it is enough that all else is sent.
func (a *Agent) confirmed(ctx context.Context, sp *spool.Spool, pushers []*pusher) error {
	began, before := time.Now(), uint64(0)
	for {
		open, lost, sum := false, uint64(0), uint64(0)
		// Not between the new numbers of a roll and the marks that begin anew
		// with them.
		if len(pushers) > 0 {
			pushers[0].line.gate.RLock()
		}
		for _, p := range pushers {
			last := sp.State(p.press.name).Last
			lost += p.lost.Load()
			done := p.mark.Load()
			sum += done
			if p.lost.Load() > 0 && time.Since(began) > a.cfg.RepublishAfter {
				done = max(done, p.published.Load())
			}
			open = open || done < last
		}
		if len(pushers) > 0 {
			pushers[0].line.gate.RUnlock()
		}
		if sum != before {
			began, before = time.Now(), sum
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
