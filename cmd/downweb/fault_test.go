//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

var (
	faultSeed  = flag.Uint64("faults.seed", 1, "seed of TestFaults")
	faultKills = flag.Int("faults.kills", 120, "kills of TestFaults; 120 are 20 for each part")
)

// faultApp asks and supervises as the program does; the children are this test binary.
func faultApp(t *testing.T) (*app, *Config) {
	t.Helper()
	needEngine(t)
	t.Setenv("TEST_PLAY", "downweb")
	a := &app{in: strings.NewReader(""), out: io.Discard, err: io.Discard, environ: withoutSettings(os.Environ()), dataDir: t.TempDir(), defaultName: "main"}
	cfg, err := a.loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	return a, cfg
}

// T4 and T10: every part of a whole line is killed at least 20 times and an ingest sleeps through its lease,
// while the fleet is fed: nothing is lost, nothing doubled, the projections are the undisturbed ones.
func TestFaults(t *testing.T) {
	a, cfg := faultApp(t)
	plan := faultPlan{Seed: *faultSeed, Kills: *faultKills, Pauses: 2, Weeks: 1, Gap: 300 * time.Millisecond, Bound: 2 * time.Minute}
	r, err := a.runFaults(t.Context(), a.dataDir, cfg, plan, func(string) {})
	if err != nil {
		t.Fatal(err)
	}
	text, _ := json.Marshal(r)
	t.Logf("%s", text)
	for _, b := range r.Broken {
		t.Errorf("seed %d: %s", plan.Seed, b)
	}
	// A pause finds nobody to stop where both ingests are just being killed.
	if r.Kills != plan.Kills || r.Pauses < 1 || r.Pauses > plan.Pauses || r.Events < 10_000 || len(r.Roles) != 6 {
		t.Errorf("not what was planned: %s", text)
	}
	for _, role := range r.Roles {
		if role.Kills < plan.Kills/len(r.Roles) || role.Recoveries < 1 {
			t.Errorf("%+v", role)
		}
	}
}

