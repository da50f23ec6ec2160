package opcua

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/downweb/downweb/services/agent/counter"
	"github.com/downweb/downweb/services/agent/machine"
)

func mapping(t *testing.T, section string) *machine.Mapping {
	t.Helper()
	m, err := machine.ParseMapping(fmt.Appendf(nil, `
press: linden/p1
running_m_per_min: 5
opcua: {%s}
signals:
  speed: {at: "nsu=http://example.org/press/;s=Press.Speed", mm_per_min: 1000}
  good: {at: "ns=3;s=Press.Good", mm: 10, bits: 32}
  waste: {at: "ns=3;s=Press.Waste", mm: 100, bits: 16}
  power: {at: "ns=3;s=Press.State", vocabulary: opc-30060, is_not: [Stopped]}
  fault: {at: "ns=3;s=Press.State", vocabulary: opc-30060, is: [Aborting, Aborted]}
  good_on: {at: "ns=3;s=Press.GoodOn"}
  job: {at: "ns=3;s=Press.Job"}
`, section))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// taken samples and losses of a run.
type taken struct {
	mu   sync.Mutex
	got  []counter.Sample
	lost []error
}

func (s *taken) Sample(x counter.Sample) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.got = append(s.got, x)
	return nil
}

func (s *taken) last() (counter.Sample, int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.got) == 0 {
		return counter.Sample{}, 0
	}
	return s.got[len(s.got)-1], len(s.got)
}

func (s *taken) losses() []error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]error(nil), s.lost...)
}

// watched passes an adapter on and keeps what it loses.
type watched struct {
	machine.Adapter
	to *taken
}

func (w watched) Run(ctx context.Context, give func([]machine.Value), lost func(error)) error {
	return w.Adapter.Run(ctx, give, func(err error) {
		w.to.mu.Lock()
		w.to.lost = append(w.to.lost, err)
		w.to.mu.Unlock()
		lost(err)
	})
}

