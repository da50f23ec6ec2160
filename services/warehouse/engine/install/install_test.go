package install

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	pinned "github.com/downweb/downweb/deploy/engine"
)

func TestPinnedFilesAgree(t *testing.T) {
	var p struct{ Dependencies map[string]string }
	if err := json.Unmarshal(pinned.Package, &p); err != nil {
		t.Fatal(err)
	}
	var l struct {
		Packages map[string]struct{ Version, Integrity, Resolved string }
	}
	if err := json.Unmarshal(pinned.Lock, &l); err != nil {
		t.Fatal(err)
	}
	if len(p.Dependencies) == 0 {
		t.Fatal("package.json pins nothing")
	}
	for name, version := range p.Dependencies {
		if version != Version {
			t.Errorf("package.json has %s at %s, the code says %s", name, version, Version)
		}
		locked := l.Packages["node_modules/"+name]
		if locked.Version != Version || !strings.HasPrefix(locked.Integrity, "sha512-") {
			t.Errorf("the lock has %s at %q with integrity %q", name, locked.Version, locked.Integrity)
		}
		if locked.Resolved != "" {
			t.Errorf("the lock names a registry for %s", name)
		}
	}
	if command, files, _ := project("@chdb/lib-linux-x64-gnu"); command != "ci" || len(files) != 2 {
		t.Errorf("the pinned package is installed by npm %s", command)
	}
	if command, _, note := project("@chdb/lib-darwin-arm64"); command != "install" || note == "" {
		t.Errorf("a package without a pinned checksum: npm %s, note %q", command, note)
	}
}

func TestLocate(t *testing.T) {
	t.Setenv("DOWNWEB_ENGINE__LIB", "")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Setenv("HOME", t.TempDir())
	_, err := Locate("")
	if !errors.Is(err, ErrMissing) || err.Error() != `the ClickHouse engine is not installed: run "downweb engine install" (needs npm), or give --warehouse clickhouse://…` {
		t.Errorf("nothing installed: %v", err)
	}
	if _, err := Locate(filepath.Join(t.TempDir(), "no.so")); err == nil || !strings.Contains(err.Error(), "no.so") {
		t.Errorf("a library that is not there: %v", err)
	}
	file := filepath.Join(t.TempDir(), "my.so")
	os.WriteFile(file, []byte("x"), 0o644)
	if got, err := Locate(file); got != file || err != nil {
		t.Errorf("override: %q, %v", got, err)
	}
	t.Setenv("DOWNWEB_ENGINE__LIB", file)
	if got, err := Locate(""); got != file || err != nil {
		t.Errorf("environment: %q, %v", got, err)
	}
}

func TestNoNPM(t *testing.T) {
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Setenv("HOME", t.TempDir())
	t.Setenv("PATH", t.TempDir())
	_, err := Library(t.Context(), new(bytes.Buffer))
	if err == nil || !strings.Contains(err.Error(), "npm is needed once and was not found") {
		t.Errorf("without npm: %v", err)
	}
}

// fakeNPM puts an npm in PATH that makes the library itself and counts its runs, so that this test needs
// no network; the real npm runs in every test that opens the engine on a fresh machine.
func fakeNPM(t *testing.T, script string) (count func() int) {
	t.Helper()
	name, err := packageName()
	if err != nil {
		missing(t, err.Error())
	}
	dir := t.TempDir()
	runs := filepath.Join(dir, "runs")
	text := "#!/bin/sh\necho run >> " + runs + "\nmkdir -p node_modules/" + name + "\n" + strings.ReplaceAll(script, "LIB", "node_modules/"+name+"/libchdb.so") + "\n"
	if err := os.WriteFile(filepath.Join(dir, "npm"), []byte(text), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir+string(os.PathListSeparator)+os.Getenv("PATH"))
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Setenv("HOME", t.TempDir())
	return func() int {
		text, _ := os.ReadFile(runs)
		return bytes.Count(text, []byte("run"))
	}
}

func TestInstallOnceSideBySide(t *testing.T) {
	count := fakeNPM(t, "sleep 0.3; echo engine > LIB")
	var wg sync.WaitGroup
	var mu sync.Mutex
	var said bytes.Buffer
	for range 4 {
		wg.Go(func() {
			var line bytes.Buffer
			lib, err := Library(t.Context(), &line)
			if err != nil {
				t.Error(err)
			} else if text, _ := os.ReadFile(lib); string(text) != "engine\n" {
				t.Errorf("library holds %q", text)
			}
			mu.Lock()
			said.Write(line.Bytes())
			mu.Unlock()
		})
	}
	wg.Wait()
	if count() != 1 || bytes.Count(said.Bytes(), []byte("\n")) != 1 {
		t.Errorf("npm ran %d times and said %q", count(), said.String())
	}
	if err := Verify(); err != nil {
		t.Error(err)
	}
	lib, err := Locate("")
	if err != nil {
		t.Fatal(err)
	}
	// Cut short: found out by size, installed again.
	if err := os.Truncate(lib, 3); err != nil {
		t.Fatal(err)
	}
	if _, err := Locate(""); !errors.Is(err, ErrMissing) {
		t.Errorf("a library cut short: %v", err)
	}
	if _, err := Library(t.Context(), &said); err != nil || count() != 2 {
		t.Errorf("installing again: %v after %d runs", err, count())
	}
	// Same size, other bytes: Verify sees it.
	if err := os.WriteFile(lib, []byte("enginE\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := Verify(); err == nil || !strings.Contains(err.Error(), "has changed") {
		t.Errorf("a changed library: %v", err)
	}
	left, _ := filepath.Glob(filepath.Join(filepath.Dir(filepath.Dir(lib)), "unpack-*"))
	if len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestInstallFailureIsNamed(t *testing.T) {
	fakeNPM(t, "echo 'npm error code EINTEGRITY' >&2; exit 1")
	if _, err := Library(t.Context(), new(bytes.Buffer)); err == nil || !strings.Contains(err.Error(), "EINTEGRITY") {
		t.Errorf("npm failed: %v", err)
	}
}

// The pinned checksum is really checked by npm: one that is wrong fails. This needs npm and its registry.
func TestNPMChecksIntegrity(t *testing.T) {
	if testing.Short() {
		t.Skip("fetches the package once more")
	}
	npm, err := exec.LookPath("npm")
	if err != nil {
		missing(t, "npm is not here")
	}
	if command, _, _ := project(packages["linux/amd64"]); command != "ci" {
		t.Fatal("the package is not pinned")
	}
	if name, err := packageName(); err != nil || name != packages["linux/amd64"] {
		missing(t, "the pinned package is for another platform")
	}
	dir := t.TempDir()
	i := bytes.Index(pinned.Lock, []byte(`"sha512-`)) + len(`"sha512-`)
	wrong := bytes.Clone(pinned.Lock)
	if wrong[i]++; wrong[i] > 'Z' && wrong[i] < 'a' {
		wrong[i] = 'A'
	}
	os.WriteFile(filepath.Join(dir, "package.json"), pinned.Package, 0o644)
	os.WriteFile(filepath.Join(dir, "package-lock.json"), wrong, 0o644)
	cmd := exec.CommandContext(t.Context(), npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline", "--loglevel=error")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err == nil || !bytes.Contains(out, []byte("EINTEGRITY")) {
		t.Errorf("npm took a wrong checksum: %v: %s", err, out)
	}
}

// missing skips a test for want of something, and fails it in CI.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(what)
	}
	t.Skip(what)
}
