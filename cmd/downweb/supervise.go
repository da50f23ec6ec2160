package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"time"
)

// childSpec is one process that a supervisor keeps running.
type childSpec struct {
	Name string
	Args []string
	// Env is added to the supervisor's environment; asked before each start, so that it can hold what the
	// children before it reported.
	Env func() []string
	Log io.WriteCloser // the child's stderr and stdout
	// Ready gets the line by which the child says that it is ready, at every start.
	Ready func(line string)
}

// childState is what is known of one child.
type childState struct {
	Name     string    `json:"name"`
	State    string    `json:"state"` // starting, ready, waiting (to be started again) or stopped
	PID      int       `json:"pid,omitempty"`
	Since    time.Time `json:"since"`          // of the state
	Restarts int       `json:"restarts"`       // starts after the first
	Last     string    `json:"last,omitempty"` // how the last run ended
}

// timing is the supervisor's patience; tests shorten it.
type timing struct {
	ready   time.Duration // longest start before a child is killed and started again
	stop    time.Duration // longest orderly stop before a child is killed
	first   time.Duration // first wait before a restart; doubles
	longest time.Duration // longest wait before a restart
	settled time.Duration // a child that ran this long begins again at the first wait
}

var usualTiming = timing{ready: 3 * time.Minute, stop: 20 * time.Second, first: 100 * time.Millisecond, longest: 10 * time.Second, settled: 10 * time.Second}

// supervisor keeps children running: started in order, each once the one before it was ready for the first
// time; restarted for ever when they end; stopped in reverse. A child is tied to this process by its stdin,
// which closes when the process ends in whatever way.
type supervisor struct {
	exe     string
	specs   []childSpec
	timing  timing
	log     *slog.Logger
	changed func([]childState) // called at every change of state, one call at a time

	started chan struct{}   // closed when every child was ready once
	again   []chan struct{} // per child: stop it in good order and start it again
	mu      sync.Mutex
	states  []childState
}

func newSupervisor(exe string, specs []childSpec, log *slog.Logger) *supervisor {
	s := &supervisor{exe: exe, specs: specs, timing: usualTiming, log: log, changed: func([]childState) {}, started: make(chan struct{})}
	for _, spec := range specs {
		s.states = append(s.states, childState{Name: spec.Name, State: "stopped"})
		s.again = append(s.again, make(chan struct{}, 1))
	}
	return s
}

// Started is closed when every child was ready once.
func (s *supervisor) Started() <-chan struct{} { return s.started }

// States lists the children in the order of their start.
func (s *supervisor) States() []childState {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.states)
}

// Restart stops a child in good order and starts it again; nothing where it does not run.
func (s *supervisor) Restart(name string) {
	for i, spec := range s.specs {
		if spec.Name == name {
			select {
			case s.again[i] <- struct{}{}:
			default:
			}
		}
	}
}

func (s *supervisor) set(i int, change func(*childState)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.states[i].State
	change(&s.states[i])
	if s.states[i].State != before {
		s.states[i].Since = time.Now().UTC().Truncate(time.Millisecond)
	}
	s.changed(slices.Clone(s.states))
}

// Run starts the children and keeps them until ctx ends; then it stops them, last first.
func (s *supervisor) Run(ctx context.Context) {
	type running struct {
		stop context.CancelFunc
		done chan struct{}
	}
	var all []running
	for i := range s.specs {
		own, stop := context.WithCancel(context.WithoutCancel(ctx))
		r := running{stop, make(chan struct{})}
		all = append(all, r)
		ready := make(chan struct{})
		go func() { defer close(r.done); s.keep(own, i, ready) }()
		select {
		case <-ready:
		case <-ctx.Done():
		}
		if ctx.Err() != nil {
			break
		}
	}
	if ctx.Err() == nil {
		close(s.started)
		<-ctx.Done()
	}
	for _, r := range slices.Backward(all) {
		r.stop()
		<-r.done
	}
}

