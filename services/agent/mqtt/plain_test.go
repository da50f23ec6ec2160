package mqtt

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"

	"github.com/downweb/downweb/services/agent/counter"
	"github.com/downweb/downweb/services/agent/machine"
)

func plainMapping(t *testing.T, section string) *machine.Mapping {
	t.Helper()
	m, err := machine.ParseMapping(fmt.Appendf(nil, `
press: linden/p1
running_m_per_min: 5
mqtt: {%s}
signals:
  speed: {at: "hall/p1/web#/speed", mm_per_min: 1000}
  good: {at: "hall/p1/web#/meters/0", mm: 1000, decimal: true}
  power: {always: true}
  fault: {at: "hall/p1/state", is: [stopped]}
  good_on: {at: "hall/p1/good"}
  job: {at: "hall/p1/web#/job"}
`, section))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func newPlain(t *testing.T, section string) (*machine.Mapping, *Plain) {
	t.Helper()
	m := plainMapping(t, section)
	p, err := NewPlain(m)
	if err != nil {
		t.Fatal(err)
	}
	return m, p
}

// TestPlain: topics over both brokers, a last will, bad payloads.
func TestPlain(t *testing.T) {
	for name, port := range map[string]func() int{
		"mosquitto":   func() int { p := freePort(t); mosquitto(t, p, ""); return p },
		"nats-server": func() int { return natsBroker(t) },
	} {
		t.Run(name, func(t *testing.T) {
			p := port()
			dev := publisher(t, p, nil)
			publish(t, dev, "hall/p1/state", true, "running")
			m, a := newPlain(t, fmt.Sprintf(`broker: "mqtt://127.0.0.1:%d", online: hall/p1/here, here: "yes", retained: true`, p))
			s, ctx := start(t, m, a)
			waitFor(t, ctx, "a sample", func() bool { // until the subscription stands
				publish(t, dev, "hall/p1/good", false, "1")
				publish(t, dev, "hall/p1/web", false, `{"speed": 80.5, "meters": [1234.5678, 9], "job": "J-1"}`)
				_, n := s.last()
				return n > 0
			})
			want := counter.Sample{Speed: 80_500, Good: 1_234_567, Power: true, GoodOn: true, JobOpen: true, Job: "J-1"}
			waitFor(t, ctx, "the values", func() bool { got, _ := s.last(); return got == want })
			publish(t, dev, "hall/p1/web", false, `{"speed": "fast", "meters": []}`)
			publish(t, dev, "hall/p1/here", false, "no")
			waitFor(t, ctx, "the machine's own word that it is away", func() bool { return len(s.losses()) > 0 })
			_, before := s.last() // messages come in order
			publish(t, dev, "hall/p1/here", false, "yes")
			publish(t, dev, "hall/p1/good", false, "1")
			publish(t, dev, "hall/p1/state", false, "stopped")
			if _, n := s.last(); n != before {
				t.Fatalf("%d samples without a speed", n-before)
			}
			publish(t, dev, "hall/p1/web", false, `{"speed": 0, "meters": [1235], "job": null}`)
			publish(t, dev, "hall/p1/web", false, `{"speed": 0, "meters": [1235], "job": ""}`)
			waitFor(t, ctx, "the stop", func() bool {
				got, n := s.last()
				return n > before && got.Fault && got.Good == 1_235_000 && !got.JobOpen
			})
		})
	}
}

// TestBrokerDies: a kill -9 of the broker is told, and reading goes on with
// the next one.
func TestBrokerDies(t *testing.T) {
	port := freePort(t)
	kill := mosquitto(t, port, "")
	m, a := newPlain(t, fmt.Sprintf(`broker: "mqtt://127.0.0.1:%d"`, port))
	s, ctx := start(t, m, a)
	tell := func(meters int) func() bool {
		dev := publisher(t, port, nil)
		return func() bool {
			publish(t, dev, "hall/p1/good", false, "true")
			publish(t, dev, "hall/p1/state", false, "running")
			publish(t, dev, "hall/p1/web", false, fmt.Sprintf(`{"speed": 1, "meters": [%d], "job": "x"}`, meters))
			got, _ := s.last()
			return got.Good == uint64(meters)*1000
		}
	}
	waitFor(t, ctx, "a sample", tell(7))
	kill()
	waitFor(t, ctx, "the death", func() bool { return len(s.losses()) > 0 })
	mosquitto(t, port, "")
	waitFor(t, ctx, "a sample of the new broker", tell(9))
}

// TestPassword: a wrong one is told, a right one works.
func TestPassword(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "users")
	tool, err := exec.LookPath("mosquitto_passwd")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip("needs mosquitto_passwd (package mosquitto)")
	}
	if out, err := exec.Command(tool, "-b", "-c", file, "agent", "let me in").CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	port := freePort(t)
	mosquitto(t, port, "allow_anonymous false\npassword_file "+file)
	for password, want := range map[string]string{"let me in\n": "", "guess": "connect: not Authorized"} {
		pf := filepath.Join(dir, "password")
		if err := os.WriteFile(pf, []byte(password), 0o600); err != nil {
			t.Fatal(err)
		}
		m, a := newPlain(t, fmt.Sprintf(`broker: "mqtt://127.0.0.1:%d", user: agent, password_file: %q, retained: true`, port, pf))
		s, ctx := start(t, m, a)
		if want != "" {
			waitFor(t, ctx, "the refusal", func() bool {
				l := s.losses()
				return len(l) > 0 && strings.Contains(strings.ToLower(l[0].Error()), strings.ToLower(want))
			})
			continue
		}
		dev := publisher(t, port, func(o *paho.ClientOptions) { o.SetUsername("agent").SetPassword("let me in") })
		publish(t, dev, "hall/p1/good", true, "true")
		publish(t, dev, "hall/p1/state", true, "running")
		publish(t, dev, "hall/p1/web", true, `{"speed": 1, "meters": [4], "job": "x"}`)
		waitFor(t, ctx, "a sample", func() bool { _, n := s.last(); return n > 0 })
	}
}

