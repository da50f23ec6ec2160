//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// part is one role in a process of its own, started by hand with a config file: no supervisor, no `up`.
type part struct {
	t    *testing.T
	name string
	dir  string // its data directory, with downweb.yaml
	args []string
	cmd  *exec.Cmd
	done chan struct{}
}

// apart is an installation whose roles run apart, each with a data directory and a configuration of its own; they
// share a directory of keys, as machines do that got copies of it.
type apart struct {
	t      *testing.T
	root   string
	keys   string
	dsn    string // config of the warehouse
	engine string // host:port
	urls   string // of the NATS servers
	grpc   string
	nats   []*part
}

func newApart(t *testing.T) *apart {
	needEngine(t)
	a := &apart{t: t, root: t.TempDir()}
	a.keys = filepath.Join(a.root, "keys")
	return a
}

// part writes the configuration of a role.
func (a *apart) part(name, config string, args ...string) *part {
	a.t.Helper()
	p := &part{t: a.t, name: name, dir: filepath.Join(a.root, name), args: append(args, "--data-dir", filepath.Join(a.root, name))}
	if err := os.MkdirAll(p.dir, 0o700); err != nil {
		a.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(p.dir, "downweb.yaml"), []byte(config), 0o600); err != nil {
		a.t.Fatal(err)
	}
	a.t.Cleanup(p.kill)
	return p
}

