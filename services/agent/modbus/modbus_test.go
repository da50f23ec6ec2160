package modbus

import (
	"context"
	"fmt"
	"io"
	"log"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"go.uber.org/goleak"

	"github.com/downweb/downweb/services/agent/counter"
	"github.com/downweb/downweb/services/agent/machine"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// press is a simulated device: registers and bits that tests set.
type press struct {
	mu      sync.Mutex
	regs    map[uint16]uint16
	bits    map[uint16]bool
	refused map[uint16]bool
	writes  int
	asked   []string
	slow    time.Duration
}

func (p *press) HandleCoils(r *modbus.CoilsRequest) ([]bool, error) {
	return p.flags("coil", r.Addr, r.Quantity, r.IsWrite)
}

func (p *press) HandleDiscreteInputs(r *modbus.DiscreteInputsRequest) ([]bool, error) {
	return p.flags("discrete", r.Addr, r.Quantity, false)
}

func (p *press) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	return p.words("holding", r.Addr, r.Quantity, r.IsWrite)
}

func (p *press) HandleInputRegisters(r *modbus.InputRegistersRequest) ([]uint16, error) {
	return p.words("input", r.Addr, r.Quantity, false)
}

func (p *press) flags(table string, first, n uint16, write bool) ([]bool, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.note(table, first, n, write)
	var out []bool
	for i := range n {
		out = append(out, p.bits[first+i])
	}
	return out, nil
}

func (p *press) words(table string, first, n uint16, write bool) ([]uint16, error) {
	p.mu.Lock()
	slow := p.slow
	p.mu.Unlock()
	time.Sleep(slow)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.note(table, first, n, write)
	var out []uint16
	for i := range n {
		if p.refused[first+i] {
			return nil, modbus.ErrIllegalDataAddress
		}
		out = append(out, p.regs[first+i])
	}
	return out, nil
}

func (p *press) note(table string, first, n uint16, write bool) {
	if write {
		p.writes++
	}
	if len(p.asked) < 1000 {
		p.asked = append(p.asked, fmt.Sprintf("%s %d+%d", table, first, n))
	}
}

func (p *press) set(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
}

// serve the device on an address; "127.0.0.1:0" takes a free one.
func serve(t *testing.T, p *press, at string) (addr string, stop func()) {
	t.Helper()
	if strings.HasSuffix(at, ":0") {
		l, err := net.Listen("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		at = l.Addr().String()
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	s, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + at, Timeout: 30 * time.Second, MaxClients: 5, Logger: log.New(io.Discard, "", 0)}, p)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(); err != nil {
		t.Fatal(err)
	}
	return at, sync.OnceFunc(func() {
		if err := s.Stop(); err != nil {
			t.Error(err)
		}
	})
}

func mapping(t *testing.T, addr, poll string) *machine.Mapping {
	t.Helper()
	m, err := machine.ParseMapping(fmt.Appendf(nil, `
press: linden/p1
running_m_per_min: 5
modbus: {address: %q, poll: %s, timeout: 2s, max_requests: 40}
signals:
  speed: {at: "input:10:float32", mm_per_min: 1000}
  good: {at: "holding:100:uint32:low-word-first", mm: 10, bits: 32}
  waste: {at: "holding:102:uint16", mm: 100, bits: 16}
  power: {at: "discrete:3"}
  fault: {at: "holding:104:bit5"}
  good_on: {at: "coil:7"}
  job: {at: "holding:110:text4"}
`, addr, poll))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func device() *press {
	f := math.Float32bits(80.5)
	return &press{
		regs:    map[uint16]uint16{10: uint16(f >> 16), 11: uint16(f), 100: 0xfff0, 101: 0xffff, 102: 65530, 104: 1 << 5, 110: 'J'<<8 | '-', 111: '1' << 8},
		bits:    map[uint16]bool{3: true, 7: true},
		refused: map[uint16]bool{},
	}
}

type taken struct {
	mu   sync.Mutex
	got  []counter.Sample
	want int
	stop context.CancelFunc
	each func(n int)
}

func (s *taken) Sample(x counter.Sample) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.got = append(s.got, x)
	if s.each != nil {
		s.each(len(s.got))
	}
	if len(s.got) == s.want {
		s.stop()
	}
	return nil
}

func run(t *testing.T, m *machine.Mapping, s *taken) *Client {
	t.Helper()
	c, err := New(m)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(context.Background(), 60*time.Second)
	defer stop()
	s.stop = stop
	if err := machine.Run(ctx, m, c, s, 0, nil); err != nil {
		t.Fatal(err)
	}
	if len(s.got) < s.want {
		t.Fatalf("%d samples of %d", len(s.got), s.want)
	}
	return c
}

