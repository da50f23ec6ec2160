package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"runtime/debug"
	"slices"
	"time"

	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/warehouse"
)

// benchEngine is an engine that a bench has to itself, in a process of its own, without the rest of a line.
type benchEngine struct {
	cfg  *Config
	sup  *supervisor
	addr string
	stop func()
}

// startBenchEngine starts the engine over the data directory of cfg and waits until it answers.
func (a *app) startBenchEngine(ctx context.Context, cfg *Config) (*benchEngine, error) {
	d := dataDir(cfg.DataDir)
	if err := d.make(); err != nil {
		return nil, err
	}
	for _, name := range []string{keyEngine, keyReader} {
		if _, err := password(d.keys(), name); err != nil {
			return nil, err
		}
	}
	exe, err := os.Executable()
	if err != nil {
		return nil, err
	}
	log, err := ops.Logger(a.err, slog.LevelWarn, "text", "bench")
	if err != nil {
		return nil, err
	}
	b := &benchEngine{cfg: cfg}
	addr := make(chan string, 16)
	spec := childSpec{Name: "engine", Args: []string{"engine", "--listen", freePort()}, Log: d.logFile("engine"), Env: cfg.Env, Ready: func(at string) {
		select {
		case addr <- at:
		default:
		}
	}}
	b.sup = newSupervisor(exe, []childSpec{spec}, log)
	own, cancel := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan struct{})
	go func() { defer close(ended); b.sup.Run(own) }()
	b.stop = func() { cancel(); <-ended; spec.Log.Close() }
	select {
	case b.addr = <-addr:
		return b, nil
	case <-ctx.Done():
		err = ctx.Err()
	case <-time.After(2 * time.Minute):
		err = errors.New("the engine did not start within 2 minutes")
	}
	b.stop()
	return nil, err
}

func (b *benchEngine) open(ctx context.Context, name string) (*warehouse.DB, error) {
	dsn, err := engineDSN(dataDir(b.cfg.DataDir).keys(), b.addr, name)
	if err != nil {
		return nil, err
	}
	return warehouse.Open(ctx, warehouse.Config{DSN: dsn, Database: name})
}

func (b *benchEngine) pid() int { return b.sup.States()[0].PID }

// benchUse is what this process and the engine used since a mark was set.
type benchUse struct {
	engine      int
	start       time.Time
	self, other time.Duration
}

// mark begins a measurement: memory that earlier phases left is given back, and the kernel's note of the largest
// resident memory starts again where the system lets us.
func (b *benchEngine) mark() benchUse {
	debug.FreeOSMemory()
	u := benchUse{engine: b.pid()}
	resetPeak(os.Getpid())
	resetPeak(u.engine)
	u.self, _ = processUse(os.Getpid())
	u.other, _ = processUse(u.engine)
	u.start = time.Now()
	return u
}

// use is what was used since the mark.
func (u benchUse) use() benchCost {
	c := benchCost{Seconds: time.Since(u.start).Seconds()}
	self, rss := processUse(os.Getpid())
	other, engineRSS := processUse(u.engine)
	c.CPUSelf, c.CPUEngine = (self - u.self).Seconds(), (other - u.other).Seconds()
	c.RSSSelf, c.RSSEngine = mib(rss), mib(engineRSS)
	return c
}

// benchCost is what a phase took. CPU and memory are 0 where the system does not tell.
type benchCost struct {
	Seconds   float64 `json:"seconds"`
	CPUSelf   float64 `json:"cpu_seconds_program"`
	CPUEngine float64 `json:"cpu_seconds_engine"`
	RSSSelf   float64 `json:"rss_mib_program"` // largest
	RSSEngine float64 `json:"rss_mib_engine"`
}

// tableSize is the rows and the bytes on disk of a table's active parts.
func tableSize(ctx context.Context, db *warehouse.DB, table string) (rows, bytes, parts uint64, err error) {
	err = db.Conn().QueryRow(ctx, "SELECT sum(rows), sum(bytes_on_disk), count() FROM system.parts WHERE active AND database = currentDatabase() AND table = '"+table+"'").Scan(&rows, &bytes, &parts)
	if err != nil {
		err = fmt.Errorf("size of %s: %w", table, err)
	}
	return rows, bytes, parts, err
}

// percentile of sorted values: the smallest that p of them do not exceed.
func percentile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return 0
	}
	v = slices.Sorted(slices.Values(v))
	return v[min(len(v)-1, max(0, int(p*float64(len(v))+0.999999)-1))]
}
