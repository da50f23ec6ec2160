package agent_test

import (
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// controller is a press over Modbus: 10 counts of 100 mm at every look, until
// it says that it has failed.
type controller struct {
	count  atomic.Uint32
	failed atomic.Bool
}

func (c *controller) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func (c *controller) HandleInputRegisters(*modbus.InputRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}

func (c *controller) HandleDiscreteInputs(r *modbus.DiscreteInputsRequest) ([]bool, error) {
	out := make([]bool, r.Quantity)
	for i := range out {
		switch r.Addr + uint16(i) {
		case 0: // power
			out[i] = true
		case 1:
			out[i] = c.failed.Load()
		case 2: // good counter on
			out[i] = !c.failed.Load()
		}
	}
	return out, nil
}

func (c *controller) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	speed, n := uint16(80), c.count.Load()
	if c.failed.Load() {
		speed = 0
	} else {
		n = c.count.Add(10)
	}
	regs := []uint16{speed, uint16(n >> 16), uint16(n), 'J' << 8}
	return regs[r.Addr : r.Addr+r.Quantity], nil
}

const controllerMapping = `
press: rhein/p1
running_m_per_min: 5
modbus: {address: %q, poll: 100ms, max_requests: 30}
signals:
  speed: {at: "holding:0", mm_per_min: 1000}
  good: {at: "holding:1:uint32", mm: 100, bits: 32}
  power: {at: "discrete:0"}
  fault: {at: "discrete:1"}
  good_on: {at: "discrete:2"}
  job: {at: "holding:3:text1"}
`

// TestMachine: what a controller counts is in the log as slices.
func TestMachine(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	press := &controller{}
	srv, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + addr, MaxClients: 2, Logger: log.New(io.Discard, "", 0)}, press)
	if err != nil {
		t.Fatal(err)
	}
	if err := srv.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Stop() })
	file := filepath.Join(t.TempDir(), "p1.yaml")
	if err := os.WriteFile(file, fmt.Appendf(nil, controllerMapping, addr), 0o600); err != nil {
		t.Fatal(err)
	}
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	a, stop := start(t, config(t, env, agent.Source{Machine: file}))
	within(t, 30*time.Second, "some samples", func() bool { m := a.Status().Machines; return len(m) == 1 && m[0].Samples > 20 })
	press.failed.Store(true) // closes the production slice
	within(t, 30*time.Second, "the samples of the fault", func() bool { return a.Status().Machines[0].Samples > 30 })
	press.failed.Store(false) // closes the stop
	within(t, 30*time.Second, "the stop in the log", func() bool { st := a.Status(); return st.Last >= 2 && st.Confirmed == st.Last })
	_ = stop()
	var production, down int64
	events := s.check(t, int(a.Status().Last))
	for _, e := range events {
		switch sl := e.GetSlice(); sl.GetState() {
		case pb.State_STATE_PRODUCTION:
			production += sl.GoodMm
			if sl.Job != "J" {
				t.Errorf("%v", sl)
			}
		case pb.State_STATE_DOWN:
			down += sl.To.AsTime().Sub(sl.From.AsTime()).Milliseconds()
		}
	}
	if production < 10_000 || production > int64(press.count.Load())*100 || down < 500 {
		t.Fatalf("%d mm, %d ms down: %v", production, down, events)
	}
	if m := a.Status().Machines[0]; m.Press != "rhein/p1" || m.Kind != "modbus" || m.Why != "" {
		t.Fatalf("%+v", m)
	}
}

// TestMachineRefused: a mapping is checked before the agent starts.
func TestMachineRefused(t *testing.T) {
	env := eventlogtest.Start(t)
	dir := t.TempDir()
	for name, c := range map[string][2]string{
		"strange": {strings.Replace(controllerMapping, "rhein/p1", "rhein/p9", 1), "does not serve"},
		"broken":  {strings.Replace(controllerMapping, "holding:1:uint32", "holding:1:uint31", 1), "unknown type"},
	} {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, fmt.Appendf(nil, c[0], "127.0.0.1:1"), 0o600); err != nil {
			t.Fatal(err)
		}
		cfg := config(t, env, agent.Source{Machine: file})
		if err := cfg.Validate(); err == nil || !strings.Contains(err.Error(), c[1]) {
			t.Errorf("%s: %v", name, err)
		}
	}
	cfg := config(t, env, agent.Source{Machine: filepath.Join(dir, "none")})
	if err := cfg.Validate(); err == nil || !strings.Contains(err.Error(), "none") {
		t.Error(err)
	}
}
