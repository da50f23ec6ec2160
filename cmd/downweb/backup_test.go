//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/downweb/downweb/services/warehouse"
)

// own runs a command in a process of its own: one that starts children.
func own(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	c := exec.CommandContext(t.Context(), os.Args[0], args...)
	c.Env = append(os.Environ(), "TEST_PLAY=downweb")
	var o, e bytes.Buffer
	c.Stdout, c.Stderr = &o, &e
	if err := c.Run(); c.ProcessState == nil {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), o.String(), e.String()
}

// stored compares what the line's warehouse holds with lines of an agent's input, counted without any of our packages.
func (l *testLine) stored(lines []byte) {
	l.t.Helper()
	want, err := tallyLines(bytes.NewReader(lines))
	if err != nil {
		l.t.Fatal(err)
	}
	a := &app{environ: os.Environ(), dataDir: l.dir, defaultName: "main"}
	cfg, err := a.loadConfig(nil)
	if err != nil {
		l.t.Fatal(err)
	}
	got, _, err := (&faultLine{line: &line{cfg: cfg}}).stored(l.t.Context())
	if err != nil {
		l.t.Fatal(err)
	}
	if lost, doubled := want.compare(got); lost != 0 || doubled != 0 || want.Sum != got.Sum {
		l.t.Errorf("%d lost, %d doubled; stored %+v, input %+v", lost, doubled, got.Sum, want.Sum)
	}
}

// spooled is how many events the agent has taken.
func (l *testLine) spooled() int64 {
	var s agentState
	text, _ := os.ReadFile(dataDir(l.dir).agentState("week"))
	json.Unmarshal(text, &s)
	return int64(s.Status.Last)
}

