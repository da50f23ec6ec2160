// Package install brings the ClickHouse engine library to this machine and finds it again.
//
// It promises: the library is the one pinned in deploy/engine, checked by npm against the SHA-512 in its
// lock; it appears in the user's cache under its final name only when it is complete; any number of
// processes may install at once and one of them does the work; a library that is already there, with the
// size it had when it was installed, is left alone.
package install

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"

	pinned "github.com/downweb/downweb/deploy/engine"
)

// Version is the pinned version of the library's npm packages.
const Version = "26.7.3-stable.1"

// ErrMissing: the engine is not installed and no library was named.
var ErrMissing = errors.New(`the ClickHouse engine is not installed: run "downweb engine install" (needs npm), or give --warehouse clickhouse://…`)

// packages are the npm packages of the library by GOOS/GOARCH. Those that the lock does not hold are
// installed by exact version, checked only against what the registry itself says.
var packages = map[string]string{
	"linux/amd64":  "@chdb/lib-linux-x64-gnu",
	"linux/arm64":  "@chdb/lib-linux-arm64-gnu",
	"darwin/amd64": "@chdb/lib-darwin-x64",
	"darwin/arm64": "@chdb/lib-darwin-arm64",
}

// receipt is what the library was when it was installed.
type receipt struct {
	Package string `json:"package"`
	Version string `json:"version"`
	File    string `json:"file"`
	Size    int64  `json:"size"`
	SHA256  string `json:"sha256"`
}

// Locate finds the library: override (from --engine-lib or DOWNWEB_ENGINE__LIB) if it is not empty, else
// the installed one. It returns ErrMissing if there is none.
func Locate(override string) (string, error) {
	if override == "" {
		override = os.Getenv("DOWNWEB_ENGINE__LIB")
	}
	if override != "" {
		if info, err := os.Stat(override); err != nil || !info.Mode().IsRegular() {
			return "", fmt.Errorf("the ClickHouse engine library %s cannot be read as a file", override)
		}
		return filepath.Abs(override)
	}
	if _, err := packageName(); err != nil {
		return "", err
	}
	dir, err := directory()
	if err != nil {
		return "", err
	}
	if lib := installed(dir); lib != "" {
		return lib, nil
	}
	return "", ErrMissing
}

// Library installs the library if it is not installed, and returns its path. It writes one line to
// progress when it has something to do.
func Library(ctx context.Context, progress io.Writer) (string, error) {
	name, err := packageName()
	if err != nil {
		return "", err
	}
	dir, err := directory()
	if err != nil {
		return "", err
	}
	if lib := installed(dir); lib != "" {
		return lib, nil
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return "", fmt.Errorf("install the ClickHouse engine: %w", err)
	}
	unlock, err := Lock(ctx, filepath.Join(filepath.Dir(dir), "install.lock"), true)
	if err != nil {
		return "", fmt.Errorf("install the ClickHouse engine: %w", err)
	}
	defer unlock()
	if lib := installed(dir); lib != "" { // another process did it meanwhile
		return lib, nil
	}
	if err := fetch(ctx, name, dir, progress); err != nil {
		return "", fmt.Errorf("install the ClickHouse engine: %w", err)
	}
	if lib := installed(dir); lib != "" {
		return lib, nil
	}
	return "", fmt.Errorf("install the ClickHouse engine: %s is not as it was written", dir)
}