// start reads until the test ends.
func start(t *testing.T, section string) (*taken, context.Context) {
	t.Helper()
	m := mapping(t, section)
	c, err := New(m)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	s := &taken{}
	done := make(chan error, 1)
	go func() { done <- machine.Run(ctx, m, watched{c, s}, s, 0, nil) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return s, ctx
}

// TestServer reads a real server process under every policy: values, changes,
// bad quality, its death, and its silence.
func TestServer(t *testing.T) {
	dir := t.TempDir()
	port := freePort(t)
	srv := startServer(t, port, filepath.Join(dir, "pki"))
	own := fmt.Sprintf(`endpoint: %q, interval: 50ms, certificate: %q, key: %q, server_certificate: %q, security: `,
		srv.Endpoint, filepath.Join(dir, "own", "c.pem"), filepath.Join(dir, "own", "k.pem"), srv.Certificate)
	password := filepath.Join(dir, "password")
	if err := os.WriteFile(password, []byte("let me in\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	want := counter.Sample{Speed: 80_500, Good: 4294967280, Waste: 3, Power: true, GoodOn: true, JobOpen: true, Job: "J-1"}
	for name, section := range map[string]string{
		"none":                              fmt.Sprintf(`endpoint: %q, interval: 50ms, security: none`, srv.Endpoint),
		"basic256sha256":                    own + "basic256sha256",
		"basic256sha256 signed":             own + "basic256sha256, mode: sign",
		"aes128, user":                      own + fmt.Sprintf("aes128-sha256-rsaoaep, user: agent, password_file: %q", password),
		"aes256-sha256-rsapss and password": own + fmt.Sprintf("aes256-sha256-rsapss, user: agent, password_file: %q", password),
	} {
		t.Run(name, func(t *testing.T) {
			s, ctx := start(t, section)
			waitFor(t, ctx, "a sample", func() bool {
				got, n := s.last()
				return n > 0 && got == want
			})
		})
	}
	t.Run("refused", func(t *testing.T) {
		other := filepath.Join(dir, "other.pem")
		o := Settings{Certificate: other, Key: filepath.Join(dir, "other.key")}
		if err := o.ensureCertificate(); err != nil {
			t.Fatal(err)
		}
		wrong := filepath.Join(dir, "wrong")
		if err := os.WriteFile(wrong, []byte("guess"), 0o600); err != nil {
			t.Fatal(err)
		}
		for name, c := range map[string][2]string{
			"another server": {strings.Replace(own, srv.Certificate, other, 1) + "basic256sha256", "nor issued by it"},
			"password":       {own + fmt.Sprintf("basic256sha256, user: agent, password_file: %q", wrong), "connect:"},
		} {
			s, ctx := start(t, c[0])
			waitFor(t, ctx, name, func() bool { return len(s.losses()) > 0 })
			if err := s.losses()[0]; !strings.Contains(err.Error(), c[1]) {
				t.Errorf("%s: %v", name, err)
			}
			if _, n := s.last(); n > 0 {
				t.Errorf("%s: %d samples", name, n)
			}
		}
	})
	t.Run("changes, death, silence", func(t *testing.T) {
		s, ctx := start(t, own+"basic256sha256")
		waitFor(t, ctx, "a sample", func() bool { _, n := s.last(); return n > 0 })
		srv.tell(t, map[string]any{"set": map[string]any{"Good": 16, "State": 8, "Job": ""}})
		waitFor(t, ctx, "the change", func() bool {
			got, _ := s.last()
			return got.Good == 16 && got.Fault && !got.JobOpen
		})
		srv.tell(t, map[string]any{"bad": "Speed"})
		time.Sleep(500 * time.Millisecond) // let it arrive
		_, before := s.last()
		srv.tell(t, map[string]any{"set": map[string]any{"Good": 20}})
		time.Sleep(time.Second)
		if got, n := s.last(); n != before {
			t.Fatalf("a sample of a bad speed: %+v", got)
		}
		srv.kill()
		waitFor(t, ctx, "the death", func() bool { return len(s.losses()) > 0 })
		srv2 := startServer(t, port, filepath.Join(dir, "pki"))
		waitFor(t, ctx, "a sample of the new server", func() bool {
			got, n := s.last()
			return n > before && got == want
		})
		lost := len(s.losses())
		srv2.signal(t, syscall.SIGSTOP)
		waitFor(t, ctx, "the silence", func() bool { return len(s.losses()) > lost })
		_, before = s.last()
		srv2.signal(t, syscall.SIGCONT)
		waitFor(t, ctx, "a sample after the silence", func() bool { _, n := s.last(); return n > before })
	})
}

func TestUnknownNode(t *testing.T) {
	srv := startServer(t, freePort(t), filepath.Join(t.TempDir(), "pki"))
	m := mapping(t, fmt.Sprintf(`endpoint: %q, security: none`, srv.Endpoint))
	m.Signals.Good.At = "ns=3;s=Press.Nothing"
	c, err := New(m)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var got error
	err = c.Run(ctx, func([]machine.Value) {}, func(err error) { got = err; cancel() })
	if err != nil || got == nil || !strings.Contains(got.Error(), "Press.Nothing") {
		t.Fatal(err, got)
	}
}

func TestSettingsAreRefused(t *testing.T) {
	for section, want := range map[string]string{
		`endpoint: "http://x", security: none`:                               "not opc.tcp",
		`endpoint: "opc.tcp://x"`:                                            "security",
		`endpoint: "opc.tcp://x", security: basic256`:                        "security",
		`endpoint: "opc.tcp://x", security: basic256sha256`:                  "server_certificate",
		`endpoint: "opc.tcp://x", security: none, mode: sign`:                "mode",
		`endpoint: "opc.tcp://x", security: none, user: a`:                   "password_file go together",
		`endpoint: "opc.tcp://x", security: none, user: a, password_file: b`: "not sent without",
		`endpoint: "opc.tcp://x", security: none, interval: 1ms`:             "interval",
		`endpoint: "opc.tcp://x", security: none, certificate: c`:            "do nothing",
	} {
		if _, err := New(mapping(t, section)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", section, err)
		}
	}
	m := mapping(t, `endpoint: "opc.tcp://x", security: none`)
	m.Signals.Good.At = "ns=x"
	if _, err := New(m); err == nil || !strings.Contains(err.Error(), "ns=x") {
		t.Error(err)
	}
}

func TestSplitNode(t *testing.T) {
	for text, want := range map[string][2]string{
		"ns=2;s=A.B": {"", "ns=2;s=A.B"},
		"nsu=http://example.org/press/;s=Line.Speed": {"http://example.org/press/", "s=Line.Speed"},
		"nsu=urn:x;i=7": {"urn:x", "i=7"},
	} {
		uri, rest, err := splitNode(text)
		if err != nil || uri != want[0] || rest != want[1] {
			t.Errorf("%s: %q %q %v", text, uri, rest, err)
		}
	}
}
