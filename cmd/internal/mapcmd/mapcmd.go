// Package mapcmd is the command "map" that downweb agent and downweb-agent
// share: mapping files of machines checked, tried on recorded traffic, and
// traffic recorded.
package mapcmd

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/agent/adapter"
	"github.com/downweb/downweb/services/agent/counter"
	"github.com/downweb/downweb/services/agent/machine"
)

// Program is what the command needs of the one it is part of.
type Program struct {
	Out, Err io.Writer
	// Call is the program as it is called, for examples: "downweb-agent".
	Call string
	// Usage makes an error about the command line, Quiet is one that has been
	// printed already.
	Usage func(format string, v ...any) error
	Quiet error
}

// New is the command.
func New(p Program) *cobra.Command {
	c := &cobra.Command{Use: "map", Short: "check and try the mapping files of machines (OPC UA, MQTT, Sparkplug B, Modbus TCP)"}
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		return p.Usage("unknown command %q; see \"%s --help\"", args[0], c.CommandPath())
	}
	c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
	c.AddCommand(p.check(), p.try(), p.record())
	return c
}

func (p Program) files(least, most int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) < least || len(args) > most {
			return p.Usage("want \"%s\", got %d argument(s)", c.UseLine(), len(args))
		}
		return nil
	}
}

func open(path string) (*machine.Mapping, machine.Adapter, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	m, err := machine.ParseMapping(text)
	if err != nil {
		return nil, nil, err
	}
	a, err := adapter.New(m)
	return m, a, err
}

func (p Program) check() *cobra.Command {
	c := &cobra.Command{Use: "check FILE...", Short: "check mapping files without a machine", Args: p.files(1, 1000),
		Example: "  " + p.Call + " map check p1.yaml"}
	c.RunE = func(_ *cobra.Command, args []string) error {
		bad := false
		for _, path := range args {
			m, _, err := open(path)
			if err != nil {
				bad = true
				_, _ = fmt.Fprintf(p.Out, "%s: %v\n", path, err)
				continue
			}
			_, _ = fmt.Fprintf(p.Out, "%s: press %s over %s, %d addresses\n", path, m.Press, m.Kind(), len(m.Addresses()))
		}
		if bad {
			return p.Quiet
		}
		return nil
	}
	return c
}

func (p Program) record() *cobra.Command {
	var span time.Duration
	c := &cobra.Command{Use: "record FILE", Short: "write what a machine tells to stdout, a JSON line for each instant; only reads", Args: p.files(1, 1)}
	c.Example = "  " + p.Call + " map record p1.yaml --for 10m > p1.ndjson\n  " + p.Call + " map try p1.yaml --recorded p1.ndjson"
	c.RunE = func(c *cobra.Command, args []string) error {
		_, a, err := open(args[0])
		if err != nil {
			return fmt.Errorf("%s: %w", args[0], err)
		}
		ctx, cancel := context.WithCancelCause(c.Context())
		defer cancel(nil)
		if span > 0 {
			t := time.AfterFunc(span, func() { cancel(context.Canceled) })
			defer t.Stop()
		}
		rec := machine.NewRecorder(p.Out)
		n := 0
		err = a.Run(ctx, func(vs []machine.Value) {
			n++
			if err := rec.Values(time.Now(), vs); err != nil {
				cancel(err)
			}
		}, func(err error) {
			_, _ = fmt.Fprintln(p.Err, err)
			if err := rec.Lost(time.Now(), err); err != nil {
				cancel(err)
			}
		})
		if cause := context.Cause(ctx); err == nil && cause != nil && !errors.Is(cause, context.Canceled) {
			err = cause
		}
		if err == nil && n == 0 {
			err = errors.New("the machine told nothing")
		}
		return err
	}
	c.Flags().DurationVar(&span, "for", 0, "how long, e.g. 10m (default: until interrupted)")
	return c
}

func (p Program) try() *cobra.Command {
	var recorded string
	var lines bool
	c := &cobra.Command{Use: "try FILE --recorded TRAFFIC", Short: "what a mapping makes of recorded traffic; nothing is stored", Args: p.files(1, 1),
		Example: "  " + p.Call + " map try p1.yaml --recorded p1.ndjson"}
	c.RunE = func(_ *cobra.Command, args []string) error {
		if recorded == "" {
			return p.Usage("say which traffic: --recorded FILE (see \"map record\")")
		}
		m, _, err := open(args[0])
		if err != nil {
			return fmt.Errorf("%s: %w", args[0], err)
		}
		f, err := os.Open(recorded)
		if err != nil {
			return err
		}
		defer func() { _ = f.Close() }()
		t, err := m.TryOn(f)
		if err != nil {
			return fmt.Errorf("%s: %w", recorded, err)
		}
		if lines {
			e := json.NewEncoder(p.Out)
			for _, s := range t.Slices {
				if err := e.Encode(s); err != nil {
					return err
				}
			}
			return nil
		}
		return print(p.Out, m, t)
	}
	c.Flags().StringVar(&recorded, "recorded", "", "file of recorded traffic")
	c.Flags().BoolVar(&lines, "slices", false, "print the slices as JSON lines instead of the sums")
	return c
}

// print sums a try up: minutes and meters by state, and what made no sample.
func print(w io.Writer, m *machine.Mapping, t *machine.Try) error {
	_, _ = fmt.Fprintf(w, "press %s over %s: %d lines, %d samples, %d slices\n", m.Press, m.Kind(), t.Lines, t.Samples, len(t.Slices))
	type sum struct {
		ms, good, waste int64
	}
	by := map[counter.State]sum{}
	for _, s := range t.Slices {
		x := by[s.State]
		by[s.State] = sum{x.ms + s.To - s.From, x.good + s.Good, x.waste + s.Waste}
	}
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', tabwriter.AlignRight)
	_, _ = fmt.Fprintln(tw, "state\tmin\tgood m\twaste m\t")
	for _, s := range slices.Sorted(maps.Keys(by)) {
		x := by[s]
		_, _ = fmt.Fprintf(tw, "%s\t%.2f\t%.3f\t%.3f\t\n", s, float64(x.ms)/60_000, float64(x.good)/1000, float64(x.waste)/1000)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	kinds := map[counter.Kind]int{}
	for _, r := range t.Reports {
		kinds[r.Kind]++
	}
	for _, k := range slices.Sorted(maps.Keys(kinds)) {
		_, _ = fmt.Fprintf(w, "%s: %d\n", k, kinds[k])
	}
	why := slices.Collect(maps.Keys(t.Without))
	slices.SortFunc(why, func(a, b string) int { return cmp.Or(cmp.Compare(t.Without[b], t.Without[a]), cmp.Compare(a, b)) })
	for _, x := range why {
		_, _ = fmt.Fprintf(w, "no sample %d times: %s\n", t.Without[x], x)
	}
	for _, a := range t.Untold {
		_, _ = fmt.Fprintf(w, "mapped, but not in the traffic: %s\n", a)
	}
	for _, a := range t.Unmapped {
		_, _ = fmt.Fprintf(w, "in the traffic, but not mapped: %s\n", a)
	}
	return nil
}