// The oracle sees what is missing, what is too much and what is another: a check that can fail.
func TestFaultOracle(t *testing.T) {
	in, err := makeFaultInput(3, 1)
	if err != nil {
		t.Fatal(err)
	}
	text := slices.Concat(in.files...)
	whole, err := tallyLines(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if n := int64(bytes.Count(text, []byte{'\n'})); whole.Sum.Events != n || int64(len(whole.Facts)) != n {
		t.Fatalf("%d lines, %d events, %d different", n, whole.Sum.Events, len(whole.Facts))
	}
	first := text[:bytes.IndexByte(text, '\n')+1]
	for name, c := range map[string]struct {
		text          []byte
		lost, doubled int64
	}{
		"same":    {text, 0, 0},
		"lost":    {text[len(first):], 1, 0},
		"doubled": {append(slices.Clone(text), first...), 0, 1},
		"changed": {bytes.Replace(text, []byte(`"goodMm":"`), []byte(`"goodMm":"9`), 1), 1, 1},
		"nothing": {nil, whole.Sum.Events, 0},
	} {
		stored, err := tallyLines(bytes.NewReader(c.text))
		if err != nil {
			t.Fatal(err)
		}
		if lost, doubled := whole.compare(stored); lost != c.lost || doubled != c.doubled {
			t.Errorf("%s: lost %d, doubled %d, want %d and %d", name, lost, doubled, c.lost, c.doubled)
		}
	}
	if _, err := tallyLines(strings.NewReader(`{"plant":"a","press":"b","newKind":{}}`)); err == nil {
		t.Error("a body that is not known was passed over")
	}

	// By hand, from testdata/agent/example.ndjson: 60 + 60 + 60 + 17.5 + 42.5 s of slices, 42.5 s of a note, 11 min of a
	// booking; a clock step adds what it jumped.
	f, err := lineFact([]byte(`{"plant":"rhein","press":"p1","occurredAt":"2026-06-15T12:00:00Z","sourceKey":"panel-1007","wasteBooked":{"from":"2026-06-15T04:10:00Z","to":"2026-06-15T04:21:00Z","job":"J77","lengthMm":"14500"}}`))
	want := fact{Kind: 17, Plant: "rhein", Press: "p1", At: 1781524800000, Dur: 660_000, Length: 14500, Key: "panel-1007"}
	if err != nil || f != want {
		t.Errorf("%+v %v, want %+v", f, err, want)
	}
}

// T13: the log server hangs while a week comes in; the agent takes it all into its spool, in bounded memory;
// then it catches up while more comes in, and all is stored once.
func TestWeekOffline(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("reads a process's memory from /proc")
	}
	a, cfg := faultApp(t)
	ctx := t.Context()
	in, err := makeFaultInput(11, 1)
	if err != nil {
		t.Fatal(err)
	}
	line, err := a.startFaultLine(ctx, filepath.Join(a.dataDir, "offline"), cfg, in, false)
	if err != nil {
		t.Fatal(err)
	}
	defer line.close()
	if err := line.start(ctx, in); err != nil {
		t.Fatal(err)
	}
	nats, err := line.pid(ctx, "nats")
	if err != nil {
		t.Fatal(err)
	}
	if err := pause(nats); err != nil {
		t.Fatal(err)
	}
	defer resume(nats)
	feed := newFeeder(in, line.dir)
	const offline = 0.9
	if err := feed.upTo(offline); err != nil {
		t.Fatal(err)
	}
	var lines uint64
	for i, text := range in.files {
		lines += uint64(bytes.Count(text[:feed.done[i]], []byte{'\n'}))
	}
	state := func() (s agentState) {
		text, _ := os.ReadFile(dataDir(line.dir).agentState("faults"))
		json.Unmarshal(text, &s)
		return s
	}
	for end := time.Now().Add(60 * time.Second); state().Status.Accepted < lines; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("accepted %d of %d lines in 60 s without a log server: %+v", state().Status.Accepted, lines, state())
		}
	}
	if s := state().Status; s.Full || s.SpoolBytes == 0 {
		t.Errorf("spool: %+v", s)
	}
	agent, err := line.pid(ctx, "agent")
	if err != nil {
		t.Fatal(err)
	}
	if err := resume(nats); err != nil {
		t.Fatal(err)
	}
	// Live again: the rest comes in pieces while the week is sent.
	for share := offline; share < 1; share += 0.01 {
		if err := feed.upTo(share); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30 * time.Millisecond)
	}
	if err := feed.upTo(1); err != nil {
		t.Fatal(err)
	}
	oracle, err := tallyFiles(feed.paths)
	if err != nil {
		t.Fatal(err)
	}
	st, err := line.settle(ctx, oracle.Sum.Events, 90*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	stored, repeats, err := line.stored(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if lost, doubled := oracle.compare(stored); lost+doubled > 0 || st.GetDead() > 0 {
		t.Errorf("lost %d, doubled %d, dead %d", lost, doubled, st.GetDead())
	}
	if pid, err := line.pid(ctx, "agent"); err != nil || pid != agent {
		t.Errorf("the agent was started again: %d, %d, %v", agent, pid, err)
	}
	peak, err := peakMiB(agent)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d events, %d offline, %d repeats, agent's peak %d MiB", oracle.Sum.Events, lines, repeats, peak)
	if peak > 150 { // a bound for an agent at work; the week of 12 presses is 62,000 events
		t.Errorf("the agent's memory peaked at %d MiB", peak)
	}
	until(t, "the spool empties", func() bool { return state().Status.SpoolBytes == 0 })

	t.Run("scopes", func(t *testing.T) {
		conn, err := line.app.dial()
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		testScopes(t, conn, in.plants, "2026-06-22", "2026-06-28")
	})
}

// peakMiB is the largest resident memory that a process has had.
func peakMiB(pid int) (int, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "VmHWM:" {
			kib, err := strconv.Atoi(f[1])
			return kib / 1024, err
		}
	}
	return 0, fmt.Errorf("process %d says no peak", pid)
}

func TestFaultsCommandLine(t *testing.T) {
	for _, args := range [][]string{{"--kills", "-1"}, {"--weeks", "0"}, {"--gap", "0s"}, {"-o", "csv"}, {"--pauses", "x"}} {
		if code, _, errs := command(t, append([]string{"bench", "faults"}, args...)...); code != 2 || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: exit %d, %q", args, code, errs)
		}
	}
	var out bytes.Buffer
	r := &faultReport{Kills: 200, Seed: 7, Events: 62_434, Roles: []faultRole{{"engine", 40, 39}}, Checksum: "aa", ChecksumUndisturbed: "bb", Lost: 3}
	r.broken("%d input lines are not stored", 3)
	if err := r.print(&out, "table"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"lost 3", "seed 7", "62,434 events", "NOT equal to the undisturbed run's bb", "BROKEN: 3 input lines are not stored"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the table lacks %q:\n%s", want, out.String())
		}
	}
	if got := withoutSettings([]string{"HOME=/h", "DOWNWEB_WAREHOUSE__DSN=x", "DOWNWEB_DATA_DIR=d", "DOWNWEB_TEST_LOG=1"}); !slices.Equal(got, []string{"HOME=/h", "DOWNWEB_TEST_LOG=1"}) {
		t.Errorf("environment %v", got)
	}
}
