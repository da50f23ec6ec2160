//go:build unix

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/registry"
	"github.com/downweb/downweb/services/warehouse/engine"
)

// needEngine installs the engine's library if it is missing, skips where that cannot be done, and fails there in CI.
func needEngine(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("starts the whole line")
	}
	if _, err := engine.Locate(""); err == nil {
		return
	}
	if _, err := engine.Install(context.Background(), io.Discard); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("no engine: %v", err)
		}
		t.Skipf("no engine: %v", err)
	}
}

// testLine is a whole line in processes of its own: this test binary, playing downweb.
type testLine struct {
	t    *testing.T
	dir  string
	cmd  *exec.Cmd
	stop func() // ends it, once
}

// startLine runs `up` in a directory whose agent follows a week of the simulated fleet.
func startLine(t *testing.T, dir string) *testLine {
	t.Helper()
	l := &testLine{t: t, dir: dir}
	l.cmd = exec.Command(os.Args[0], "up", "--data-dir", dir)
	l.cmd.Env = append(os.Environ(), "TEST_PLAY=downweb")
	said, err := l.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := l.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	up, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		lines, first := bufio.NewScanner(said), true
		for lines.Scan() {
			if strings.Contains(lines.Text(), "downweb is up") && first {
				first = false
				close(up)
			}
		}
	}()
	l.stop = sync.OnceFunc(func() {
		l.cmd.Process.Signal(syscall.SIGTERM)
		select {
		case <-ended:
		case <-time.After(60 * time.Second):
			t.Error("up did not end in 60 s")
			l.cmd.Process.Kill()
		}
		l.cmd.Wait()
	})
	t.Cleanup(l.stop)
	select {
	case <-up:
	case <-time.After(120 * time.Second):
		t.Fatalf("not up after 120 s: %s", l.logs())
	case <-ended:
		t.Fatalf("up ended: %s", l.logs())
	}
	return l
}

func (l *testLine) logs() string {
	files, _ := filepath.Glob(filepath.Join(l.dir, "log", "*.log"))
	var b bytes.Buffer
	for _, f := range files {
		text, _ := os.ReadFile(f)
		fmt.Fprintf(&b, "\n== %s\n%s", filepath.Base(f), text[max(0, len(text)-1500):])
	}
	return b.String()
}

// ask runs a client command against the line.
func (l *testLine) ask(args ...string) (code int, out, errs string) {
	return command(l.t, append(args, "--data-dir", l.dir)...)
}

func (l *testLine) must(args ...string) string {
	l.t.Helper()
	code, out, errs := l.ask(args...)
	if code != 0 {
		l.t.Fatalf("downweb %s: exit %d, %s", strings.Join(args, " "), code, errs)
	}
	return out
}

// status is the line's state; ok is false while the api cannot be asked.
func (l *testLine) status(args ...string) (st *pb.GetStatusResponse, ok bool) {
	code, out, _ := l.ask(append([]string{"status", "-o", "json"}, args...)...)
	st = &pb.GetStatusResponse{}
	return st, code == 0 && protojson.Unmarshal([]byte(out), st) == nil
}

func (l *testLine) children() map[string]childState {
	var list []childState
	text, _ := os.ReadFile(dataDir(l.dir).roles())
	json.Unmarshal(text, &list)
	out := map[string]childState{}
	for _, c := range list {
		out[c.Name] = c
	}
	return out
}

// settled waits until n events are stored and all are projected.
func (l *testLine) settled(n int64) {
	l.t.Helper()
	var st *pb.GetStatusResponse
	for deadline := time.Now().Add(150 * time.Second); ; time.Sleep(200 * time.Millisecond) {
		var ok bool
		st, ok = l.status()
		if ok && st.GetEvents() >= n && st.GetDirtyPressDays() == 0 && st.GetStreamPending() == 0 {
			break
		}
		if time.Now().After(deadline) {
			l.t.Fatalf("not settled after 150 s: %v\n%s", st, l.logs())
		}
	}
	if st.GetEvents() != n || st.GetDead() != 0 {
		l.t.Fatalf("%d events and %d dead letters, want %d and none", st.GetEvents(), st.GetDead(), n)
	}
}

