package agent_test

import (
	"strings"
	"testing"

	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/opstest"
)

// TestMetrics: they say what the status says, and are well named.
func TestMetrics(t *testing.T) {
	env := eventlogtest.Start(t)
	startSink(t, env)
	a := agent.New(config(t, env, agent.Source{Reader: strings.NewReader(sliceLines(0, 50) + "x\n" + sliceLines(0, 3)), Name: "x"}))
	m := ops.NewMetrics()
	a.RegisterMetrics(m)
	if v := opstest.Value(t, m, "downweb_agent_accepted_total"); v != 0 || a.Ready() == nil {
		t.Fatalf("before Run: %v, %v", v, a.Ready())
	}
	if err := a.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]float64{
		"accepted_total": 50, "refused_total": 1, "known_total": 3, "spool_bytes": 0, "lost_events": 0, "epochs_begun_total": 0, "unproven": 0, "clock_alarm": 0,
	} {
		if v := opstest.Value(t, m, "downweb_agent_"+name); v != want {
			t.Errorf("%s: %v, want %v", name, v, want)
		}
	}
	if v := opstest.Value(t, m, "downweb_agent_press_confirmed_seq", "press", "rhein/p1"); v != 50 {
		t.Errorf("confirmed %v", v)
	}
	if v := opstest.Value(t, m, "downweb_agent_clock_offset_seconds"); v < -1 || v > 1 {
		t.Errorf("offset %v", v)
	}
}
