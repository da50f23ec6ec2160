package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"gopkg.in/natefinch/lumberjack.v2"

	"crypto/rand"
)

// dataDir is D: the one directory in which everything of an installation lies.
type dataDir string

func (d dataDir) lock() string             { return filepath.Join(string(d), "lock") }
func (d dataDir) run() string              { return filepath.Join(string(d), "run") }
func (d dataDir) endpoints() string        { return filepath.Join(d.run(), "endpoints.json") }
func (d dataDir) roles() string            { return filepath.Join(d.run(), "roles.json") }
func (d dataDir) keys() string             { return filepath.Join(string(d), "keys") }
func (d dataDir) nats() string             { return filepath.Join(string(d), "nats") }
func (d dataDir) engine() string           { return filepath.Join(string(d), "engine") }
func (d dataDir) spool(name string) string { return filepath.Join(string(d), "spool", name+".db") }
func (d dataDir) log(role string) string   { return filepath.Join(string(d), "log", role+".log") }

// make creates the directory and what lies in it, for this user alone.
func (d dataDir) make() error {
	for _, dir := range []string{string(d), d.run(), d.keys(), filepath.Join(string(d), "spool"), filepath.Join(string(d), "log")} {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return fmt.Errorf("data directory: %w", err)
		}
	}
	return nil
}

// hold takes the directory's lock for as long as the process lives, or until release. A directory held by
// another process is refused with that process's number.
func (d dataDir) hold() (release func(), err error) {
	f, err := os.OpenFile(d.lock(), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("data directory: %w", err)
	}
	if err := flock(f); err != nil {
		holder, _ := io.ReadAll(io.LimitReader(f, 32))
		f.Close()
		return nil, fmt.Errorf("the data directory %s is in use by another downweb (process %s)", d, strings.TrimSpace(string(holder)))
	}
	if err := errors.Join(f.Truncate(0), writeAt(f, strconv.Itoa(os.Getpid())+"\n")); err != nil {
		f.Close()
		return nil, fmt.Errorf("data directory: %w", err)
	}
	return func() { f.Truncate(0); f.Close() }, nil
}

func writeAt(f *os.File, text string) error { _, err := f.WriteAt([]byte(text), 0); return err }

// endpoints is what run/endpoints.json says: where the parts of a running installation are.
type endpoints struct {
	GRPC      string    `json:"grpc"`           // the api, host:port
	HTTP      string    `json:"http,omitempty"` // health, host:port
	Web       string    `json:"web,omitempty"`  // the pages, an http:// address
	NATS      string    `json:"nats"`           // nats:// address
	Warehouse string    `json:"warehouse"`      // http:// address of the embedded engine, without a password; empty: elsewhere
	PID       int       `json:"pid"`            // of the supervisor
	Started   time.Time `json:"started"`
	Version   string    `json:"version"`
}

// readEndpoints gives os.ErrNotExist when nothing runs in the directory.
func (d dataDir) readEndpoints() (e endpoints, err error) {
	text, err := os.ReadFile(d.endpoints())
	if err != nil {
		return e, err
	}
	if err := json.Unmarshal(text, &e); err != nil {
		return e, fmt.Errorf("%s: %w", d.endpoints(), err)
	}
	return e, nil
}

// writeJSON replaces the file at path whole, so that a reader sees the old text or the new one.
func writeJSON(path string, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	draft, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer os.Remove(draft.Name())
	_, err = draft.Write(append(text, '\n'))
	if err := errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return err
	}
	return os.Rename(draft.Name(), path)
}

// Names of the passwords in keys/.
const (
	keyEngine = "engine.password" // the engine's user that may do everything
	keyReader = "reader.password" // the engine's user that may only read
	keyCore   = "core.password"   // NATS: ingest and api
	keyPress  = "press.password"  // NATS: agents
)

// password reads a password from dir, and makes it (26 random letters and digits, mode 0600) when it is missing.
func password(dir, name string) (string, error) {
	file := filepath.Join(dir, name)
	for range 3 {
		text, err := os.ReadFile(file)
		if err == nil {
			if p := strings.TrimSpace(string(text)); p != "" {
				return p, nil
			}
			return "", fmt.Errorf("the password file %s is empty", file)
		}
		if !errors.Is(err, os.ErrNotExist) {
			return "", fmt.Errorf("password: %w", err)
		}
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return "", fmt.Errorf("password: %w", err)
		}
		draft := file + "." + rand.Text()
		if err := os.WriteFile(draft, []byte(rand.Text()+"\n"), 0o600); err != nil {
			return "", fmt.Errorf("password: %w", err)
		}
		err = os.Link(draft, file) // fails where another process was first: then its password is read
		os.Remove(draft)
		if err != nil && !errors.Is(err, os.ErrExist) {
			return "", fmt.Errorf("password: %w", err)
		}
	}
	return "", fmt.Errorf("the password file %s comes and goes", file)
}

// logFile is a role's log: rotated at 20 MB, five old ones kept.
func (d dataDir) logFile(role string) io.WriteCloser {
	return &lumberjack.Logger{Filename: d.log(role), MaxSize: 20, MaxBackups: 5}
}
