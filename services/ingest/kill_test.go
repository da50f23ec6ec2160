package ingest

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/warehouse"
)

// Variables that turn this test binary into an ingest: the log's address and the warehouse's.
const (
	childURL = "DOWNWEB_TEST_INGEST_URL"
	childDSN = "DOWNWEB_TEST_INGEST_DSN"
)

func init() {
	if url := os.Getenv(childURL); url != "" {
		if err := child(url, os.Getenv(childDSN)); err != nil {
			fmt.Fprintln(os.Stderr, "ingest in a process of its own:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
}

// child is an ingest in a process of its own; it ends with its standard input.
func child(url, dsn string) error {
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		io.Copy(io.Discard, os.Stdin)
		cancel()
	}()
	nc, err := eventlog.ConnectCore(ctx, url, eventlogtest.CorePassword, "ingest", nil)
	if err != nil {
		return err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	db, err := warehouse.Open(ctx, warehouse.Config{DSN: dsn})
	if err != nil {
		return err
	}
	defer db.Close()
	return New(Config{LeaseTTL: eventlogtest.LeaseTTL, BatchEvents: 2000, BatchWait: 20 * time.Millisecond, AckWait: time.Second, Now: clock},
		Deps{NC: nc, JS: js, Warehouse: db}).Run(ctx)
}

// A process is killed 20 times at random moments while frames come in, each twice; nothing is lost or doubled, and
// every press whose events are stored is dirty.
func TestKilled(t *testing.T) {
	r := newRig(t)
	const seed, kills, presses, each = 17, 20, 4, 6000
	rng := rand.New(rand.NewPCG(seed, 1))
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	start := func() (*exec.Cmd, io.Closer) {
		cmd := exec.Command(self)
		cmd.Env = append(os.Environ(), childURL+"="+r.env.Server.URL(), childDSN+"="+r.dsn)
		cmd.Stderr = os.Stderr
		in, err := cmd.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd, in
	}
	var all []message
	for p := range presses {
		all = append(all, r.cut("rhein", fmt.Sprintf("p%d", p), uint64(p)+1, slicesOf(each), 120)...)
	}
	all = append(all, all...)
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	share := len(all) / kills
	midway := 0
	for k := range kills {
		cmd, in := start()
		r.send(all[k*share : (k+1)*share]...)
		before, _ := r.count()
		// Up and at work, then some milliseconds more: the kill falls into a batch.
		end := time.Now().Add(4 * time.Second)
		for n := before; n == before && time.Now().Before(end); n, _ = r.count() {
			time.Sleep(5 * time.Millisecond)
		}
		time.Sleep(time.Duration(rng.IntN(30)) * time.Millisecond)
		cmd.Process.Kill()
		cmd.Wait()
		in.Close()
		if after, _ := r.count(); after > before {
			midway++
		}
	}
	r.send(all[kills*share:]...)
	cmd, in := start()
	for p := range presses {
		r.waitMark("rhein", fmt.Sprintf("p%d", p), uint64(p)+1, each)
	}
	r.waitDrained()
	in.Close()
	if err := cmd.Wait(); err != nil {
		t.Error(err)
	}
	if _, distinct := r.count(); distinct != presses*each {
		t.Errorf("seed %d: %d identities, want %d", seed, distinct, presses*each)
	}
	for p := range presses {
		sl, err := r.db.ReadSlices(r.ctx, "rhein", fmt.Sprintf("p%d", p), t0, t0+each*60000)
		if err != nil || len(sl) != each {
			t.Errorf("seed %d: %d slices of p%d, %v", seed, len(sl), p, err)
		}
	}
	take, err := r.db.TakeDirty(r.ctx)
	if err != nil || len(take) != presses {
		t.Errorf("seed %d: dirty %v %v", seed, take, err)
	}
	if midway < kills/2 {
		t.Errorf("seed %d: only %d of %d kills fell after something was stored", seed, midway, kills)
	}
}