// TestPoll reads every kind of signal from a device, over the roll of both
// counters, and makes the length that they moved.
func TestPoll(t *testing.T) {
	p := device()
	addr, stop := serve(t, p, "127.0.0.1:0")
	defer stop()
	s := &taken{want: 3}
	s.each = func(n int) {
		if n == 1 { // 32 counts of good past 2^32, 10 of waste past 2^16
			p.set(func() { p.regs[100], p.regs[101], p.regs[102], p.regs[104] = 0x10, 0, 4, 0 })
		}
	}
	c := run(t, mapping(t, addr, "100ms"), s)
	first := s.got[0]
	if first.Speed != 80_500 || first.Good != 0xfffffff0 || first.Waste != 65530 || !first.Power || !first.Fault || !first.GoodOn || first.Job != "J-1" || !first.JobOpen {
		t.Fatalf("%+v", first)
	}
	last := s.got[2]
	if last.Good != 16 || last.Waste != 4 || last.Fault {
		t.Fatalf("%+v", last)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.writes != 0 {
		t.Fatalf("%d writes", p.writes)
	}
	// One request a table: the holding registers lie near each other.
	if c.Requests() != 4 || !slices.Contains(p.asked, "holding 100+14") {
		t.Fatalf("%d %v", c.Requests(), p.asked[:4])
	}
}

// TestDeath: the device goes away and comes back; what it told before counts
// no more, and reading goes on by itself.
func TestDeath(t *testing.T) {
	p := device()
	addr, stop := serve(t, p, "127.0.0.1:0")
	s := &taken{want: 6}
	again := make(chan func(), 1)
	s.each = func(n int) {
		if n == 3 {
			go func() {
				stop()
				time.Sleep(300 * time.Millisecond)
				_, stop2 := serve(t, p, addr)
				again <- stop2
			}()
		}
	}
	run(t, mapping(t, addr, "200ms"), s)
	(<-again)()
}

// TestException: one refused register makes its own signal bad and no other
// connection is made for it.
func TestException(t *testing.T) {
	p := device()
	addr, stop := serve(t, p, "127.0.0.1:0")
	defer stop()
	p.refused[10] = true
	m := mapping(t, addr, "100ms")
	c, err := New(m)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	a := machine.NewAssembler(m)
	n := 0
	err = c.Run(ctx, func(vs []machine.Value) {
		if n++; n == 3 {
			p.set(func() { delete(p.refused, 10) })
		}
		_, why := a.Take(vs, time.Now())
		if n < 3 && !strings.Contains(why, "speed: illegal data address") {
			t.Errorf("poll %d: %q", n, why)
		}
		if why == "" {
			cancel()
		}
	}, func(err error) { t.Errorf("lost: %v", err) })
	if err != nil || n < 3 {
		t.Fatal(err, n)
	}
}

// TestSlowDevice: polls are not queued behind a device that answers slowly.
func TestSlowDevice(t *testing.T) {
	p := device()
	p.slow = 80 * time.Millisecond
	addr, stop := serve(t, p, "127.0.0.1:0")
	defer stop()
	c := run(t, mapping(t, addr, "100ms"), &taken{want: 5})
	if c.Late() == 0 {
		t.Fatal("no poll was late")
	}
}

func TestAddresses(t *testing.T) {
	for text, want := range map[string]address{
		"holding:0":                        {table: holding, words: 1, kind: kindUint16},
		"input:65535:int16":                {table: input, first: 65535, words: 1, kind: kindInt16},
		"holding:7:float64:low-word-first": {table: holding, first: 7, words: 4, kind: kindFloat64, low: true},
		"holding:7:bit15":                  {table: holding, first: 7, words: 1, bit: 15},
		"coil:9":                           {table: coil, first: 9, words: 1},
	} {
		want.text = text
		if got, err := parseAddress(text); err != nil || got != want {
			t.Errorf("%s: %+v %v", text, got, err)
		}
	}
	for _, text := range []string{"", "holding", "holding:x", "holding:65536", "holding:65535:uint32", "coil:1:uint16", "holding:1:bit16", "holding:1:text33",
		"holding:1:uint16:low-word-first", "holding:1:uint32:high", "holding:1:text2:low-word-first", "40001"} {
		if a, err := parseAddress(text); err == nil {
			t.Errorf("%s: %+v", text, a)
		}
	}
}

// TestValues: the same registers as each type. 0xC2F6 0xE979 is -123.456 in
// IEEE 754 single precision (worked with the standard's definition).
func TestValues(t *testing.T) {
	for text, want := range map[string]any{
		"holding:0:uint32": uint64(0xc2f6e979), "holding:0:int32": int64(-1024005767), "holding:0:uint32:low-word-first": uint64(0xe979c2f6),
		"holding:0:float32": float64(float32(-123.456)), "holding:0:uint16": uint64(0xc2f6), "holding:0:int16": int64(-15626), "holding:0:bit1": true, "holding:0:bit0": false,
	} {
		a, err := parseAddress(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := a.value([]uint16{0xc2f6, 0xe979}[:a.words]); got != want {
			t.Errorf("%s: %v, want %v", text, got, want)
		}
	}
}

// TestPlan: no request is over the protocol's bound, no value is split, every
// address is read once.
func TestPlan(t *testing.T) {
	var list []address
	for i := range 400 {
		a, err := parseAddress(fmt.Sprintf("holding:%d:uint64", i*7))
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, a)
	}
	n := 0
	for _, b := range plan(list) {
		if b.words > maxRegisters {
			t.Fatalf("%d registers", b.words)
		}
		for _, a := range b.values {
			if n++; a.first < b.first || a.first+a.words > b.first+b.words {
				t.Fatalf("%+v in %+v", a, b)
			}
		}
	}
	if n != 400 {
		t.Fatal(n)
	}
}

func TestBudget(t *testing.T) {
	m, err := machine.ParseMapping([]byte(`
press: linden/p1
running_m_per_min: 5
modbus: {address: "127.0.0.1:502", poll: 100ms, max_requests: 20}
signals:
  speed: {at: "input:10", mm_per_min: 1000}
  good: {at: "holding:100:uint32", mm: 10, bits: 32}
  power: {at: "discrete:3"}
  good_on: {at: "coil:7"}
  job_open: {at: "coil:5000"}
`))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := New(m); err == nil || !strings.Contains(err.Error(), "50.0 a second") {
		t.Fatal(err)
	}
}
