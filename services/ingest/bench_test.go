package ingest

import (
	"fmt"
	"testing"
	"time"
)

// BenchmarkLine stores frames of 1,000 slices of 20 presses that wait in the stream: pull, decode, check, insert,
// acknowledge. Publishing is not counted.
func BenchmarkLine(b *testing.B) {
	const presses = 20
	evs := slicesOf(20000)
	var took time.Duration
	for range b.N {
		b.StopTimer()
		r := newRig(b)
		for p := range presses {
			r.send(r.cut("rhein", fmt.Sprintf("p%d", p), uint64(p)+1, evs, 1000)...)
		}
		b.StartTimer()
		start := time.Now()
		in := r.start(r.db, func(c *Config, _ *Deps) { c.BatchEvents, c.BatchWait = 100_000, 200*time.Millisecond })
		r.eventually("all events stored", func() bool { return in.Metrics().Events.Load() == uint64(presses*len(evs)) })
		took += time.Since(start)
		in.stop()
	}
	b.ReportMetric(float64(b.N*presses*len(evs))/took.Seconds(), "events/s")
}
