//go:build unix

package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The test binary plays the children: TEST_PLAY says which part.
func TestMain(m *testing.M) {
	switch os.Getenv("TEST_PLAY") {
	case "":
		os.Exit(m.Run())
	case "downweb":
		main()
	case "tied": // a role by hand that does not outlive its test
		go func() {
			io.Copy(io.Discard, os.Stdin)
			os.Exit(1)
		}()
		main()
	case "child":
		playChild()
	case "supervisor":
		playSupervisor()
	}
}

// playChild notes its start and its end in TEST_NOTES and behaves as TEST_HOW says.
func playChild() {
	name, how := os.Getenv("TEST_NAME"), os.Getenv("TEST_HOW")
	a := &app{in: os.Stdin, out: os.Stdout, err: os.Stderr, environ: os.Environ()}
	note(name + " starts " + strconv.Itoa(os.Getpid()))
	cfg := &Config{}
	cfg.Log.Format = "text"
	if how == "deaf" {
		select {}
	}
	err := a.role(context.Background(), name, cfg, func(ctx context.Context, _ *slog.Logger, ready func(string)) error {
		if how == "fails" {
			return fmt.Errorf("no such luck")
		}
		if how != "silent" {
			note(name + " ready")
			ready("at " + name)
		}
		<-ctx.Done()
		note(name + " stops")
		return nil
	})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// playSupervisor supervises two children until it is killed.
func playSupervisor() {
	s := newSupervisor(os.Args[0], []childSpec{child("one", ""), child("two", "")}, slog.New(slog.DiscardHandler))
	s.Run(context.Background())
}

func note(line string) {
	f, err := os.OpenFile(os.Getenv("TEST_NOTES"), os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o600)
	if err != nil {
		panic(err)
	}
	fmt.Fprintln(f, line)
	f.Close()
}

func child(name, how string) childSpec {
	return childSpec{Name: name, Env: func() []string { return []string{"TEST_PLAY=child", "TEST_NAME=" + name, "TEST_HOW=" + how} }}
}

// notes gives a file for the children's notes and a reader of its lines.
func notes(t *testing.T) func() []string {
	file := filepath.Join(t.TempDir(), "notes")
	t.Setenv("TEST_NOTES", file)
	return func() []string {
		text, _ := os.ReadFile(file)
		return strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	}
}

// until waits at most 20 s for ok.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited 20 s in vain: %s", what)
		}
	}
}

// alive says whether a process runs: one that has ended and waits for its parent to notice does not.
func alive(pid int) bool {
	if stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid)); err == nil {
		if _, after, ok := strings.Cut(string(stat), ") "); ok && strings.HasPrefix(after, "Z") {
			return false
		}
	}
	return syscall.Kill(pid, 0) == nil
}

// supervise runs a supervisor in this process with short patience and stops it at the test's end.
func supervise(t *testing.T, specs ...childSpec) (s *supervisor, stop func()) {
	s = newSupervisor(os.Args[0], specs, slog.New(slog.DiscardHandler))
	s.timing = timing{ready: 2 * time.Second, stop: 2 * time.Second, first: 20 * time.Millisecond, longest: 200 * time.Millisecond, settled: 300 * time.Millisecond}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); s.Run(ctx) }()
	stop = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(stop)
	return s, stop
}

func TestStartAndStopInOrder(t *testing.T) {
	read := notes(t)
	var lines []string
	one, two := child("one", ""), child("two", "")
	one.Ready = func(line string) { lines = append(lines, line) }
	s, stop := supervise(t, one, two)
	select {
	case <-s.Started():
	case <-time.After(20 * time.Second):
		t.Fatalf("not started: %+v", s.States())
	}
	for _, c := range s.States() {
		if c.State != "ready" || c.PID == 0 || c.Restarts != 0 {
			t.Errorf("state %+v", c)
		}
	}
	stop()
	var order []string
	for _, line := range read() {
		f := strings.Fields(line)
		order = append(order, f[0]+" "+f[1])
	}
	want := "one starts, one ready, two starts, two ready, two stops, one stops"
	if got := strings.Join(order, ", "); got != want {
		t.Errorf("order %s, want %s", got, want)
	}
	if len(lines) != 1 || lines[0] != "at one" {
		t.Errorf("ready lines %q", lines)
	}
	for _, c := range s.States() {
		if c.State != "stopped" || c.PID != 0 {
			t.Errorf("after the stop %+v", c)
		}
	}
}