// keep runs one child again and again until ctx ends, and closes ready the first time it is.
func (s *supervisor) keep(ctx context.Context, i int, ready chan struct{}) {
	spec, wait := s.specs[i], s.timing.first
	var once sync.Once
	for n := 0; ctx.Err() == nil; n++ {
		s.set(i, func(c *childState) { c.State, c.Restarts = "starting", n })
		begin := time.Now()
		err := s.runOnce(ctx, i, func() { once.Do(func() { close(ready) }) })
		if ctx.Err() != nil {
			break
		}
		if time.Since(begin) >= s.timing.settled {
			wait = s.timing.first
		}
		s.log.Warn("child ended, starting it again", "child", spec.Name, "after", time.Since(begin).Round(time.Millisecond), "wait", wait, "err", err)
		s.set(i, func(c *childState) { c.State, c.PID, c.Last = "waiting", 0, err.Error() })
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
		wait = min(2*wait, s.timing.longest)
	}
	s.set(i, func(c *childState) { c.State, c.PID = "stopped", 0 })
}

// runOnce starts the child and returns when it has ended, with the reason.
func (s *supervisor) runOnce(ctx context.Context, i int, onReady func()) error {
	spec := s.specs[i]
	said, say, err := os.Pipe()
	if err != nil {
		return err
	}
	defer said.Close()
	tail := &lastLine{to: spec.Log}
	c := exec.Command(s.exe, spec.Args...)
	c.Env = append(os.Environ(), supervisedVar+"=1")
	if spec.Env != nil {
		c.Env = append(c.Env, spec.Env()...)
	}
	c.Stdout, c.Stderr, c.ExtraFiles = tail, tail, []*os.File{say}
	c.WaitDelay = time.Second // a grandchild that holds the log must not hold us
	detach(c)
	stdin, err := c.StdinPipe()
	if err == nil {
		err = c.Start()
	}
	say.Close()
	if err != nil {
		return fmt.Errorf("start: %w", err)
	}
	s.set(i, func(st *childState) { st.PID = c.Process.Pid })
	select {
	case <-s.again[i]: // asked for before this start
	default:
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	ready := make(chan string, 1)
	go func() {
		if line, err := bufio.NewReaderSize(said, 4096).ReadString('\n'); err == nil {
			ready <- strings.TrimSuffix(line, "\n")
		}
	}()
	late := time.NewTimer(s.timing.ready)
	defer late.Stop()
	for {
		select {
		case line := <-ready:
			late.Stop()
			if spec.Ready != nil {
				spec.Ready(line)
			}
			s.set(i, func(st *childState) { st.State = "ready" })
			s.log.Debug("child is ready", "child", spec.Name, "pid", c.Process.Pid)
			onReady()
		case <-s.again[i]:
			stdin.Close()
			late.Reset(s.timing.stop)
		case <-late.C:
			c.Process.Kill()
			<-ended
			return fmt.Errorf("not ready, or not stopped, in time (%v, %v)%s", s.timing.ready, s.timing.stop, tail.said())
		case err := <-ended:
			stdin.Close()
			if err == nil {
				err = errors.New("ended by itself")
			}
			return fmt.Errorf("%w%s", err, tail.said())
		case <-ctx.Done():
			stdin.Close()
			select {
			case <-ended:
			case <-time.After(s.timing.stop):
				s.log.Warn("child does not stop, killing it", "child", spec.Name, "pid", c.Process.Pid)
				c.Process.Kill()
				<-ended
			}
			return ctx.Err()
		}
	}
}

// lastLine passes a child's log on and remembers its last line.
type lastLine struct {
	to   io.Writer
	mu   sync.Mutex
	line []byte
	open bool // the line has no end yet
}

func (l *lastLine) Write(p []byte) (int, error) {
	l.mu.Lock()
	for piece := range strings.SplitAfterSeq(string(p), "\n") {
		if piece == "" {
			continue
		}
		if !l.open {
			l.line = l.line[:0]
		}
		l.open = !strings.HasSuffix(piece, "\n")
		if len(l.line) < 400 {
			l.line = append(l.line, strings.TrimSuffix(piece, "\n")...)
		}
	}
	l.mu.Unlock()
	if l.to != nil {
		l.to.Write(p) // a full disk must not stop the child
	}
	return len(p), nil
}

// said is the last line as the end of an error text.
func (l *lastLine) said() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.line) == 0 {
		return ""
	}
	return ": " + string(l.line[:min(len(l.line), 400)])
}