// fetch unpacks the package beside dir and renames the library into it.
func fetch(ctx context.Context, name, dir string, progress io.Writer) error {
	npm, err := exec.LookPath("npm")
	if err != nil {
		return errors.New("npm is needed once and was not found: install Node.js, or put the library somewhere and name it with --engine-lib")
	}
	work, err := os.MkdirTemp(filepath.Dir(dir), "unpack-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	command, files, note := project(name)
	for file, content := range files {
		if err := os.WriteFile(filepath.Join(work, file), content, 0o644); err != nil {
			return err
		}
	}
	fmt.Fprintf(progress, "installing the ClickHouse engine %s (about 180 MB to fetch, once) into %s%s\n", Version, dir, note)
	cmd := exec.CommandContext(ctx, npm, command, "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline", "--loglevel=error")
	cmd.Dir = work
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("npm %s: %w: %s", command, err, firstLines(out, 4))
	}
	found, _ := filepath.Glob(filepath.Join(work, "node_modules", filepath.FromSlash(name), "libchdb.*"))
	if len(found) != 1 {
		return fmt.Errorf("npm package %s holds no libchdb", name)
	}
	ready := filepath.Join(work, "ready")
	if err := os.Mkdir(ready, 0o755); err != nil {
		return err
	}
	r := receipt{Package: name, Version: Version, File: filepath.Base(found[0])}
	lib := filepath.Join(ready, r.File)
	if err := os.Rename(found[0], lib); err != nil {
		return err
	}
	if r.Size, r.SHA256, err = digest(lib); err != nil {
		return err
	}
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(ready, "receipt.json"), append(text, '\n'), 0o644); err != nil {
		return err
	}
	if err := os.RemoveAll(dir); err != nil { // one that was cut short
		return err
	}
	return os.Rename(ready, dir)
}

// project is the npm project that installs the package: the pinned one if its lock holds the package.
func project(name string) (command string, files map[string][]byte, note string) {
	var lock struct {
		Packages map[string]struct{ Integrity string }
	}
	if json.Unmarshal(pinned.Lock, &lock) == nil && lock.Packages["node_modules/"+name].Integrity != "" {
		return "ci", map[string][]byte{"package.json": pinned.Package, "package-lock.json": pinned.Lock}, ""
	}
	text := fmt.Sprintf(`{"name":"downweb-engine","version":"1.0.0","private":true,"dependencies":{%q:%q}}`, name, Version)
	return "install", map[string][]byte{"package.json": []byte(text)}, "; no checksum is pinned for this platform yet"
}

// Verify reads the installed library whole and compares it with the SHA-256 of its receipt.
func Verify() error {
	dir, err := directory()
	if err != nil {
		return err
	}
	r, err := readReceipt(dir)
	if err != nil {
		return ErrMissing
	}
	size, sum, err := digest(filepath.Join(dir, r.File))
	if err == nil && (size != r.Size || sum != r.SHA256) {
		err = fmt.Errorf("the ClickHouse engine in %s has changed since it was installed: remove that folder and install again", dir)
	}
	return err
}

// installed is the library's path if it is there with the size its receipt says.
func installed(dir string) string {
	r, err := readReceipt(dir)
	if err != nil || r.Version != Version || r.File != filepath.Base(r.File) {
		return ""
	}
	lib := filepath.Join(dir, r.File)
	if info, err := os.Stat(lib); err != nil || info.Size() != r.Size {
		return ""
	}
	return lib
}

func readReceipt(dir string) (r receipt, err error) {
	text, err := os.ReadFile(filepath.Join(dir, "receipt.json"))
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	return r, err
}

// directory is where the library of this machine belongs.
func directory() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("find the user's cache folder: %w", err)
	}
	return filepath.Join(cache, "downweb", "engine", Version+"-"+runtime.GOOS+"-"+runtime.GOARCH), nil
}

func packageName() (string, error) {
	platform := runtime.GOOS + "/" + runtime.GOARCH
	name, ok := packages[platform]
	if !ok {
		return "", fmt.Errorf("there is no ClickHouse engine for %s: give --warehouse clickhouse://… instead", platform)
	}
	if runtime.GOOS == "linux" {
		glibc, _ := filepath.Glob("/lib*/ld-linux-*")
		musl, _ := filepath.Glob("/lib/ld-musl-*")
		if len(glibc) == 0 && len(musl) > 0 {
			return "", errors.New("there is no ClickHouse engine for musl (it needs glibc): give --warehouse clickhouse://… instead")
		}
	}
	return name, nil
}

func digest(file string) (size int64, sum string, err error) {
	f, err := os.Open(file)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return size, fmt.Sprintf("%x", h.Sum(nil)), err
}

func firstLines(text []byte, n int) string {
	lines := strings.SplitN(strings.TrimSpace(string(text)), "\n", n+1)
	return strings.Join(lines[:min(n, len(lines))], " | ")
}
