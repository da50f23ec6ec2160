package opcua

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// needServer installs the test server's npm packages once per lock file, in
// the user's cache. Without npm or its registry a test is skipped, in CI it
// fails.
var needServer = sync.OnceValues(func() (string, error) {
	lock, err := os.ReadFile("testdata/server/package-lock.json")
	if err != nil {
		return "", err
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "downweb", "test", fmt.Sprintf("opcua-%x", sha256.Sum256(lock))[:22])
	if _, err := os.Stat(filepath.Join(dir, "done")); err == nil {
		return dir, nil
	}
	if _, err := exec.LookPath("node"); err != nil {
		return "", err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	for _, f := range []string{"package.json", "package-lock.json"} {
		b, err := os.ReadFile(filepath.Join("testdata/server", f))
		if err != nil {
			return "", err
		}
		if err := os.WriteFile(filepath.Join(dir, f), b, 0o644); err != nil {
			return "", err
		}
	}
	cmd := exec.Command("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("npm ci: %w: %s", err, out)
	}
	return dir, os.WriteFile(filepath.Join(dir, "done"), nil, 0o644)
})

// pressServer is a server process.
type pressServer struct {
	Endpoint    string `json:"endpoint"`
	Certificate string `json:"certificate"`

	cmd *exec.Cmd
	in  io.WriteCloser
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().(*net.TCPAddr).Port
}

func startServer(t *testing.T, port int, pki string) *pressServer {
	t.Helper()
	dir, err := needServer()
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("the OPC UA test server cannot be installed: %v", err)
		}
		t.Skipf("needs node and npm with its registry for a real OPC UA server: %v", err)
	}
	script, err := os.ReadFile("testdata/server/server.js")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "server.js"), script, 0o644); err != nil {
		t.Fatal(err)
	}
	s := &pressServer{}
	s.cmd = exec.Command("node", "server.js", fmt.Sprint(port), pki)
	s.cmd.Dir = dir
	var said errTail
	s.cmd.Stderr = &said
	if s.in, err = s.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.kill)
	ready := make(chan error, 1)
	go func() {
		sc := bufio.NewScanner(out)
		for sc.Scan() {
			if json.Unmarshal(sc.Bytes(), s) == nil && s.Endpoint != "" {
				ready <- nil
				_, _ = io.Copy(io.Discard, out)
				return
			}
		}
		ready <- errors.New("ended before it served")
	}()
	select {
	case err := <-ready:
		if err != nil {
			t.Fatalf("%v: %s", err, said.String())
		}
	case <-time.After(3 * time.Minute):
		t.Fatalf("the test server does not start: %s", said.String())
	}
	return s
}

// errTail keeps the end of what a process said.
type errTail struct {
	mu sync.Mutex
	b  []byte
}

func (e *errTail) Write(p []byte) (int, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.b = append(e.b, p...)
	e.b = e.b[max(0, len(e.b)-2000):]
	return len(p), nil
}

func (e *errTail) String() string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return string(e.b)
}

func (s *pressServer) tell(t *testing.T, v any) {
	t.Helper()
	if err := json.NewEncoder(s.in).Encode(v); err != nil {
		t.Fatal(err)
	}
}

// kill is a kill -9, also of a process that is stopped.
func (s *pressServer) kill() {
	if s.cmd.ProcessState == nil {
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait() // killed
	}
}

func (s *pressServer) signal(t *testing.T, sig syscall.Signal) {
	t.Helper()
	if err := s.cmd.Process.Signal(sig); err != nil {
		t.Fatal(err)
	}
}

// waitFor polls a condition.
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