// week prepares a data directory whose agent reads a week of the fleet, and gives the number of its events and the
// files of its plants.
func week(t *testing.T) (dir string, events int64, plants []string) {
	t.Helper()
	dir = t.TempDir()
	f, err := newFleet(fleetsim.Config{Seed: 5, Until: "2026-06-28", Weeks: 1})
	if err != nil {
		t.Fatal(err)
	}
	var lines bytes.Buffer
	for f.next <= f.Last() {
		if err := f.nextDay(&lines); err != nil {
			t.Fatal(err)
		}
	}
	var presses []string
	for i := range f.Len() {
		presses = append(presses, f.Press(i))
	}
	for _, p := range f.Plants() {
		text, err := registry.FormatYAML(p)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(dir, p.GetPlant()+".yaml")
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
		plants = append(plants, name)
	}
	source := filepath.Join(dir, "week.jsonl")
	config := fmt.Sprintf("api: {grpc: \"127.0.0.1:0\", http: \"127.0.0.1:0\"}\nweb: {listen: \"127.0.0.1:0\"}\nnats: {listen: \"127.0.0.1:0\"}\nagent: {name: week, presses: [%s], sources: [{path: %s, follow: true}]}\n",
		strings.Join(presses, ", "), source)
	for name, text := range map[string][]byte{source: lines.Bytes(), filepath.Join(dir, "downweb.yaml"): []byte(config)} {
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, int64(bytes.Count(lines.Bytes(), []byte{'\n'})), plants
}

// The whole line: every child killed with SIGKILL while it streams, and the figures are those of an undisturbed run.
func TestLineSurvivesKills(t *testing.T) {
	t.Parallel()
	needEngine(t)
	calm, events, plants := week(t)
	line := startLine(t, calm)
	for _, p := range plants {
		line.must("registry", "apply", p)
	}
	line.settled(events)
	loss := line.must("loss", "--from", "2026-06-22", "--to", "2026-06-28", "-o", "csv")
	if strings.Count(loss, "\n") < 15 {
		t.Fatalf("loss says little:\n%s", loss)
	}
	if table := line.must("loss", "--week", "2026-W26", "--press", "linden/p1"); !strings.Contains(table, "valuable operating time") || !strings.Contains(table, "EUR") {
		t.Errorf("loss table:\n%s", table)
	}

	t.Run("pages", func(t *testing.T) { pagesOf(t, line, loss) })

	before, _ := line.status("--checksum")
	line.must("rebuild")
	line.settled(events)
	if after, ok := line.status("--checksum"); !ok || after.GetChecksum() != before.GetChecksum() || after.GetChecksum() == "" {
		t.Errorf("a rebuild changed the checksums: %v, before %v", after.GetChecksums(), before.GetChecksums())
	}

	dir, _, _ := week(t)
	shaken := startLine(t, dir)
	for _, p := range plants {
		shaken.must("registry", "apply", p)
	}
	for _, name := range []string{"ingest", "engine", "agent", "nats", "api", "ingest", "engine"} {
		until(t, name+" has a process", func() bool { return shaken.children()[name].PID != 0 })
		pid := shaken.children()[name].PID
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
			t.Fatalf("kill %s: %v", name, err)
		}
		time.Sleep(400 * time.Millisecond)
	}
	shaken.settled(events)
	// The rows are the same but for the carry, which names events by the agent's random epoch, and the crews' pseudonyms.
	for _, table := range projections {
		compareRows(t, table, line.rows(table), shaken.rows(table))
	}
	got, ok := shaken.status("--checksum")
	if !ok || got.GetChecksum() != before.GetChecksum() {
		t.Fatalf("checksums after the kills %v, undisturbed %v", got.GetChecksums(), before.GetChecksums())
	}
	if got.GetPressDays() == 0 || got.GetUnbalancedPressDays() != 0 {
		t.Errorf("losses do not add up on %d of %d press-days", got.GetUnbalancedPressDays(), got.GetPressDays())
	}
	if again := shaken.must("loss", "--from", "2026-06-22", "--to", "2026-06-28", "-o", "csv"); again != loss {
		t.Errorf("losses differ after the kills:\n%s\nundisturbed:\n%s", again, loss)
	}
	for name, c := range shaken.children() {
		if c.State != "ready" || c.Restarts == 0 {
			t.Errorf("%s: %+v", name, c)
		}
	}

	// A killed supervisor leaves nothing behind, and the directory can be used again.
	children := shaken.children()
	shaken.cmd.Process.Kill()
	until(t, "all children end", func() bool {
		for _, c := range children {
			if c.PID != 0 && alive(c.PID) {
				return false
			}
		}
		return true
	})
	again := startLine(t, dir)
	again.settled(events)
	if st, ok := again.status("--checksum"); !ok || st.GetChecksum() != got.GetChecksum() {
		t.Errorf("after the restart %v, before it %v", st.GetChecksums(), got.GetChecksums())
	}

	// An empty warehouse reads the stream from its start and comes to the same.
	again.stop()
	if err := os.RemoveAll(filepath.Join(dir, "engine")); err != nil {
		t.Fatal(err)
	}
	replayed := startLine(t, dir)
	replayed.settled(events)
	if st, ok := replayed.status("--checksum"); !ok || st.GetChecksum() != got.GetChecksum() || st.GetWarehouseId() == got.GetWarehouseId() {
		t.Errorf("replayed into an empty warehouse %v, before %v", st.GetChecksums(), got.GetChecksums())
	}
}

