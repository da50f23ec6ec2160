package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/warehouse/engine"
)

func (a *app) demoCommand() *cobra.Command {
	var seed uint64
	var until string
	var exit bool
	c := &cobra.Command{Use: "demo", Short: "the whole line over 26 weeks of a simulated fleet: what cleaning and dirt cost, and what was planted", Args: exactly(0),
		Long: "Installs the engine if it is missing, starts every part, streams 26 weeks of an invented fleet through agent, log and\n" +
			"ingest, prints what it cost and one study beside what was planted, and goes on with live events until Ctrl-C.\n" +
			"A second run goes on where the first one stopped. Its data directory is the user's state directory /downweb/demo.",
		Example: "  downweb demo\n  downweb demo --exit --seed 7 --until 2026-06-28 --data-dir D"}
	load := a.settingFlags(c, "engine-lib", "engine-memory", "warehouse", "database", "password-file", "grpc", "http", "web", "nats-listen")
	c.RunE = func(c *cobra.Command, _ []string) error {
		a.defaultName = "demo"
		cfg, err := load()
		if err != nil {
			return err
		}
		if !c.Flags().Changed("until") {
			until = usualUntil(time.Now())
		}
		d := &demo{app: a, cfg: cfg, run: demoRun{Seed: seed, Until: until}, exit: exit}
		if err := d.settle(c.Flags().Changed("seed"), c.Flags().Changed("until")); err != nil {
			return err
		}
		return d.do(c.Context())
	}
	c.Flags().Uint64Var(&seed, "seed", fleetsim.DefaultSeed, "seed of the fleet")
	c.Flags().StringVar(&until, "until", fleetsim.DefaultUntil, "last production day of the 26 weeks")
	c.Flags().BoolVar(&exit, "exit", false, "stop once the answers are printed")
	return c
}

// usualUntil is the sim's default last day, or the last Sunday where that day is still to come.
func usualUntil(now time.Time) string {
	sunday := now.AddDate(0, 0, -1-(int(now.Weekday())+6)%7).Format(time.DateOnly)
	return min(fleetsim.DefaultUntil, sunday)
}

// demoRun is what a data directory's demo is about, kept in demo.json.
type demoRun struct {
	Seed  uint64 `json:"seed"`
	Until string `json:"until"`
}

type demo struct {
	*app
	cfg   *Config
	run   demoRun
	exit  bool
	fleet *fleetsim.Sim // asked for names and documents only
	began time.Time
}

// settle takes over the run that the data directory already holds, and refuses another one.
func (d *demo) settle(seedGiven, untilGiven bool) (err error) {
	file := filepath.Join(d.cfg.DataDir, "demo.json")
	var kept demoRun
	text, err := os.ReadFile(file)
	switch {
	case errors.Is(err, os.ErrNotExist):
	case err != nil:
		return err
	case json.Unmarshal(text, &kept) != nil:
		return fmt.Errorf("%s cannot be read", file)
	default:
		if seedGiven && kept.Seed != d.run.Seed || untilGiven && kept.Until != d.run.Until {
			return usagef("%s holds the demo of seed %d until %s: give another --data-dir, or leave --seed and --until out", d.cfg.DataDir, kept.Seed, kept.Until)
		}
		d.run = kept
	}
	if d.fleet, err = fleetsim.New(fleetsim.Config{Seed: d.run.Seed, Until: d.run.Until}); err != nil {
		return usagef("--%w", err)
	}
	return nil
}

// do is the demo from start to stop.
func (d *demo) do(ctx context.Context) error {
	d.began = time.Now()
	d.cfg.Agent.Name, d.cfg.Agent.Sources = "demo", nil
	if d.cfg.Warehouse.DSN == "" {
		if _, err := locateEngine(d.cfg); errors.Is(err, errNoEngine) {
			if _, err := engine.Install(ctx, d.err); err != nil {
				return err
			}
		}
	}
	dir := dataDir(d.cfg.DataDir)
	for _, stale := range []string{dir.live(), dir.simState()} {
		os.Remove(stale)
	}
	feed := childSpec{Name: "agent", Args: []string{"agent", "run", "--sim", fmt.Sprintf("%d,%s", d.run.Seed, d.run.Until), "--live"}}
	l, err := d.newLine(d.cfg, true, feed)
	if err != nil {
		return err
	}
	defer l.close()
	if err := writeJSON(filepath.Join(d.cfg.DataDir, "demo.json"), d.run); err != nil {
		return err
	}
	lineCtx, stopLine := context.WithCancel(context.WithoutCancel(ctx))
	lineDone := make(chan struct{})
	go func() { defer close(lineDone); l.run(lineCtx) }()
	defer func() { stopLine(); <-lineDone }()

	fmt.Fprintf(d.err, "demo: two invented plants, %d presses, production days %v to %v, seed %d; data in %s\n", d.fleet.Len(), d.fleet.First(), d.fleet.Last(), d.run.Seed, d.cfg.DataDir)
	if err := d.awaitStart(ctx, l); err != nil {
		return interrupted(err)
	}
	addr := dialable(d.cfg.API.GRPC)
	asker := *d.app
	asker.addr = addr
	conn, err := asker.dial()
	if err != nil {
		return err
	}
	defer conn.Close()
	if err := d.fill(ctx, conn); err != nil {
		return interrupted(err)
	}
	if err := d.print(ctx, conn); err != nil {
		return interrupted(err)
	}
	if d.exit {
		return nil
	}
	if err := os.WriteFile(dir.live(), nil, 0o600); err != nil {
		return err
	}
	if l.at.Web != "" {
		fmt.Fprintf(d.err, "\nLook at it in a browser: %s\n", l.at.Web)
	}
	fmt.Fprintf(d.err, "\nThe fleet goes on in simulated time, a minute each second. Ask it from another terminal:\n"+
		"  downweb loss --addr %[1]s --since 28d --by press\n  downweb duties --addr %[1]s --since 7d --outcome missed\n"+
		"  downweb events watch --addr %[1]s\n  downweb status --addr %[1]s\nStop with Ctrl-C; \"downweb demo\" goes on from there.\n", addr)
	<-ctx.Done()
	return nil
}

