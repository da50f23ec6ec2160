package mqtt

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/goleak"

	"github.com/downweb/downweb/services/agent/counter"
	"github.com/downweb/downweb/services/agent/machine"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().(*net.TCPAddr).Port
}

// mosquitto starts the broker of Debian's package on a port; extra lines go
// into its settings.
func mosquitto(t *testing.T, port int, extra string) (kill func()) {
	t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path = "/usr/sbin/mosquitto"
		if _, err := os.Stat(path); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatal("mosquitto is not installed")
			}
			t.Skip("needs the broker mosquitto (a package of the same name)")
		}
	}
	conf := filepath.Join(t.TempDir(), "conf")
	if extra == "" {
		extra = "allow_anonymous true"
	}
	if err := os.WriteFile(conf, fmt.Appendf(nil, "listener %d 127.0.0.1\n%s\nuser root\n", port, extra), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill = sync.OnceFunc(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // killed
	})
	t.Cleanup(kill)
	waitDial(t, port)
	return kill
}

func waitDial(t *testing.T, port int) {
	t.Helper()
	for range 600 {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err == nil {
			_ = c.Close()
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatal("the broker does not listen")
}

// natsBroker is the MQTT listener of a NATS server.
func natsBroker(t *testing.T) int {
	t.Helper()
	port := freePort(t)
	s, err := server.NewServer(&server.Options{ServerName: "mqtt-test", Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoSigs: true,
		MQTT: server.MQTTOpts{Host: "127.0.0.1", Port: port}})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	waitDial(t, port)
	return port
}

// publisher is a device or edge node of a test.
func publisher(t *testing.T, port int, set func(*paho.ClientOptions)) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", port)).SetClientID(fmt.Sprintf("device-%d", time.Now().UnixNano())).SetAutoReconnect(false)
	if set != nil {
		set(o)
	}
	c := paho.NewClient(o)
	for try := 0; ; try++ {
		tok := c.Connect()
		if tok.WaitTimeout(10*time.Second) && tok.Error() == nil {
			break
		}
		if try > 20 {
			t.Fatal("publisher: ", tok.Error())
		}
		time.Sleep(250 * time.Millisecond)
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func publish(t *testing.T, c paho.Client, topic string, retained bool, payload any) {
	t.Helper()
	tok := c.Publish(topic, 1, retained, payload)
	if !tok.WaitTimeout(20*time.Second) || tok.Error() != nil {
		t.Fatal("publish: ", tok.Error())
	}
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

func start(t *testing.T, m *machine.Mapping, a machine.Adapter) (*taken, context.Context) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	s := &taken{}
	done := make(chan error, 1)
	go func() { done <- machine.Run(ctx, m, watched{a, s}, s, 0, nil) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return s, ctx
}

func waitFor(t *testing.T, ctx context.Context, what string, ok func() bool) {
	t.Helper()
	for !ok() {
		select {
		case <-ctx.Done():
			t.Fatalf("%s did not happen", what)
		case <-time.After(20 * time.Millisecond):
		}
	}
}