func TestPlainRefuses(t *testing.T) {
	for section, want := range map[string]string{
		`broker: "tcp://127.0.0.1:1"`:                   "mqtt://",
		`broker: "mqtt://127.0.0.1"`:                    "mqtt://host:port",
		`broker: "mqtt://127.0.0.1:1", user: a`:         "go together",
		`broker: "mqtt://127.0.0.1:1", online: a`:       "go together",
		`broker: "mqtt://127.0.0.1:1", ca: a`:           "mqtts",
		`broker: "mqtts://127.0.0.1:1", certificate: a`: "go together",
		`broker: "mqtt://127.0.0.1:1", topic: x`:        "topic",
	} {
		if _, err := NewPlain(plainMapping(t, section)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", section, err)
		}
	}
	for _, a := range []string{"", "a/+/b", "a#b", "#"} {
		if _, err := parseAddress(a); err == nil {
			t.Errorf("%q", a)
		}
	}
}

// TestPoint: the examples of RFC 6901, section 5, that name plain values.
func TestPoint(t *testing.T) {
	p := &Plain{topics: map[string][]address{}}
	want := map[string]any{"/foo/0": "bar", "/": int64(0), "/a~1b": int64(1), "/c%d": int64(2), "/e^f": int64(3), "/g|h": int64(4), `/i\j`: int64(5), `/k"l`: int64(6), "/ ": int64(7), "/m~0n": int64(8)}
	for at := range want {
		a, err := parseAddress("t#" + at)
		if err != nil {
			t.Fatal(err)
		}
		p.topics["t"] = append(p.topics["t"], a)
	}
	for _, v := range p.values(message{topic: "t", payload: []byte(`{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}`)}) {
		if at := strings.TrimPrefix(v.Address, "t#"); v.Value != want[at] || v.Bad {
			t.Errorf("%s: %v %s", at, v.Value, v.Why)
		}
	}
}