func readManifest(t *testing.T, dir string) (m warehouse.BackupManifest) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "manifest.json"))
	if err == nil {
		err = json.Unmarshal(text, &m)
	}
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// One machine is backed up while it streams; its warehouse is lost, then also its stream. After each restore everything
// is there again: what the backup holds, what came after it from the stream, and what neither has from the spools.
func TestBackupOfARunningLine(t *testing.T) {
	t.Parallel()
	needEngine(t)
	dir, _, plants := week(t)
	source := filepath.Join(dir, "week.jsonl")
	all, err := os.ReadFile(source)
	if err != nil {
		t.Fatal(err)
	}
	var lines []byte
	for line := range bytes.Lines(all) { // one press of each plant will do
		if bytes.Contains(line, []byte(`"p1"`)) {
			lines = append(lines, line...)
		}
	}
	events := int64(bytes.Count(lines, []byte{'\n'}))
	if events < 2000 || events > 20_000 {
		t.Fatalf("%d events of one press of each plant", events)
	}
	cut := func(share int) int { return bytes.LastIndexByte(lines[:len(lines)*share/100], '\n') + 1 }
	early, late := cut(50), cut(85)
	feed := func(from, to int) {
		t.Helper()
		f, err := os.OpenFile(source, os.O_WRONLY|os.O_APPEND, 0)
		if err == nil {
			_, err = f.Write(lines[from:to])
			f.Close()
		}
		if err != nil {
			t.Error(err)
		}
	}
	if err := os.WriteFile(source, lines[:early], 0o600); err != nil {
		t.Fatal(err)
	}
	most := int64(bytes.Count(lines[:late], []byte{'\n'}))

	line := startLine(t, dir)
	for _, p := range plants {
		line.must("registry", "apply", p)
	}
	until(t, "events are stored", func() bool { st, ok := line.status(); return ok && st.GetEvents() > 0 })
	backups := t.TempDir()
	first, second := filepath.Join(backups, "first"), filepath.Join(backups, "second")
	made, fed := make(chan struct{}), make(chan struct{})
	go func() { // drips while the backup is made, the last lines after it
		defer close(fed)
		at := early
		for n := cut(51) - early; at+2*n < late; {
			to := bytes.LastIndexByte(lines[:at+n], '\n') + 1
			feed(at, to)
			at = to
			select {
			case <-made:
				n = late
			case <-time.After(50 * time.Millisecond):
			}
		}
		<-made
		feed(at, late)
	}()
	line.must("backup", first)
	close(made)
	<-fed
	line.settled(most)
	before, _ := line.status("--checksum")
	history := line.must("registry", "history", "-o", "json")
	if out := line.must("backup", second); !strings.Contains(out, second) || strings.Count(out, "\n") != 1 {
		t.Errorf("backup says %q", out)
	}
	if code, _, errs := line.ask("backup", second); code != 1 || !strings.Contains(errs, "not empty") {
		t.Errorf("a backup over another: exit %d, %s", code, errs)
	}
	a, b := readManifest(t, first), readManifest(t, second)
	t.Logf("the backup on the way holds %d of %d events, %d bytes; the quiet one %d in %d bytes", a.Events, most, a.Bytes(), b.Events, b.Bytes())
	if a.Events == 0 || a.Events >= most || b.Events != most || len(b.Checksums) == 0 || b.RegistryRev != uint64(len(plants)) {
		t.Errorf("backups of %d and %d events, want some and %d; checksums %v; revision %d", a.Events, b.Events, most, b.Checksums, b.RegistryRev)
	}
	if code, out, errs := command(t, "backup", "--verify", first); code != 0 || !strings.Contains(out, "whole") {
		t.Errorf("verify: exit %d, %q %q", code, out, errs)
	}

	// A line that runs, and a warehouse that holds something, are left alone.
	if code, _, errs := own(t, "restore", second, "--data-dir", dir); code != 1 || !strings.Contains(errs, "stop the line first") {
		t.Errorf("restore into a running line: exit %d, %s", code, errs)
	}
	line.stop()
	if code, _, errs := own(t, "restore", second, "--data-dir", dir); code != 1 || !strings.Contains(errs, "not empty") {
		t.Errorf("restore over a warehouse: exit %d, %s", code, errs)
	}

	// The warehouse is lost: the older backup and the stream.
	remove := func(names ...string) {
		t.Helper()
		for _, name := range names {
			if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	remove("engine")
	if code, out, errs := own(t, "restore", first, "--data-dir", dir); code != 0 || errs != "" {
		t.Fatalf("restore: exit %d, %s %s", code, out, errs)
	}
	line = startLine(t, dir)
	line.settled(most)
	line.stored(lines[:late])
	after, ok := line.status("--checksum")
	if !ok || after.GetChecksum() != before.GetChecksum() || after.GetWarehouseId() == before.GetWarehouseId() {
		t.Errorf("restored and replayed from the stream %v, before %v", after.GetChecksums(), before.GetChecksums())
	}

	// Warehouse and stream are lost, with events in the stream that nobody has stored: the newer backup and the spool.
	paused := line.children()["ingest"].PID
	if err := syscall.Kill(paused, syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	feed(late, len(lines))
	until(t, "the agent has taken all", func() bool { return line.spooled() == events })
	time.AfterFunc(2*time.Second, func() { syscall.Kill(paused, syscall.SIGKILL) }) // when up stops its children
	line.stop()
	remove("engine", "nats", "keys")
	code, out, errs := own(t, "restore", second, "--data-dir", dir)
	if code != 0 || !strings.Contains(out, "checksum as at the backup") {
		t.Fatalf("restore: exit %d, %s %s", code, out, errs)
	}
	line = startLine(t, dir)
	line.settled(events)
	line.stored(lines)
	if again := line.must("registry", "history", "-o", "json"); again != history {
		t.Errorf("registry history after the stream was lost:\n%s\nbefore:\n%s", again, history)
	}
	got, _ := line.status("--checksum")
	line.must("rebuild")
	line.settled(events)
	if anew, ok := line.status("--checksum"); !ok || anew.GetChecksum() != got.GetChecksum() || got.GetUnbalancedPressDays() != 0 {
		t.Errorf("a rebuild after the restore changed the checksums: %v, before %v", anew.GetChecksums(), got.GetChecksums())
	}
}

// On an empty machine the keys and the config come back, for this user alone; what is there already stays.
func TestRestoreOnAnEmptyMachine(t *testing.T) {
	t.Parallel()
	needEngine(t)
	from := t.TempDir()
	if err := os.WriteFile(filepath.Join(from, "downweb.yaml"), []byte("api: {grpc: \"127.0.0.1:0\", http: \"\"}\nweb: {listen: \"\"}\nnats: {listen: \"127.0.0.1:0\"}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	badge := filepath.Join(from, "keys", "badges", "rhein-2026-06.key")
	if err := os.MkdirAll(filepath.Dir(badge), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(badge, []byte(strings.Repeat("0f", 32)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	line := startLine(t, from)
	line.must("registry", "apply", filepath.Join("..", "..", "testdata", "scenarios", "worked-shifts", "plant.yaml"))
	until(t, "the registry is copied", func() bool { st, ok := line.status(); return ok && st.GetAsOf().GetRegistryRev() == 1 })
	var dir string
	until(t, "the registry's copy is in the warehouse", func() bool { // the api knows it earlier, from the stream
		dir = filepath.Join(t.TempDir(), "b")
		line.must("backup", dir)
		return readManifest(t, dir).RegistryRev == 1
	})
	line.stop()
	quiet := filepath.Join(t.TempDir(), "quiet") // the same, where nothing runs
	if code, out, errs := own(t, "backup", quiet, "--data-dir", from); code != 0 || errs != "" {
		t.Fatalf("backup of a line that is stopped: exit %d, %s %s", code, out, errs)
	}
	if a, b := readManifest(t, dir), readManifest(t, quiet); a.WarehouseID != b.WarehouseID || a.RegistryRev != b.RegistryRev || a.Pos != b.Pos {
		t.Errorf("backups of a line that runs and that is stopped: %+v and %+v", a, b)
	}

	// Killed on its way, it is run again.
	to := filepath.Join(t.TempDir(), "new")
	killed := exec.Command(os.Args[0], "restore", dir, "--data-dir", to)
	killed.Env = append(os.Environ(), "TEST_PLAY=downweb")
	if err := killed.Start(); err != nil {
		t.Fatal(err)
	}
	until(t, "the engine of the restore is up", func() bool { _, err := dataDir(to).readEndpoints(); return err == nil })
	time.Sleep(300 * time.Millisecond)
	killed.Process.Kill()
	killed.Wait()
	code, out, errs := own(t, "restore", dir, "--data-dir", to, "-o", "json")
	if code != 0 || !json.Valid([]byte(out)) { // stderr may say that the engine of the first has to end
		t.Fatalf("restore: exit %d, %s %s", code, out, errs)
	}
	for _, f := range readManifest(t, dir).Files {
		if f.Table != "" {
			continue
		}
		want, err := os.ReadFile(filepath.Join(from, f.Path))
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(to, f.Path))
		info, _ := os.Stat(filepath.Join(to, f.Path))
		if err != nil || !bytes.Equal(got, want) || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", f.Path, err, info)
		}
	}
	for _, name := range []string{"keys/badges/rhein-2026-06.key", "keys/press.password", "downweb.yaml"} {
		if _, err := os.Stat(filepath.Join(to, name)); err != nil {
			t.Error(err)
		}
	}
	line = startLine(t, to)
	if out := line.must("registry", "history", "-o", "json"); !strings.Contains(out, `"rev"`) {
		t.Errorf("history: %s", out)
	}
	line.stop()

	// A damaged backup is refused before anything is touched.
	m := readManifest(t, dir)
	file := filepath.Join(dir, m.Files[len(m.Files)-1].Path)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text[len(text)/2] ^= 1
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	untouched := filepath.Join(t.TempDir(), "none")
	for _, args := range [][]string{{"backup", "--verify", dir}, {"restore", "--check", dir}, {"restore", dir, "--data-dir", untouched}} {
		if code, _, errs := own(t, args...); code != 1 || !strings.Contains(errs, "another sum") || strings.Count(errs, "\n") != 1 {
			t.Errorf("downweb %s: exit %d, %q", strings.Join(args, " "), code, errs)
		}
	}
	if _, err := os.Stat(untouched); err == nil {
		t.Error("a restore of a damaged backup made a data directory")
	}
}

// The backup's config is used where there is no other, but does not move the data directory.
func TestRestoreConfig(t *testing.T) {
	parts := t.TempDir()
	file := filepath.Join(parts, "file")
	made := func(name, config string) string {
		t.Helper()
		dir := filepath.Join(parts, name)
		draft, err := warehouse.NewBackup(dir, "test")
		if err != nil {
			t.Fatal(err)
		}
		defer draft.Discard()
		for name, text := range map[string]string{"downweb.yaml": config, "keys/press.password": "saved\n", "keys/engine.password": "engine\n", "keys/badges/rhein-2026-06.key": "key\n"} {
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := draft.AddFile(file, name); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := draft.Finish(); err != nil {
			t.Fatal(err)
		}
		return dir
	}
	moved, plain := made("moved", "data_dir: /elsewhere\n"), made("plain", "log: {level: warn}\n")
	for _, test := range []struct {
		args string
		code int
		want string
	}{
		{"restore --check " + plain, 0, ""},
		{"backup --verify " + moved, 0, ""},
		{"restore " + moved, 2, "/elsewhere"},
		{"restore " + plain + " --workers 0", 2, "--workers"},
		{"restore", 2, "restore DIR"},
		{"backup", 2, "backup DIR"},
		{"restore " + parts, 1, "is no backup"},
		{"backup " + parts + "/none", 1, "no warehouse"},
	} {
		if code, _, errs := command(t, strings.Fields(test.args)...); code != test.code || !strings.Contains(errs, test.want) {
			t.Errorf("%s: exit %d, %q", test.args, code, errs)
		}
	}

	to := t.TempDir()
	var said bytes.Buffer
	a := &app{environ: []string{}, dataDir: to, defaultName: "main", err: &said}
	cfg, err := a.restoreConfig(plain, func() (*Config, error) { return a.loadConfig(nil) })
	if err != nil || cfg.Log.Level.String() != "WARN" || cfg.DataDir != to {
		t.Fatalf("config: %+v, %v", cfg, err)
	}
	kept := filepath.Join(to, "keys", "press.password")
	if err := writeSecret(kept, []byte("mine\n")); err != nil {
		t.Fatal(err)
	}
	m := readManifest(t, plain)
	holds := func(want map[string]string) {
		t.Helper()
		for name, text := range want {
			if got, _ := os.ReadFile(filepath.Join(to, name)); string(got) != text {
				t.Errorf("%s holds %q, want %q", name, got, text)
			}
		}
	}
	if err := a.restoreFiles(cfg, plain, &m, true); err != nil {
		t.Fatal(err)
	}
	holds(map[string]string{"keys/engine.password": "engine\n", "downweb.yaml": "", "keys/badges/rhein-2026-06.key": ""})
	for range 2 {
		if err := a.restoreFiles(cfg, plain, &m, false); err != nil {
			t.Fatal(err)
		}
	}
	holds(map[string]string{"keys/engine.password": "engine\n", "downweb.yaml": "log: {level: warn}\n", "keys/badges/rhein-2026-06.key": "key\n", "keys/press.password": "mine\n"})
	if !strings.Contains(said.String(), kept) || strings.Contains(said.String(), "badges") {
		t.Errorf("said %q", said.String())
	}
}
