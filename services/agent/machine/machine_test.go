package machine_test

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/downweb/downweb/services/agent/counter"
	"github.com/downweb/downweb/services/agent/machine"
)

const good = `
press: linden/p1
running_m_per_min: 5
modbus: {address: "127.0.0.1:502"}
signals:
  speed: {at: s, mm_per_min: 1000}
  good: {at: g, mm: 254/10, bits: 32}
  waste: {at: w, mm: 1, decimal: true}
  power: {always: true}
  fault: {at: st, vocabulary: opc-30060, is: [Aborting, Aborted]}
  good_on: {at: on}
  job: {at: j, none: [NONE]}
`

func parse(t *testing.T, text string) *machine.Mapping {
	t.Helper()
	m, err := machine.ParseMapping([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestMappingIsRead(t *testing.T) {
	m := parse(t, good)
	if m.Kind() != "modbus" || strings.Join(m.Addresses(), ",") != "g,j,on,s,st,w" {
		t.Fatalf("%s %v", m.Kind(), m.Addresses())
	}
	c := m.Counter()
	if c.Threshold != 5000 || c.Good != (counter.Meter{Wrap: 1 << 32, Num: 254, Den: 10}) || c.Waste != (counter.Meter{Num: 1, Den: 1}) {
		t.Fatalf("%+v", c)
	}
	var s struct {
		Address string `yaml:"address"`
	}
	if err := m.Section(&s); err != nil || s.Address != "127.0.0.1:502" {
		t.Fatal(err, s)
	}
	var other struct{ Host string }
	if err := m.Section(&other); err == nil || !strings.Contains(err.Error(), "address") {
		t.Fatal(err)
	}
}

func TestMappingIsRefused(t *testing.T) {
	for name, c := range map[string][3]string{
		"unknown key":      {"press: linden/p1", "press: linden/p1\ncolour: red", "colour"},
		"press":            {"linden/p1", "P1", "plant/press"},
		"two machines":     {"modbus:", "opcua: {endpoint: x}\nmodbus:", "2 sections"},
		"no machine":       {`modbus: {address: "127.0.0.1:502"}`, "", "0 sections"},
		"threshold":        {"running_m_per_min: 5", "", "running_m_per_min"},
		"no counter":       {"  good: {at: g, mm: 254/10, bits: 32}\n", "", "signals.good is missing"},
		"no length":        {"mm: 254/10", "mm: 0", "no length above 0"},
		"both wraps":       {"bits: 32", "bits: 32, wrap: 7", "keep one"},
		"decimal wraps":    {"decimal: true", "decimal: true, bits: 16", "cannot wrap"},
		"state":            {"Aborted]", "Broken]", "no state of"},
		"vocabulary":       {"opc-30060", "mine", "not known"},
		"no job":           {"  job: {at: j, none: [NONE]}\n", "", "job_open"},
		"no address":       {"good_on: {at: on}", "good_on: {}", "good_on.at is missing"},
		"second document":  {"press:", "---\npress: a/b\n---\npress:", "document"},
		"always and a use": {"{always: true}", "{always: true, at: x}", "stands alone"},
	} {
		text := strings.Replace(good, c[0], c[1], 1)
		if text == good {
			t.Fatalf("%s: nothing was replaced", name)
		}
		if _, err := machine.ParseMapping([]byte(text)); err == nil || !strings.Contains(err.Error(), c[2]) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestSample: values to sample, and each reason for none.
func TestSample(t *testing.T) {
	a := machine.NewAssembler(parse(t, "clock: machine\n"+good))
	now := time.UnixMilli(1_781_496_000_000)
	v := func(at string, x any) machine.Value { return machine.Value{Address: at, Value: x} }
	if _, why := a.Take([]machine.Value{v("s", 80.25), v("g", uint64(7))}, now); !strings.Contains(why, "good_on: not told yet") {
		t.Fatalf("%q", why)
	}
	s, why := a.Take([]machine.Value{v("w", 12.75), v("on", true), v("st", int64(4)), {Address: "j", Value: " J-1\n", At: now.Add(time.Second)}}, now)
	if want := (counter.Sample{At: now.UnixMilli() + 1000, Speed: 80_250, Good: 7, Waste: 12, Power: true, GoodOn: true, JobOpen: true, Job: "J-1"}); why != "" || s != want {
		t.Fatalf("%+v %q", s, why)
	}
	// A signed 32-bit counter past its middle; a fault by number; no job.
	s, why = a.Take([]machine.Value{v("g", int64(-1)), v("st", int64(8)), v("j", "NONE")}, now)
	if why != "" || s.Good != 1<<32-1 || !s.Fault || s.JobOpen || s.Job != "" {
		t.Fatalf("%+v %q", s, why)
	}
	// A state told as a word.
	if s, _ = a.Take([]machine.Value{v("st", "aborting")}, now); !s.Fault {
		t.Fatalf("%+v", s)
	}
	for _, bad := range []machine.Value{v("s", "fast"), v("g", 1.5), v("g", uint64(1<<32)), v("w", -1.0), {Address: "on", Bad: true, Why: "sensor failure"}} {
		b := machine.NewAssembler(parse(t, good))
		b.Take([]machine.Value{v("s", 1.0), v("g", uint64(7)), v("w", 0.0), v("on", true), v("st", int64(4)), v("j", "x")}, now)
		if _, why := b.Take([]machine.Value{bad}, now); why == "" {
			t.Errorf("%+v made a sample", bad)
		}
	}
	agent := machine.NewAssembler(parse(t, good))
	if s, why = agent.Take([]machine.Value{v("s", 1.0), v("g", uint64(7)), v("w", 0.0), v("on", true), v("st", int64(4)), {Address: "j", Value: "x", At: now}}, now); s.At != 0 || why != "" {
		t.Fatalf("%+v %q: the agent's clock is to stamp it", s, why)
	}
	a.Lost()
	if _, why := a.Take([]machine.Value{v("s", 1.0)}, now); !strings.Contains(why, "good: not told yet") {
		t.Fatalf("%q", why)
	}
}

func TestMaxAge(t *testing.T) {
	a := machine.NewAssembler(parse(t, "max_age: 5s\n"+good))
	now := time.UnixMilli(1_781_496_000_000)
	v := func(at string, x any) machine.Value { return machine.Value{Address: at, Value: x} }
	a.Take([]machine.Value{v("s", 1.0), v("g", uint64(7)), v("w", 0.0), v("on", true), v("st", int64(4)), v("j", "x")}, now)
	if _, why := a.Take([]machine.Value{v("s", 2.0)}, now.Add(5*time.Second)); why != "" {
		t.Fatal(why)
	}
	if _, why := a.Take([]machine.Value{v("s", 2.0)}, now.Add(6*time.Second)); !strings.Contains(why, "good: not told for 5s") {
		t.Fatal(why)
	}
}

type script []func(give func([]machine.Value), lost func(error))

func (s script) Run(ctx context.Context, give func([]machine.Value), lost func(error)) error {
	for _, f := range s {
		f(give, lost)
	}
	<-ctx.Done()
	return nil
}

type samples struct {
	got  []counter.Sample
	want int
	stop context.CancelFunc
}

func (s *samples) Sample(x counter.Sample) error {
	if s.got = append(s.got, x); len(s.got) == s.want {
		s.stop()
	}
	return nil
}

// TestRun: what a lost connection told does not come back by itself, and what
// stands still is told again.
func TestRun(t *testing.T) {
	v := func(at string, x any) machine.Value { return machine.Value{Address: at, Value: x} }
	all := []machine.Value{v("s", 1.0), v("g", uint64(7)), v("w", 0.0), v("on", true), v("st", int64(4)), v("j", "x")}
	ctx, stop := context.WithTimeout(context.Background(), 30*time.Second)
	defer stop()
	s := &samples{want: 4, stop: stop}
	err := machine.Run(ctx, parse(t, good), script{
		func(give func([]machine.Value), _ func(error)) { give(all) },
		func(_ func([]machine.Value), lost func(error)) { lost(errors.New("cable")) },
		func(give func([]machine.Value), _ func(error)) { give(all[:1]) },
		func(give func([]machine.Value), _ func(error)) { give(all[1:]) },
	}, s, 10*time.Millisecond, nil)
	if err != nil || len(s.got) != 4 || s.got[1].Good != 7 || s.got[3] != s.got[1] {
		t.Fatalf("%v %+v", err, s.got)
	}
}

// TestTryOn: traffic that was recorded is tried without a machine, and makes
// what the live one made.
func TestTryOn(t *testing.T) {
	m := parse(t, good)
	var b bytes.Buffer
	rec := machine.NewRecorder(&b)
	start := time.Date(2026, 6, 15, 4, 0, 0, 0, time.UTC)
	v := func(at string, x any) machine.Value { return machine.Value{Address: at, Value: x} }
	for i := range 31 {
		now := start.Add(time.Duration(i) * 2 * time.Second)
		vs := []machine.Value{v("g", uint64(i*100)), v("s", 100.5), v("w", 0.0), v("on", true), v("j", "J1"), v("spare", 1.0)}
		if i == 0 {
			vs = append(vs, v("st", int64(4)))
		}
		if i == 20 {
			if err := rec.Lost(now, errors.New("cable")); err != nil {
				t.Fatal(err)
			}
		}
		if i == 22 {
			vs = append(vs, v("st", int64(4)))
		}
		if err := rec.Values(now, vs); err != nil {
			t.Fatal(err)
		}
	}
	try, err := m.TryOn(&b)
	if err != nil {
		t.Fatal(err)
	}
	if try.Lines != 32 || try.Samples != 29 || try.Without["fault: not told yet"] != 2 || strings.Join(try.Unmapped, ",") != "spare" || len(try.Untold) != 0 {
		t.Fatalf("%+v", try)
	}
	var mm int64
	for _, s := range try.Slices {
		mm += s.Good
	}
	if mm != 3000*254/10 { // 30 steps of 100 counts, 25.4 mm each; the lost samples lie inside the largest gap
		t.Fatalf("%d mm in %+v", mm, try.Slices)
	}
	for _, bad := range []string{"{", `{"values":[]}`, `{"at":"2026-06-15T04:00:00Z","what":1}`} {
		if _, err := m.TryOn(strings.NewReader(bad)); err == nil || !strings.Contains(err.Error(), "line 1") {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

func FuzzMapping(f *testing.F) {
	f.Add([]byte(good), []byte(`{"at":"2026-06-15T04:00:00Z","values":[{"address":"g","value":5}]}`))
	f.Fuzz(func(t *testing.T, text, traffic []byte) {
		m, err := machine.ParseMapping(text)
		if err != nil {
			return
		}
		try, err := m.TryOn(bytes.NewReader(traffic))
		if err != nil {
			return
		}
		for _, s := range try.Slices {
			if s.To <= s.From || s.Good < 0 || s.Waste < 0 {
				t.Fatalf("%+v", s)
			}
		}
	})
}