// interrupted is no failure: the user stopped the demo, which goes on at its next run.
func interrupted(err error) error {
	if errors.Is(err, context.Canceled) || status.Code(err) == codes.Canceled {
		return errors.New("stopped; run it again to go on from here")
	}
	return err
}

// awaitStart waits until every part was ready once, and says which it waits for.
func (d *demo) awaitStart(ctx context.Context, l *line) error {
	bar := d.progress("start")
	defer bar.done()
	for {
		select {
		case <-l.sup.Started():
			return nil
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
		for _, c := range l.sup.States() {
			if c.State != "ready" {
				bar.say(c.Name)
				break
			}
		}
	}
}

// fill applies the registry if it is empty, and waits until the history is stored and projected.
func (d *demo) fill(ctx context.Context, conn *grpc.ClientConn) error {
	begin := time.Now()
	if err := d.applyPlants(ctx, conn); err != nil {
		return err
	}
	bar := d.progress("stream")
	defer bar.done()
	dir := dataDir(d.cfg.DataDir)
	var first, last simState
	var firstAt time.Time
	var before int64
	for !last.Done {
		text, err := os.ReadFile(dir.simState())
		if err == nil && json.Unmarshal(text, &last) == nil {
			if firstAt.IsZero() {
				first, firstAt = last, time.Now()
			}
			rate := ""
			if took := time.Since(firstAt).Seconds(); took > 0.5 {
				rate = fmt.Sprintf(", %s events/s", grouped(int64(float64(last.Lines-first.Lines)/took)))
			}
			switch {
			case last.Days == last.Of && last.Lines == before:
				bar.say(grouped(last.Lines) + " events sent, waiting until all are stored")
			case last.Days > 0:
				bar.say(fmt.Sprintf("day %d of %d (%s), %s events%s", last.Days, last.Of, last.Day, grouped(last.Lines), rate))
			}
			before = last.Lines
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
	took := time.Since(begin)
	bar.finish(fmt.Sprintf("%s events stored in %.1f s, %s events/s", grouped(last.Lines), took.Seconds(), grouped(int64(float64(last.Lines)/took.Seconds()))))
	return d.awaitProjected(ctx, conn)
}

// applyPlants writes the fleet's documents into an empty registry.
func (d *demo) applyPlants(ctx context.Context, conn *grpc.ClientConn) error {
	client := pb.NewRegistryServiceClient(conn)
	have, err := client.ListPlants(ctx, &pb.ListPlantsRequest{}, grpc.WaitForReady(true))
	if err != nil {
		return err
	}
	if len(have.GetRevisions()) > 0 {
		return nil
	}
	for _, plant := range d.fleet.Plants() {
		if _, err := client.ApplyPlant(ctx, &pb.ApplyPlantRequest{Plant: plant, Author: "demo", Comment: "the simulated fleet"}); err != nil {
			return err
		}
	}
	return nil
}

// awaitProjected waits until nothing waits to be recomputed. An api that is just being restarted is asked again.
func (d *demo) awaitProjected(ctx context.Context, conn *grpc.ClientConn) error {
	bar := d.progress("project")
	defer bar.done()
	for {
		st, err := pb.NewStatusServiceClient(conn).GetStatus(ctx, &pb.GetStatusRequest{}, grpc.WaitForReady(true))
		switch {
		case err == nil && st.GetDirtyPressDays() == 0 && st.GetStreamPending() == 0 && st.GetEvents() > 0 && covered(st, d.fleet):
			return nil
		case err == nil:
			bar.say(plural(st.GetDirtyPressDays(), "press-day waits", "press-days wait"))
		case status.Code(err) != codes.Unavailable:
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// covered says whether every press of the fleet is known, has data and waits for no recompute.
func covered(st *pb.GetStatusResponse, f *fleetsim.Sim) bool {
	ok := map[string]bool{}
	for _, p := range st.GetPresses() {
		ok[p.GetPress()] = !p.GetUnknown() && p.GetDirtyFrom() == "" && p.GetFrontier() != nil
	}
	for i := range f.Len() {
		if !ok[f.Press(i)] {
			return false
		}
	}
	return true
}
