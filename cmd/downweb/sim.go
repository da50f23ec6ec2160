package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/registry"
)

func (a *app) simCommand() *cobra.Command {
	var seed uint64
	var until, out string
	c := &cobra.Command{Use: "sim --out DIR|-", Short: "write a simulated fleet: JSON Lines per press, registry documents, planted truth", Args: exactly(0),
		Long: "Writes 26 weeks of an invented fleet that end with --until, the same bytes for the same seed.\n" +
			"DIR gets PLANT-PRESS.jsonl, PLANT.yaml and truth.json; - writes all lines to stdout, day by day.",
		Example: "  downweb sim --seed 7 --until 2026-06-28 --out fleet\n  downweb agent check fleet/linden-p1.jsonl --press linden/p1"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if out == "" {
			return usagef("say where to: --out DIR or --out -")
		}
		s, err := fleetsim.New(fleetsim.Config{Seed: seed, Until: until})
		if err != nil {
			return usagef("--%w", err)
		}
		if out == "-" {
			w := bufio.NewWriterSize(a.out, 1<<20)
			for day := s.First(); day <= s.Last(); day++ {
				for i := range s.Len() {
					if _, err := s.Day(i, day, w); err != nil {
						return err
					}
				}
				if err := c.Context().Err(); err != nil {
					return err
				}
			}
			return w.Flush()
		}
		return a.simDir(s, out)
	}
	c.Flags().Uint64Var(&seed, "seed", fleetsim.DefaultSeed, "seed of all chance")
	c.Flags().StringVar(&until, "until", fleetsim.DefaultUntil, "last production day")
	c.Flags().StringVar(&out, "out", "", "directory, or - for stdout")
	return c
}

// simDir writes the fleet into a directory, one file per press and plant, and the truth.
func (a *app) simDir(s *fleetsim.Sim, dir string) (err error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for _, plant := range s.Plants() {
		text, err := registry.FormatYAML(plant)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, plant.GetPlant()+".yaml"), text, 0o644); err != nil {
			return err
		}
	}
	bar := a.progress("sim")
	defer bar.done()
	total := fleetsim.Count{}
	for i := range s.Len() {
		name := filepath.Join(dir, strings.ReplaceAll(s.Press(i), "/", "-")+".jsonl")
		if err := writeFile(name, func(w io.Writer) error {
			for day := s.First(); day <= s.Last(); day++ {
				n, err := s.Day(i, day, w)
				if err != nil {
					return err
				}
				total.Add(n)
			}
			return nil
		}); err != nil {
			return err
		}
		bar.step(int64(i+1), int64(s.Len()))
	}
	truth, err := s.Truth()
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, "truth.json"), truth, 0o644); err != nil {
		return err
	}
	bar.finish(fmt.Sprintf("%s events of %d presses, %v to %v, in %s", grouped(total.Total()), s.Len(), s.First(), s.Last(), dir))
	return nil
}

// writeFile writes a file through a buffer and reports the error of closing it.
func writeFile(name string, fill func(io.Writer) error) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<20)
	return errors.Join(fill(w), w.Flush(), f.Close())
}

// parseSim reads "SEED,DAY".
func parseSim(text string) (cfg fleetsim.Config, err error) {
	seed, until, ok := strings.Cut(text, ",")
	if cfg.Seed, err = strconv.ParseUint(seed, 10, 64); err != nil || !ok {
		return cfg, usagef("--sim %q: want SEED,DAY", text)
	}
	cfg.Until = until
	return cfg, nil
}