// start the process; its log goes to a file beside its data.
func (p *part) start() *part {
	p.t.Helper()
	log, err := os.OpenFile(filepath.Join(p.dir, "out.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		p.t.Fatal(err)
	}
	defer log.Close()
	p.cmd = exec.Command(os.Args[0], p.args...)
	p.cmd.Env = append(os.Environ(), "TEST_PLAY=tied")
	p.cmd.Stdout, p.cmd.Stderr = log, log
	if _, err := p.cmd.StdinPipe(); err != nil { // closes with this process
		p.t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	cmd, done := p.cmd, make(chan struct{})
	p.done = done
	go func() { cmd.Wait(); close(done) }()
	return p
}

func (p *part) signal(s syscall.Signal) {
	if p.cmd != nil {
		p.cmd.Process.Signal(s)
	}
}

// kill ends the process by SIGKILL, if it runs.
func (p *part) kill() {
	if p.cmd == nil {
		return
	}
	p.signal(syscall.SIGKILL)
	<-p.done
}

// stop ends it in good order.
func (p *part) stop() {
	p.t.Helper()
	p.signal(syscall.SIGTERM)
	select {
	case <-p.done:
	case <-time.After(30 * time.Second):
		p.t.Errorf("%s did not stop in 30 s", p.name)
		p.kill()
	}
}

func (p *part) running() bool {
	if p.cmd == nil {
		return false
	}
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// log is what the role has said, from a place on.
func (p *part) log() string {
	text, _ := os.ReadFile(filepath.Join(p.dir, "out.log"))
	return string(text)
}

func (a *apart) logs() string {
	files, _ := filepath.Glob(filepath.Join(a.root, "*", "out.log"))
	var b bytes.Buffer
	for _, f := range files {
		text, _ := os.ReadFile(f)
		fmt.Fprintf(&b, "\n== %s\n%s", filepath.Base(filepath.Dir(f)), text[max(0, len(text)-4000):])
	}
	return b.String()
}

// within waits for ok and says how long it took.
func (a *apart) within(limit time.Duration, what string, ok func() bool) time.Duration {
	a.t.Helper()
	begin := time.Now()
	for !ok() {
		if time.Since(begin) > limit {
			a.t.Fatalf("not within %v: %s\n%s", limit, what, a.logs())
		}
		time.Sleep(50 * time.Millisecond)
	}
	return time.Since(begin)
}

// startEngine runs the engine at an address that the others are told.
func (a *apart) startEngine() *part {
	a.engine = freePort()
	p := a.part("engine", "engine: {max_memory: 2GiB}\n", "engine", "--listen", a.engine).start()
	a.dsn = fmt.Sprintf("warehouse: {dsn: \"http://default@%s\", password_file: %s}\n", a.engine, filepath.Join(p.dir, "keys", keyEngine))
	a.within(60*time.Second, "the engine is ready", func() bool { return strings.Contains(p.log(), "msg=ready") })
	return p
}

// startNATS runs one server without a cluster.
func (a *apart) startNATS() *part {
	addr := freePort()
	a.urls = "nats://" + addr
	return a.part("nats", fmt.Sprintf("nats: {listen: %q, keys_dir: %s}\n", addr, a.keys), "nats").start()
}

// natsConfig is how ingest, api and agent find the log. Of a cluster they prefer the second server.
func (a *apart) natsConfig(replicas int) string {
	url := a.urls
	if list := strings.Split(url, ","); len(list) > 1 {
		url = strings.Join(append(list[1:], list[0]), ",")
	}
	return fmt.Sprintf("nats: {url: %q, keys_dir: %s, cluster: {replicas: %d}}\n", url, a.keys, replicas)
}

// startAPI runs the api and keeps its address for ask.
func (a *apart) startAPI(replicas int) *part {
	a.grpc = freePort()
	p := a.part("api", fmt.Sprintf("api: {grpc: %q, http: \"\"}\nweb: {listen: \"\"}\n", a.grpc)+a.natsConfig(replicas)+a.dsn, "api").start()
	a.within(60*time.Second, "the api answers", func() bool { _, ok := a.status(); return ok })
	return p
}

// agent writes the configuration of an agent that follows a file.
func (a *apart) agent(presses []string, source string) *part {
	return a.part("agent", fmt.Sprintf("agent: {name: a1, presses: [%s], sources: [{path: %s, follow: true}]}\n", strings.Join(presses, ", "), source)+a.natsConfig(1), "agent", "run")
}

// accepted is how many events the agent has said that it has on disk.
func (a *apart) accepted(p *part) int64 {
	var s struct{ Status struct{ Last int64 } }
	text, _ := os.ReadFile(dataDir(p.dir).agentState("a1"))
	json.Unmarshal(text, &s)
	return s.Status.Last
}

func (a *apart) ask(args ...string) (code int, out, errs string) {
	return a.command(append(args, "--addr", a.grpc)...)
}

// command runs downweb in a process of its own, so that tests may run side by side.
func (a *apart) command(args ...string) (code int, out, errs string) {
	a.t.Helper()
	c := exec.CommandContext(a.t.Context(), os.Args[0], args...)
	c.Env = append(os.Environ(), "TEST_PLAY=downweb", "XDG_STATE_HOME="+a.root)
	var o, e bytes.Buffer
	c.Stdout, c.Stderr = &o, &e
	if err := c.Run(); err != nil && c.ProcessState == nil {
		a.t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), o.String(), e.String()
}

func (a *apart) status(args ...string) (st *pb.GetStatusResponse, ok bool) {
	code, out, _ := a.ask(append([]string{"status", "-o", "json"}, args...)...)
	st = &pb.GetStatusResponse{}
	return st, code == 0 && protojson.Unmarshal([]byte(out), st) == nil
}

// sql asks the engine itself, for one line of text.
func (a *apart) sql(query string) string {
	a.t.Helper()
	text, err := a.trySQL(query)
	if err != nil {
		a.t.Fatal(err)
	}
	return text
}

func (a *apart) trySQL(query string) (string, error) {
	secret, err := password(filepath.Join(a.root, "engine", "keys"), keyEngine)
	if err != nil {
		return "", err
	}
	r, err := http.Post("http://default:"+secret+"@"+a.engine+"/", "text/plain", strings.NewReader(query))
	if err != nil {
		return "", err
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != 200 {
		return "", fmt.Errorf("%s: %v %s", query, err, text)
	}
	return strings.TrimSpace(string(text)), nil
}

// events stored, each identity once; -1 while the engine or the table is not there.
func (a *apart) events() int64 {
	n := int64(-1)
	if text, err := a.trySQL("SELECT count() FROM downweb.events FINAL"); err == nil {
		fmt.Sscan(text, &n)
	}
	return n
}

// core connects to the account that owns the streams.
func (a *apart) core() jetstream.JetStream {
	a.t.Helper()
	secret, err := password(a.keys, keyCore)
	if err != nil {
		a.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(a.t.Context(), 30*time.Second)
	defer cancel()
	nc, err := eventlog.ConnectCore(ctx, a.urls, secret, "test", nil)
	if err != nil {
		a.t.Fatal(err)
	}
	a.t.Cleanup(nc.Close)
	js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(2*time.Second))
	if err != nil {
		a.t.Fatal(err)
	}
	return js
}

// input is a week of the simulated fleet as the agent's lines, with what they add up to, read from the lines alone.
type input struct {
	lines   []string
	plants  []string // files
	presses []string
	good    int64 // mm in slices
	next    int
	file    string
}

func newInput(t *testing.T, weekLines int) *input {
	t.Helper()
	dir, _, plants := week(t)
	text, err := os.ReadFile(filepath.Join(dir, "week.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	in := &input{lines: strings.SplitAfter(strings.TrimSuffix(string(text), "\n"), "\n"), plants: plants, file: filepath.Join(t.TempDir(), "growing.jsonl")}
	if weekLines > 0 && weekLines < len(in.lines) {
		in.lines = in.lines[:weekLines]
	}
	in.lines[len(in.lines)-1] = strings.TrimSuffix(in.lines[len(in.lines)-1], "\n") + "\n"
	in.presses = pressesOf(text)
	for _, l := range in.lines {
		var e struct {
			Slice *struct {
				GoodMM json.Number `json:"goodMm"`
				Snake  json.Number `json:"good_mm"`
			} `json:"slice"`
		}
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatal(err)
		}
		if e.Slice != nil {
			for _, n := range []json.Number{e.Slice.GoodMM, e.Slice.Snake} {
				if n != "" {
					v, err := n.Int64()
					if err != nil {
						t.Fatal(err)
					}
					in.good += v
				}
			}
		}
	}
	if err := os.WriteFile(in.file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	return in
}

// write appends the next n lines to the file that the agent follows.
func (in *input) write(n int) error {
	f, err := os.OpenFile(in.file, os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	end := min(in.next+n, len(in.lines))
	_, err = f.WriteString(strings.Join(in.lines[in.next:end], ""))
	in.next = end
	if e := f.Close(); err == nil {
		err = e
	}
	return err
}

// feed writes the lines, some every 20 ms, until all are written after rest is set: meanwhile it keeps to a pace that
// leaves work for the whole test.
func (in *input) feed(t *testing.T, pace int, rest *atomic.Bool) (done chan struct{}) {
	done = make(chan struct{})
	go func() {
		defer close(done)
		for in.next < len(in.lines) && t.Context().Err() == nil {
			n := pace
			if rest.Load() {
				n = len(in.lines)
			}
			if err := in.write(n); err != nil {
				t.Error(err)
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	}()
	return done
}

// finish waits until all is stored and projected, and compares it with the input: every line once, the same meters,
// nothing dead, no holes; and projections that a rebuild from the log does not change.
func (a *apart) finish(in *input, agent *part) {
	a.t.Helper()
	n := int64(len(in.lines))
	took := a.within(120*time.Second, "all events are stored and projected", func() bool {
		st, ok := a.status()
		return ok && st.GetEvents() >= n && st.GetDirtyPressDays() == 0 && st.GetStreamPending() == 0
	})
	if got := a.accepted(agent); got != n {
		a.t.Errorf("the agent has accepted %d events, the input holds %d", got, n)
	}
	if got := a.events(); got != n {
		a.t.Errorf("%d events are stored, the agent accepted %d", got, n)
	}
	if got := a.sql("SELECT uniqExact(plant, press, epoch, seq) FROM downweb.events"); got != fmt.Sprint(n) {
		a.t.Errorf("%s identities are stored, want %d", got, n)
	}
	if got := a.sql("SELECT sum(good_mm) FROM downweb.events FINAL WHERE dur_ms > 0 AND state > 0"); got != fmt.Sprint(in.good) {
		a.t.Errorf("good meters: %s mm, the input says %d", got, in.good)
	}
	// Without holes: the highest seq of each epoch is its count.
	if got := a.sql("SELECT count() FROM (SELECT max(seq) AS m, uniqExact(seq) AS c FROM downweb.events GROUP BY plant, press, epoch HAVING m != c)"); got != "0" {
		a.t.Errorf("%s epochs have holes", got)
	}
	before, ok := a.status("--checksum")
	if !ok || before.GetDead() != 0 || before.GetUnbalancedPressDays() != 0 || before.GetPressDays() == 0 || before.GetChecksum() == "" {
		a.t.Errorf("status: %v", before)
	}
	if code, _, errs := a.command("rebuild", "--data-dir", filepath.Join(a.root, "api")); code != 0 {
		a.t.Fatalf("rebuild: %s", errs)
	}
	a.within(60*time.Second, "the rebuild is projected", func() bool { st, ok := a.status(); return ok && st.GetDirtyPressDays() == 0 })
	if after, ok := a.status("--checksum"); !ok || after.GetChecksum() != before.GetChecksum() {
		a.t.Errorf("a rebuild from the log gives %v, the projections were %v", after.GetChecksums(), before.GetChecksums())
	}
	a.t.Logf("%d events, each stored once; %v after the end of the input", n, took.Round(100*time.Millisecond))
}
