package machine

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"time"

	"go.yaml.in/yaml/v3"

	"github.com/downweb/downweb/services/agent/counter"
)

// Mapping of one press: where its signals are and how to read them.
type Mapping struct {
	// Press as plant/press.
	Press string `yaml:"press"`

	// Exactly one of the sections says how to reach the machine. Each is
	// decoded by the adapter of its name.
	OPCUA     yaml.Node `yaml:"opcua"`
	MQTT      yaml.Node `yaml:"mqtt"`
	Sparkplug yaml.Node `yaml:"sparkplug"`
	Modbus    yaml.Node `yaml:"modbus"`

	// RunningMPerMin: from this speed on the web counts as running, m/min.
	RunningMPerMin float64 `yaml:"running_m_per_min"`
	// MaxGap: samples further apart leave a gap; 0: 10 s; at most 1 min.
	MaxGap time.Duration `yaml:"max_gap"`
	// MaxAge: a signal that has not been told for so long is no longer known;
	// 0: never, as a machine that tells only changes keeps its connection alive
	// by other means.
	MaxAge time.Duration `yaml:"max_age"`

	// Clock stamps the samples: "agent" (the default; its offset to the server
	// is measured), or "machine", where the machine tells good times of its own.
	Clock string `yaml:"clock"`

	Signals Signals `yaml:"signals"`
}

// Signals of a press. Speed, Good and Power are needed; the others may be left
// out.
type Signals struct {
	Speed   *Number `yaml:"speed"`
	Rated   *Number `yaml:"rated"`
	Good    *Length `yaml:"good"`
	Waste   *Length `yaml:"waste"`
	Power   *Flag   `yaml:"power"`
	Fault   *Flag   `yaml:"fault"`
	GoodOn  *Flag   `yaml:"good_on"`
	JobOpen *Flag   `yaml:"job_open"`
	Job     *Text   `yaml:"job"`
}

// Number is a speed.
type Number struct {
	At string `yaml:"at"`
	// MmPerMin is what one unit of the value is, mm/min: 1000 where the
	// machine tells m/min, 60000 for m/s.
	MmPerMin float64 `yaml:"mm_per_min"`
}

// Length is a counter.
type Length struct {
	At string `yaml:"at"`
	// Mm is what one count is, as a whole number or a fraction ("254/10").
	Mm Fraction `yaml:"mm"`
	// Wrap is the number of values before the counter starts at 0 again; 0:
	// never. Bits says the same for a counter of so many bits.
	Wrap uint64 `yaml:"wrap"`
	Bits int    `yaml:"bits"`
	// Decimal: the machine tells a number with decimals; it is taken down to
	// whole millimeters, and cannot wrap.
	Decimal bool `yaml:"decimal"`
}

// Flag is true or false.
type Flag struct {
	At string `yaml:"at"`
	// Always true, without an address.
	Always bool `yaml:"always"`
	// Is lists the values that mean true; empty: true, or a number that is not
	// 0. IsNot lists those that mean false instead.
	Is    []any `yaml:"is"`
	IsNot []any `yaml:"is_not"`
	// Vocabulary names an open standard's list of states: Is and IsNot may then
	// hold its names beside numbers.
	Vocabulary string `yaml:"vocabulary"`

	is, isNot []string
}

// Text is a job's id.
type Text struct {
	At string `yaml:"at"`
	// None lists values that mean "no job", beside the empty text and 0.
	None []string `yaml:"none"`
}

var pressPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}/[a-z0-9][a-z0-9-]{0,39}$`)

// Kind of the section that is filled: "opcua", "mqtt", "sparkplug" or
// "modbus".
func (m *Mapping) Kind() string {
	for name, n := range m.sections() {
		if n.Kind != 0 {
			return name
		}
	}
	return ""
}

func (m *Mapping) sections() map[string]*yaml.Node {
	return map[string]*yaml.Node{"opcua": &m.OPCUA, "mqtt": &m.MQTT, "sparkplug": &m.Sparkplug, "modbus": &m.Modbus}
}

// Section decodes the adapter's own settings into v; a key that v does not
// know is an error with its line.
func (m *Mapping) Section(v any) error {
	n := m.sections()[m.Kind()]
	if n == nil {
		return errors.New("mapping: no section says how to reach the machine")
	}
	text, err := yaml.Marshal(n)
	if err != nil {
		return fmt.Errorf("mapping: %s: %w", m.Kind(), err)
	}
	if err := strict(text, v); err != nil {
		return fmt.Errorf("mapping: %s (from line %d): %w", m.Kind(), n.Line, err)
	}
	return nil
}

// Addresses that the adapter has to read, sorted, each once.
func (m *Mapping) Addresses() []string {
	var out []string
	for _, u := range m.uses() {
		if u.at != "" {
			out = append(out, u.at)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// use is one signal of the mapping.
type use struct {
	name, at string
	need     bool // no sample without it
}

func (m *Mapping) uses() []use {
	s := &m.Signals
	var out []use
	add := func(name, at string, need bool) { out = append(out, use{name, at, need}) }
	if s.Speed != nil {
		add("speed", s.Speed.At, true)
	}
	if s.Rated != nil {
		add("rated", s.Rated.At, false)
	}
	if s.Good != nil {
		add("good", s.Good.At, true)
	}
	if s.Waste != nil {
		add("waste", s.Waste.At, true)
	}
	for _, f := range []struct {
		name string
		f    *Flag
	}{{"power", s.Power}, {"fault", s.Fault}, {"good_on", s.GoodOn}, {"job_open", s.JobOpen}} {
		if f.f != nil {
			add(f.name, f.f.At, !f.f.Always)
		}
	}
	if s.Job != nil {
		add("job", s.Job.At, s.JobOpen == nil)
	}
	return out
}

// Counter is the mapping's part for package counter.
func (m *Mapping) Counter() counter.Config {
	c := counter.Config{Threshold: int64(m.RunningMPerMin * 1000), MaxGapMs: m.MaxGap.Milliseconds()}
	c.Good = m.Signals.Good.meter()
	if m.Signals.Waste != nil {
		c.Waste = m.Signals.Waste.meter()
	}
	return c
}

func (l *Length) meter() counter.Meter {
	if l.Decimal {
		return counter.Meter{Num: 1, Den: 1}
	}
	w := l.Wrap
	if l.Bits > 0 && l.Bits < 64 {
		w = 1 << l.Bits
	}
	return counter.Meter{Wrap: w, Num: l.Mm.Num, Den: l.Mm.Den}
}
