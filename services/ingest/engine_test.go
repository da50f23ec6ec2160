package ingest

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// forward listens on one address and passes connections on to the one that is current: an engine that is started again
// has another port.
func forward(t *testing.T) (addr string, current *atomic.Pointer[string]) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	current = new(atomic.Pointer[string])
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer in.Close()
				to := current.Load()
				if to == nil {
					return
				}
				out, err := net.Dial("tcp", *to)
				if err != nil {
					return
				}
				defer out.Close()
				go func() {
					io.Copy(out, in)
					out.(*net.TCPConn).CloseWrite()
				}()
				io.Copy(in, out)
			}()
		}
	}()
	return l.Addr().String(), current
}

// The engine is killed again and again while events are stored. Every insert is whole or not there, what is not clear is
// looked up, and at the end everything is stored once.
func TestEngineKilled(t *testing.T) {
	const seed, kills, presses, each = 23, 8, 4, 12000
	rng := rand.New(rand.NewPCG(seed, 1))
	dir := t.TempDir()
	addr, current := forward(t)
	start := func() *warehousetest.Process {
		p, err := warehousetest.Start(t, dir)
		if err != nil {
			t.Fatal(err)
		}
		current.Store(&p.Addr)
		return p
	}
	engine := start()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	t.Cleanup(cancel)
	r := &rig{t: t, ctx: ctx, dsn: "http://default:" + warehousetest.Password + "@" + addr + "/killed"}
	r.db = r.open()
	r.env = eventlogtest.Start(t)
	in := r.start(r.db, func(c *Config, _ *Deps) { c.BatchEvents, c.InsertTimeout = 2000, 5*time.Second })
	var all []message
	for p := range presses {
		all = append(all, r.cut("rhein", fmt.Sprintf("p%d", p), uint64(p)+1, slicesOf(each), 500)...)
	}
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	share := len(all) / kills
	for k := range kills {
		stored := in.Metrics().Events.Load()
		r.send(all[k*share : (k+1)*share]...)
		r.eventually("ingest is at work", func() bool { return in.Metrics().Events.Load() > stored })
		time.Sleep(time.Duration(rng.IntN(40)) * time.Millisecond)
		engine.Kill()
		engine = start()
	}
	r.send(all[kills*share:]...)
	for p := range presses {
		r.waitMark("rhein", fmt.Sprintf("p%d", p), uint64(p)+1, each)
	}
	r.waitDrained()
	if _, distinct := r.count(); distinct != presses*each {
		t.Errorf("seed %d: %d identities, want %d", seed, distinct, presses*each)
	}
	marks, err := warehouseMarks(r)
	if err != nil || marks != presses {
		t.Errorf("seed %d: %d marks at %d from the table, %v", seed, marks, each, err)
	}
	if in.Metrics().Retries.Load() == 0 {
		t.Errorf("seed %d: no kill met a statement", seed)
	}
}

// warehouseMarks counts the epochs that the table itself has whole, read by another program.
func warehouseMarks(r *rig) (int, error) {
	db, err := warehouse.Open(r.ctx, warehouse.Config{DSN: r.dsn})
	if err != nil {
		return 0, err
	}
	defer db.Close()
	rows, err := db.LoadMarks(r.ctx)
	n := 0
	for _, m := range rows {
		if m.Mark == 12000 && len(m.Above) == 0 {
			n++
		}
	}
	return n, err
}