func TestKilledChildIsStartedAgain(t *testing.T) {
	notes(t)
	s, _ := supervise(t, child("one", ""), child("two", ""))
	<-s.Started()
	before := s.States()
	for n := 1; n <= 3; n++ {
		pid := s.States()[0].PID
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		until(t, "the killed child is ready again", func() bool {
			c := s.States()[0]
			return c.State == "ready" && c.PID != pid && c.Restarts == n
		})
	}
	if after := s.States(); after[1].PID != before[1].PID {
		t.Error("the other child was restarted too")
	}
	if last := s.States()[0].Last; !strings.Contains(last, "killed") {
		t.Errorf("how it ended: %q", last)
	}
}

func TestRestartOnRequest(t *testing.T) {
	read := notes(t)
	s, _ := supervise(t, child("one", ""), child("two", ""))
	<-s.Started()
	pid := s.States()[1].PID
	s.Restart("two")
	until(t, "another process is ready", func() bool { c := s.States()[1]; return c.State == "ready" && c.PID != pid })
	if !strings.Contains(strings.Join(read(), "\n"), "two stops") {
		t.Error("it was not stopped in good order")
	}
}

func TestFailingChildIsNeverGivenUp(t *testing.T) {
	read := notes(t)
	s, _ := supervise(t, child("bad", "fails"), child("after", ""))
	until(t, "six starts", func() bool { return s.States()[0].Restarts >= 5 })
	if c := s.States()[0]; !strings.Contains(c.Last, "no such luck") {
		t.Errorf("the reason is lost: %+v", c)
	}
	for _, line := range read() {
		if strings.HasPrefix(line, "after") {
			t.Error("the second child was started before the first was ready")
		}
	}
	select {
	case <-s.Started():
		t.Error("started")
	default:
	}
}

func TestSilentChildIsStartedAgain(t *testing.T) {
	notes(t)
	s, stop := supervise(t, child("silent", "silent"))
	until(t, "a restart for want of a ready line", func() bool { return s.States()[0].Restarts >= 1 })
	if c := s.States()[0]; !strings.Contains(c.Last, "not ready, or not stopped, in time") {
		t.Errorf("%+v", c)
	}
	stop()
}

func TestDeafChildIsKilledAtTheStop(t *testing.T) {
	notes(t)
	s, stop := supervise(t, child("deaf", "deaf"))
	until(t, "it has a process", func() bool { return s.States()[0].PID != 0 })
	pid := s.States()[0].PID
	begin := time.Now()
	stop()
	if took := time.Since(begin); took > 10*time.Second {
		t.Errorf("the stop took %v", took)
	}
	if alive(pid) {
		t.Errorf("process %d is still there", pid)
	}
}

func TestNothingOutlivesAKilledSupervisor(t *testing.T) {
	read := notes(t)
	parent := exec.Command(os.Args[0])
	parent.Env = append(os.Environ(), "TEST_PLAY=supervisor")
	if err := parent.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { parent.Process.Kill() })
	until(t, "both children are ready", func() bool { return strings.Contains(strings.Join(read(), "\n"), "two ready") })
	var pids []int
	for _, line := range read() {
		if f := strings.Fields(line); f[1] == "starts" {
			pid, _ := strconv.Atoi(f[2])
			pids = append(pids, pid)
		}
	}
	if len(pids) != 2 {
		t.Fatalf("processes %v", pids)
	}
	if err := parent.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	parent.Wait()
	until(t, "the children end", func() bool { return !alive(pids[0]) && !alive(pids[1]) })
	text := strings.Join(read(), "\n")
	if !strings.Contains(text, "one stops") || !strings.Contains(text, "two stops") {
		t.Errorf("the children did not stop in good order:\n%s", text)
	}
}

func TestLastLine(t *testing.T) {
	var to bytes.Buffer
	l := &lastLine{to: &to}
	for _, piece := range []string{"one\ntw", "o\nthr", "ee"} {
		io.WriteString(l, piece)
	}
	if got := l.said(); got != ": three" {
		t.Errorf("last line %q", got)
	}
	if to.String() != "one\ntwo\nthree" {
		t.Errorf("passed on %q", to.String())
	}
}