var projections = []string{"press_days", "shift_facts", "station_visits", "duties"}

// rows reads a projection as text, one line a row, named columns.
func (l *testLine) rows(table string) []string {
	l.t.Helper()
	e, err := dataDir(l.dir).readEndpoints()
	if err != nil {
		l.t.Fatal(err)
	}
	dsn, err := engineDSN(dataDir(l.dir).keys(), e.Warehouse, "downweb")
	if err != nil {
		l.t.Fatal(err)
	}
	hidden := "ver, gone"
	if table == "press_days" {
		table += "_by_month"
		hidden += ", carry"
	}
	if table == "station_visits" { // a pseudonym by each line's own random key
		hidden += ", crew"
	}
	query := "SELECT * EXCEPT (" + hidden + ") FROM downweb." + table + " FINAL WHERE gone = 0 ORDER BY ALL FORMAT JSONEachRow"
	r, err := http.Post(strings.TrimSuffix(dsn, "/downweb")+"/", "text/plain", strings.NewReader(query))
	if err != nil {
		l.t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != 200 {
		l.t.Fatalf("%s: %v %s", query, err, text)
	}
	return strings.Split(strings.TrimSpace(string(text)), "\n")
}

// compareRows names the columns in which two tables differ first.
func compareRows(t *testing.T, table string, want, got []string) {
	t.Helper()
	if len(want) != len(got) || len(want) < 10 {
		t.Errorf("%s: %d rows, undisturbed %d", table, len(got), len(want))
	}
	for i := range min(len(want), len(got)) {
		if want[i] == got[i] {
			continue
		}
		var a, b map[string]any
		json.Unmarshal([]byte(want[i]), &a)
		json.Unmarshal([]byte(got[i]), &b)
		for column, v := range a {
			if fmt.Sprint(v) != fmt.Sprint(b[column]) {
				t.Errorf("%s row %d (%v/%v day %v): %s is %v, undisturbed %v", table, i, a["plant"], a["press"], a["day"], column, b[column], v)
			}
		}
		return
	}
}

func TestUpNamesTheKeyOfATakenPort(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	code, _, errs := command(t, "up", "--data-dir", t.TempDir(), "--grpc", taken.Addr().String(), "--http", "127.0.0.1:0", "--web", "", "--nats-listen", "127.0.0.1:0", "--warehouse", "clickhouse://127.0.0.1:1")
	if code != 1 || !strings.Contains(errs, "api.grpc") || !strings.Contains(errs, "in use") || strings.Count(errs, "\n") != 1 {
		t.Errorf("exit %d, %q", code, errs)
	}
}
