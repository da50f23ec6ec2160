package agent

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/services/agent/adapter"
	"github.com/downweb/downweb/services/agent/machine"
)

// again is how often the sample of a press that tells only changes is taken
// again; below the largest gap between samples of any mapping.
const again = time.Second

// openMachine reads a mapping file and makes its adapter.
func openMachine(path string) (*machine.Mapping, machine.Adapter, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	m, err := machine.ParseMapping(text)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	a, err := adapter.New(m)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	return m, a, nil
}

// machine reads one press's controller until ctx ends. A setting that can
// never work stops this press's counters alone: it is said in the log and tried
// again, as a file it needs may come.
func (a *Agent) machine(ctx context.Context, path string, feed func(Source) error) error {
	m, ad, err := openMachine(path)
	if err != nil {
		return fmt.Errorf("machine: %w", err)
	}
	cfg := m.Counter()
	meters, err := NewMeters(m.Press, cfg, nil, a.cfg.Log)
	if err != nil {
		return err
	}
	every := again
	if m.MaxGap > 0 {
		every = min(again, m.MaxGap/3)
	}
	r := &machine.Runner{Mapping: m, Adapter: ad, To: meters, Again: every, Log: a.cfg.Log}
	a.mu.Lock()
	a.machines = append(a.machines, r)
	a.mu.Unlock()
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer func() { _ = meters.Close() }() // always nil
		for {
			if err := r.Run(ctx); err == nil {
				return nil
			} else {
				a.cfg.Log.Error("the machine cannot be read", "press", m.Press, "err", err)
			}
			if !sleep(ctx, time.Minute) {
				return nil
			}
		}
	})
	g.Go(func() error { return feed(Source{Reader: meters, Name: "machine of " + m.Press}) })
	if err := g.Wait(); err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}
