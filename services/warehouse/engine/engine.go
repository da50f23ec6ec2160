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
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
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

// settle fills the defaults and refuses what cannot work, naming the field.
func (c Config) settle() (Config, error) {
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
	if c.Listen == "" {
		c.Listen = "127.0.0.1:0"
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
	if c.Database == "" {
		c.Database = "downweb"
	}
	if c.MaxMemory <= 0 {
		c.MaxMemory = 3 << 30
	}
	if c.MaxBody <= 0 {
		c.MaxBody = 256 << 20
	}
	if c.MaxQueries <= 0 {
		c.MaxQueries = 24
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	return c, nil
}
