package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"math/rand/v2"
	"net"
	"slices"
	"sync/atomic"
	"time"

	"github.com/simonvetter/modbus"

	"github.com/downweb/downweb/services/agent/machine"
)

// Settings are the section "modbus" of a mapping.
type Settings struct {
	// Address of the device, host:port.
	Address string `yaml:"address"`
	// Unit id; 0: 1.
	Unit uint8 `yaml:"unit"`
	// Poll interval; 0: 1 s; at least 100 ms, at most 10 s.
	Poll time.Duration `yaml:"poll"`
	// Timeout of a request; 0: 1 s.
	Timeout time.Duration `yaml:"timeout"`
	// MaxRequests a second that the device may be asked; 0: 20.
	MaxRequests int `yaml:"max_requests"`
}

// Client reads one device.
type Client struct {
	cfg    Settings
	blocks []block
	late   atomic.Uint64
}

// New client of a mapping's section and addresses; it does nothing until Run.
func New(m *machine.Mapping) (*Client, error) {
	c := &Client{}
	if err := m.Section(&c.cfg); err != nil {
		return nil, err
	}
	if c.cfg.Unit == 0 {
		c.cfg.Unit = 1
	}
	c.cfg.Poll = or(c.cfg.Poll, time.Second)
	c.cfg.Timeout = or(c.cfg.Timeout, time.Second)
	c.cfg.MaxRequests = or(c.cfg.MaxRequests, 20)
	var errs []error
	bad := func(format string, v ...any) { errs = append(errs, fmt.Errorf("modbus: "+format, v...)) }
	if _, _, err := net.SplitHostPort(c.cfg.Address); err != nil {
		bad("address: %w", err)
	}
	if c.cfg.Poll < 100*time.Millisecond || c.cfg.Poll > 10*time.Second {
		bad("poll %s is not 100ms to 10s", c.cfg.Poll)
	}
	if c.cfg.Timeout < 10*time.Millisecond || c.cfg.Timeout > 30*time.Second {
		bad("timeout %s is not 10ms to 30s", c.cfg.Timeout)
	}
	var list []address
	for _, text := range m.Addresses() {
		a, err := parseAddress(text)
		if err != nil {
			bad("%w", err)
			continue
		}
		list = append(list, a)
	}
	c.blocks = plan(list)
	if rate := float64(len(c.blocks)) / c.cfg.Poll.Seconds(); rate > float64(c.cfg.MaxRequests) {
		bad("%d requests every %s are %.1f a second, over max_requests %d: poll less often, or map neighboring registers",
			len(c.blocks), c.cfg.Poll, rate, c.cfg.MaxRequests)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return c, nil
}

func or[T comparable](v, d T) T {
	var zero T
	if v == zero {
		return d
	}
	return v
}

// Requests that one poll takes.
func (c *Client) Requests() int { return len(c.blocks) }

// Late polls so far: the device took longer to answer than the interval.
func (c *Client) Late() uint64 { return c.late.Load() }

// Pauses between tries to connect.
const (
	firstPause = 500 * time.Millisecond
	lastPause  = 30 * time.Second
)

// Run polls until ctx ends.
func (c *Client) Run(ctx context.Context, give func([]machine.Value), lost func(error)) error {
	pause := firstPause
	for ctx.Err() == nil {
		polls, err := c.session(ctx, give)
		if ctx.Err() != nil {
			return nil
		}
		lost(fmt.Errorf("modbus %s: %w", c.cfg.Address, err))
		if polls > 0 {
			pause = firstPause
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause/2 + rand.N(pause)):
		}
		pause = min(2*pause, lastPause)
	}
	return nil
}

// session polls over one connection until it fails.
func (c *Client) session(ctx context.Context, give func([]machine.Value)) (polls int, err error) {
	mc, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + c.cfg.Address, Timeout: c.cfg.Timeout, Logger: log.New(io.Discard, "", 0)})
	if err != nil {
		return 0, err
	}
	if err := mc.Open(); err != nil {
		return 0, err
	}
	defer func() { _ = mc.Close() }()
	if err := mc.SetUnitId(c.cfg.Unit); err != nil {
		return 0, err
	}
	tick := time.NewTicker(c.cfg.Poll)
	defer tick.Stop()
	for {
		values, err := c.poll(mc)
		if err != nil {
			return polls, err
		}
		polls++
		give(values)
		select { // a tick that waits already: the poll took too long
		case <-tick.C:
			c.late.Add(1)
		default:
			select {
			case <-ctx.Done():
				return polls, nil
			case <-tick.C:
			}
		}
		if ctx.Err() != nil {
			return polls, nil
		}
	}
}

// exceptions with which a device refuses one request while others work: its
// values are bad, the connection is not.
var exceptions = []error{modbus.ErrIllegalFunction, modbus.ErrIllegalDataAddress, modbus.ErrIllegalDataValue,
	modbus.ErrServerDeviceFailure, modbus.ErrServerDeviceBusy, modbus.ErrMemoryParityError, modbus.ErrAcknowledge}

func (c *Client) poll(mc *modbus.ModbusClient) ([]machine.Value, error) {
	var out []machine.Value
	for _, b := range c.blocks {
		regs, bits, err := read(mc, b)
		if err != nil {
			if !slices.ContainsFunc(exceptions, func(e error) bool { return errors.Is(err, e) }) {
				return nil, err
			}
			for _, a := range b.values {
				out = append(out, machine.Value{Address: a.text, Bad: true, Why: err.Error()})
			}
			continue
		}
		for _, a := range b.values {
			i := int(a.first - b.first)
			v := machine.Value{Address: a.text}
			if bits != nil {
				v.Value = bits[i]
			} else {
				v.Value = a.value(regs[i : i+int(a.words)])
			}
			out = append(out, v)
		}
	}
	return out, nil
}

func read(mc *modbus.ModbusClient, b block) (regs []uint16, bits []bool, err error) {
	switch b.table {
	case coil:
		bits, err = mc.ReadCoils(b.first, b.words)
	case discrete:
		bits, err = mc.ReadDiscreteInputs(b.first, b.words)
	case input:
		regs, err = mc.ReadRegisters(b.first, b.words, modbus.INPUT_REGISTER)
	default:
		regs, err = mc.ReadRegisters(b.first, b.words, modbus.HOLDING_REGISTER)
	}
	if err == nil && len(regs)+len(bits) != int(b.words) {
		err = fmt.Errorf("%d values where %d were asked for", len(regs)+len(bits), b.words)
	}
	return regs, bits, err
}
