package agent_test

import (
	"errors"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/agent/clock"
	"github.com/downweb/downweb/services/agent/counter"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// TestMeters: samples go in, slices are in the log, lengths and states as
// counted; a step of the clock closes the slice.
func TestMeters(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	at, mono := time.Unix(day0, 0), time.Duration(0)
	clk := clock.New(func() (time.Time, time.Duration) { return at, mono })
	m, err := agent.NewMeters("rhein/p1", counter.Config{Threshold: 10_000, Good: counter.Meter{Wrap: 65_536}}, clk, nil)
	if err != nil {
		t.Fatal(err)
	}
	cfg := config(t, env, agent.Source{Reader: m, Name: "meters"})
	a, stop := start(t, cfg)
	good := uint64(0)
	for i := range 200 { // 199 s, then an hour back, then 99 s
		if i == 100 {
			at = at.Add(-time.Hour)
		}
		if err := m.Sample(counter.Sample{Speed: 60_000, GoodOn: true, Power: true, JobOpen: true, Job: `J "1"`, Rated: 90_000, Good: good % 65_536}); err != nil {
			t.Fatal(err)
		}
		good += 1000
		at, mono = at.Add(time.Second), mono+time.Second
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	within(t, 20*time.Second, "confirmed", func() bool { st := a.Status(); return st.Accepted >= 4 && st.Confirmed == st.Last })
	_ = stop()
	n := int(a.Status().Last)
	sum, length := int64(0), time.Duration(0)
	for _, e := range s.check(t, n) {
		sl := e.GetSlice()
		if sl.State != pb.State_STATE_PRODUCTION || sl.Job != `J "1"` || sl.GetRatedMmPerMin() != 90_000 {
			t.Fatalf("%v", sl)
		}
		sum, length = sum+sl.GoodMm, length+sl.To.AsTime().Sub(sl.From.AsTime())
	}
	// 99 intervals before the step and 99 after it; the one across it is in neither.
	if sum != 198_000 || length != 198*time.Second {
		t.Fatalf("%d mm in %v", sum, length)
	}
	if r, gap := m.Reports(); r[counter.Stepped] != 1 || r[counter.RollOver] != 3 || gap != 0 {
		t.Fatalf("%v, %d ms", r, gap)
	}
}

// TestMetersNotRead: an agent that takes nothing makes gaps, not a heap of
// lines.
func TestMetersNotRead(t *testing.T) {
	m, err := agent.NewMeters("rhein/p1", counter.Config{Threshold: 1}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 10_000 {
		// The state changes with every sample: a slice each.
		if err = m.Sample(counter.Sample{At: int64(1_781_496_000_000 + 1000*i), Power: true, Fault: i%2 == 0}); err != nil {
			break
		}
	}
	if !errors.Is(err, agent.ErrNotRead) {
		t.Fatal(err)
	}
}
