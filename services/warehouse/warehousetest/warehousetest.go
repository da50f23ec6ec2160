// Package warehousetest gives tests a real ClickHouse: the embedded engine, one process for each test
// binary, and a fresh database in it for each test.
//
// The process is the test binary itself, started once more: importing this package is enough, no TestMain
// is needed. It ends, and removes its data, when the test binary is gone, however that ends. Where the
// engine is not installed it is installed first (test packages that run side by side wait for one of
// them); where that cannot be, tests fail if CI=true and are skipped otherwise, with the reason.
package warehousetest

import (
	"bufio"
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/services/warehouse/engine"
)

// Passwords of the two users of every engine started here.
const (
	Password       = "writer-test"
	ReaderPassword = "reader-test"
)

// childKey names the variable that turns a test binary into an engine: "keep" or "remove" and the data
// directory. libKey names the library for it.
const (
	childKey = "DOWNWEB_TEST_ENGINE"
	libKey   = "DOWNWEB_TEST_ENGINE_LIB"
)

func init() {
	if spec := os.Getenv(childKey); spec != "" {
		os.Exit(child(spec))
	}
}

// child runs the engine until standard input ends.
func child(spec string) int {
	end, dir, _ := strings.Cut(spec, ":")
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		io.Copy(io.Discard, os.Stdin)
		cancel()
	}()
	s := engine.New(engine.Config{Lib: os.Getenv(libKey), Dir: dir, Password: Password, ReaderPassword: ReaderPassword, MaxMemory: 2 << 30})
	go func() {
		<-s.Ready()
		fmt.Println(s.Addr())
	}()
	err := s.Run(ctx)
	if end == "remove" {
		os.RemoveAll(dir)
	}
	if err != nil {
		fmt.Println("error: " + err.Error())
		return 1
	}
	return 0
}

// Process is an engine in a process of its own.
type Process struct {
	Addr string // host:port of its HTTP interface
	cmd  *exec.Cmd
	stop func() error // closes its standard input and waits, once
}

// Start runs an engine over dir, which stays. It is stopped when the test ends, if it still runs.
// The error is the engine's own, such as that dir is in use.
func Start(t testing.TB, dir string) (*Process, error) {
	t.Helper()
	p, err := start(library(t), "keep", dir)
	if err == nil {
		t.Cleanup(func() { p.Stop() })
	}
	return p, err
}

// Kill ends the process by SIGKILL and waits for its end.
func (p *Process) Kill() {
	p.cmd.Process.Signal(syscall.SIGKILL)
	p.Stop()
}

// Stop lets the process end in good order and waits for that.
func (p *Process) Stop() error { return p.stop() }

// PID is the process's id.
func (p *Process) PID() int { return p.cmd.Process.Pid }

func start(lib, end, dir string) (*Process, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	stdin, in, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer stdin.Close()
	out, stdout, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer out.Close()
	cmd := exec.Command(self)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = stdin, stdout, os.Stderr
	cmd.Env = append(os.Environ(), childKey+"="+end+":"+dir, libKey+"="+lib)
	err = cmd.Start()
	stdout.Close()
	if err != nil {
		return nil, err
	}
	out.SetReadDeadline(time.Now().Add(60 * time.Second))
	line, err := bufio.NewReader(out).ReadString('\n')
	line = strings.TrimSpace(line)
	if message, failed := strings.CutPrefix(line, "error: "); failed {
		err = fmt.Errorf("%s", message)
	}
	if err != nil {
		in.Close()
		cmd.Process.Kill()
		cmd.Wait()
		return nil, err
	}
	return &Process{Addr: line, cmd: cmd, stop: sync.OnceValue(func() error {
		in.Close()
		return cmd.Wait()
	})}, nil
}

var shared = sync.OnceValues(func() (*Process, error) {
	lib, err := installed()
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "downweb-engine-")
	if err != nil {
		return nil, err
	}
	return start(lib, "remove", dir) // never stopped here: it ends with this process
})

var installed = sync.OnceValues(func() (string, error) {
	if lib, err := engine.Locate(""); err == nil {
		return lib, nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), 15*time.Minute)
	defer cancel()
	return engine.Install(ctx, os.Stderr)
})

func library(t testing.TB) string {
	t.Helper()
	lib, err := installed()
	if err != nil {
		missing(t, err)
	}
	return lib
}

func missing(t testing.TB, err error) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("no ClickHouse engine to test with: %v", err)
	}
	t.Skipf("no ClickHouse engine to test with: %v", err)
}

var databases atomic.Int64

// DSN gives the address of a fresh, empty database for clickhouse-go (clickhouse.ParseDSN), as the user
// who may write. The database is dropped when the test ends.
func DSN(t testing.TB) string {
	t.Helper()
	p, err := shared()
	if err != nil {
		missing(t, err)
	}
	name := fmt.Sprintf("test_%d_%s", databases.Add(1), strings.ToLower(rand.Text()[:6]))
	admin := Connect(t, p.Addr, "default", Password, "")
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if err := admin.Exec(ctx, "CREATE DATABASE "+name+" ENGINE = Atomic"); err != nil {
		t.Fatalf("create a test database: %v", err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		if err := admin.Exec(ctx, "DROP DATABASE IF EXISTS "+name); err != nil {
			t.Errorf("drop the test database: %v", err)
		}
	})
	return (&url.URL{Scheme: "http", User: url.UserPassword("default", Password), Host: p.Addr, Path: "/" + name}).String()
}

// Open gives a connection to a fresh database and that database's name.
func Open(t testing.TB) (clickhouse.Conn, string) {
	t.Helper()
	opt, err := clickhouse.ParseDSN(DSN(t))
	if err != nil {
		t.Fatal(err)
	}
	return Connect(t, opt.Addr[0], opt.Auth.Username, opt.Auth.Password, opt.Auth.Database), opt.Auth.Database
}

// Connect opens clickhouse-go on an engine's address and closes it when the test ends.
func Connect(t testing.TB, addr, user, password, database string) clickhouse.Conn {
	t.Helper()
	conn, err := clickhouse.Open(&clickhouse.Options{
		Protocol: clickhouse.HTTP, Addr: []string{addr}, MaxOpenConns: 16, MaxIdleConns: 16,
		Auth: clickhouse.Auth{Database: database, Username: user, Password: password},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}
