// Package engine runs ClickHouse inside a downweb process: it loads libchdb, the ClickHouse engine as a
// library, and serves the ClickHouse HTTP interface on loopback or a unix socket, so that clickhouse-go
// (Protocol HTTP) and curl speak to it as to a server.
//
// It promises: an INSERT is received whole before any of it runs, so that a client that dies while sending
// stores nothing; a failure carries ClickHouse's error code; settings, the current database and parameters
// last for one request; a client that goes away has its query killed; and the user "reader" can change
// nothing and read no file. One process per data directory and one Server per process: the library
// cannot be started twice. Run ends when its context does.
package engine

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"

	"github.com/downweb/downweb/services/warehouse/engine/install"
)

// Config says where the engine lives and who may use it.
type Config struct {
	Lib            string       // path of the library, as Locate or Install give it
	Dir            string       // data directory, created if missing
	Listen         string       // loopback "host:port" (port 0 takes a free one), or "unix:" and the path of a socket
	Database       string       // database of engine Atomic that must exist; default "downweb"
	Password       string       // of user "default", who may do everything
	ReaderPassword string       // of user "reader", who may only read; empty: no such user
	NoPassword     bool         // user "default" has the empty password
	MaxMemory      int64        // bytes all queries may use together; default 3 GiB
	MaxBody        int64        // bytes of one request's body; default 256 MiB
	MaxQueries     int          // statements running at once, for each of the two users; default 24
	Log            *slog.Logger // default: discarded
}

// DisplayName is the name that the engine answers to clients who ask for its version: no other server has it.
const DisplayName = "downweb engine"

// settle fills the defaults and refuses what cannot work, naming the field.
func (c Config) settle() (Config, error) {
	c.Listen, c.Database = cmp.Or(c.Listen, "127.0.0.1:0"), cmp.Or(c.Database, "downweb")
	c.MaxMemory, c.MaxBody, c.MaxQueries = cmp.Or(c.MaxMemory, 3<<30), cmp.Or(c.MaxBody, 256<<20), cmp.Or(c.MaxQueries, 24)
	c.Log = cmp.Or(c.Log, slog.New(slog.DiscardHandler))
	var err error
	if c.Lib == "" || c.Dir == "" {
		return c, fmt.Errorf("engine: lib and dir must be given")
	}
	if c.Lib, err = filepath.Abs(c.Lib); err != nil {
		return c, fmt.Errorf("engine lib: %w", err)
	}
	if c.Dir, err = filepath.Abs(c.Dir); err != nil {
		return c, fmt.Errorf("engine dir: %w", err)
	}
	if (c.Password == "") != c.NoPassword {
		return c, fmt.Errorf("engine: give a password, or say that there is none")
	}
	if !strings.HasPrefix(c.Listen, "unix:") {
		host, _, err := net.SplitHostPort(c.Listen)
		if err != nil {
			return c, fmt.Errorf("engine listen: %w", err)
		}
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return c, fmt.Errorf("engine listen: %s is not a loopback address", c.Listen)
		}
	}
	return c, nil
}

// Install installs the library if it is missing, with one line to progress, and returns its path.
func Install(ctx context.Context, progress io.Writer) (lib string, err error) {
	return install.Library(ctx, progress)
}

// Locate finds the library without installing it: the override first, then DOWNWEB_ENGINE__LIB, then the cache.
func Locate(override string) (lib string, err error) { return install.Locate(override) }

// Password reads the password in file, and makes one at random (mode 0600) if the file does not exist.
func Password(file string) (string, error) {
	for {
		text, err := os.ReadFile(file)
		if err == nil {
			if p := strings.TrimSpace(string(text)); p != "" {
				return p, nil
			}
			return "", fmt.Errorf("engine password: %s is empty", file)
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("engine password: %w", err)
		}
		if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
			return "", fmt.Errorf("engine password: %w", err)
		}
		draft := file + "." + rand.Text()
		if err := os.WriteFile(draft, []byte(rand.Text()+"\n"), 0o600); err != nil {
			return "", fmt.Errorf("engine password: %w", err)
		}
		err = os.Link(draft, file) // fails if another process was first: then its password is read
		os.Remove(draft)
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return "", fmt.Errorf("engine password: %w", err)
		}
	}
}

// CheckVersion refuses a ClickHouse older than 24.8, by the name and version the server gave.
func CheckVersion(name, version string) error {
	var year, month int
	if n, _ := fmt.Sscanf(version, "%d.%d", &year, &month); n != 2 {
		return fmt.Errorf("ClickHouse server %q gives the version %q, which cannot be read: downweb needs 24.8 or newer", name, version)
	}
	if year < 24 || year == 24 && month < 8 {
		return fmt.Errorf("ClickHouse server %q is version %s: downweb needs 24.8 or newer", name, version)
	}
	return nil
}
