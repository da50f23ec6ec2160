package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// warehouse stands in for ingest: it looks at frame ids and answers for marks.
func warehouse(t *testing.T, env *eventlogtest.Env) {
	t.Helper()
	var mu sync.Mutex
	marks := map[string]uint64{}
	cons, err := eventlog.Consumer(context.Background(), env.JS, 1)
	if err != nil {
		t.Fatal(err)
	}
	it, err := cons.Consume(func(m jetstream.Msg) {
		_, press, _ := eventlog.ParseStreamSubject(m.Subject())
		id := m.Headers().Get(jetstream.MsgIDHeader)
		from, to, _ := strings.Cut(id[strings.LastIndexByte(id, '/')+1:], "-")
		first, _ := strconv.ParseUint(from, 10, 64)
		last, _ := strconv.ParseUint(to, 10, 64)
		mu.Lock()
		defer mu.Unlock()
		if first <= marks[press]+1 {
			marks[press] = max(marks[press], last)
		}
		_ = m.Ack()
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(it.Stop)
	sub, err := eventlog.ServeMarks(env.Core, func(_, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		mu.Lock()
		defer mu.Unlock()
		return &pb.MarkReply{Epoch: r.Epoch, Mark: marks[press], WarehouseId: 1, FrameVersion: eventlog.FrameVersion, ServerMs: time.Now().UnixMilli()}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sub.Unsubscribe() })
}

// TestWeight runs the program itself: 50 presses, all of them a week offline
// with a slice a minute, then the log server, then nothing. Its memory at the
// highest and its processor time while idle are bounded; health and metrics
// answer; it stops on SIGTERM.
func TestWeight(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program and watches it for 10 s")
	}
	if runtime.GOOS != "linux" {
		t.Skip("reads /proc")
	}
	env := eventlogtest.Start(t)
	warehouse(t, env)
	env.Stop()
	dir := t.TempDir()
	var text bytes.Buffer
	const presses, week = 50, 7 * 24 * 60
	for i := range week {
		from := time.Unix(int64(1_781_496_000+60*i), 0).UTC()
		f, to := from.Format(time.RFC3339), from.Add(time.Minute).Format(time.RFC3339)
		for p := range presses {
			fmt.Fprintf(&text, `{"plant":"rhein","press":"p%d","slice":{"from":%q,"to":%q,"state":"STATE_PRODUCTION","job":"J%d","ratedMmPerMin":"100000","goodMm":"%d"}}`+"\n",
				p, f, to, i/300, 90_000+i%1000)
		}
	}
	in := filepath.Join(dir, "in.jsonl")
	must(t, os.WriteFile(in, text.Bytes(), 0o600))
	must(t, os.MkdirAll(filepath.Join(dir, "keys"), 0o700))
	must(t, os.WriteFile(filepath.Join(dir, "keys", "press.password"), []byte(eventlogtest.PressPassword+"\n"), 0o600))
	args := []string{"--data-dir", dir, "--nats", env.Server.URL(), "--source", in, "--follow", "--metrics", "127.0.0.1:0"}
	for i := range presses {
		args = append(args, "--press", fmt.Sprintf("rhein/p%d", i))
	}
	var said lines
	cmd := exec.Command(build(t, runtime.GOOS, runtime.GOARCH), args...)
	cmd.Stderr = &said
	must(t, cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	status := func() agent.Status {
		states, err := agent.ReadStates(filepath.Join(dir, "run"))
		if err != nil || len(states) == 0 {
			return agent.Status{}
		}
		return states[0].Status
	}
	wait := func(what string, ok func(agent.Status) bool) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); !ok(status()); time.Sleep(100 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("%s: %+v\n%s", what, status(), said.String())
			}
		}
	}
	wait("accepted", func(s agent.Status) bool { return s.Accepted == presses*week })
	offline, spooled := memoryOf(t, cmd.Process.Pid), status().SpoolBytes
	env.Restart()
	began := time.Now()
	wait("confirmed", func(s agent.Status) bool { return s.Confirmed == presses*week })
	took := time.Since(began)
	high := memoryOf(t, cmd.Process.Pid)
	time.Sleep(2 * time.Second)
	const watched = 8 * time.Second
	before := processor(t, cmd.Process.Pid)
	time.Sleep(watched)
	used := processor(t, cmd.Process.Pid) - before
	t.Logf("offline %v, %.1f MB spooled; %d events caught up in %v", offline, float64(spooled)/1e6, presses*week, took.Round(100*time.Millisecond))
	t.Logf("highest resident memory %.1f MiB (%s); idle %.2f %% of a processor", float64(high["VmHWM"])/1024, fmt.Sprint(high), 100*used.Seconds()/watched.Seconds())
	if high["VmHWM"] > 40*1024 {
		t.Errorf("%d KiB are more than 40 MiB", high["VmHWM"])
	}
	if used > watched/100 {
		t.Errorf("%v in %v are more than 1 %%", used, watched)
	}
	_, at, _ := strings.Cut(said.String(), "at=http://")
	at, _, _ = strings.Cut(at, "/metrics")
	for path, want := range map[string]string{"/livez": "ok", "/readyz": "ok", "/metrics": `downweb_agent_press_confirmed_seq{press="rhein/p0"} ` + strconv.Itoa(week)} {
		r, err := http.Get("http://" + at + path)
		must(t, err)
		body, _ := io.ReadAll(r.Body)
		_ = r.Body.Close()
		if r.StatusCode != 200 || !strings.Contains(string(body), want) {
			t.Errorf("%s: %d\n%.2000s", path, r.StatusCode, body)
		}
	}
	must(t, cmd.Process.Signal(syscall.SIGTERM))
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("%v\n%s", err, said.String())
		}
	case <-time.After(20 * time.Second):
		t.Error("it does not stop")
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// memory of a process, KiB: the highest so far, and of what it is made now.
func memoryOf(t *testing.T, pid int) map[string]int {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	must(t, err)
	out := map[string]int{}
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		for _, name := range []string{"VmHWM", "RssAnon", "RssFile"} {
			if len(f) > 1 && f[0] == name+":" {
				out[name], _ = strconv.Atoi(f[1])
			}
		}
	}
	return out
}

// processor time a process has used, in ticks of 10 ms (proc(5), fields 14
// and 15).
func processor(t *testing.T, pid int) time.Duration {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	must(t, err)
	f := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}
