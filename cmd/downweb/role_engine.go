package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/warehouse/engine"
)

// errNoEngine is the one line for a missing engine library.
var errNoEngine = errors.New(`the ClickHouse engine is not installed: run "downweb engine install" (needs npm), or give --warehouse clickhouse://…`)

func (a *app) engineCommand() *cobra.Command {
	var listen string
	c := &cobra.Command{Use: "engine", Short: "role: the embedded ClickHouse engine, serving ClickHouse's HTTP interface", Args: exactly(0),
		Example: "  downweb engine install\n  downweb engine --data-dir D --listen 127.0.0.1:8123"}
	load := a.settingFlags(c, "engine-lib", "engine-memory", "database")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		d := dataDir(cfg.DataDir)
		if err := d.make(); err != nil {
			return err
		}
		lib, err := locateEngine(cfg)
		if err != nil {
			return err
		}
		secret, err := password(d.keys(), keyEngine)
		if err != nil {
			return err
		}
		reader, err := password(d.keys(), keyReader)
		if err != nil {
			return err
		}
		if supervised(a.environ) && !canListen(listen) { // taken while the engine was down: the supervisor tells the others
			listen = "127.0.0.1:0"
		}
		return a.role(c.Context(), "engine", cfg, func(ctx context.Context, log *slog.Logger, ready func(string)) error {
			s := engine.New(engine.Config{Lib: lib, Dir: d.engine(), Listen: listen, Database: cfg.Warehouse.Database,
				Password: secret, ReaderPassword: reader, MaxMemory: cfg.Engine.MaxMemory, Log: log})
			s.RegisterMetrics(a.metrics)
			go func() {
				select {
				case <-s.Ready():
					ready(s.Addr())
				case <-ctx.Done():
				}
			}()
			return s.Run(ctx)
		})
	}
	c.Flags().StringVar(&listen, "listen", "127.0.0.1:0", "loopback address, or unix: and a path; port 0 takes a free one")
	install := &cobra.Command{Use: "install", Short: "install the engine's library into the user cache (needs npm); nothing to do when it is there", Args: exactly(0), Example: "  downweb engine install"}
	install.RunE = func(c *cobra.Command, _ []string) error {
		lib, err := engine.Install(c.Context(), a.err)
		if err == nil {
			fmt.Fprintln(a.out, lib)
		}
		return err
	}
	c.AddCommand(install)
	return c
}

// locateEngine finds the library or says in one line how to get it.
func locateEngine(cfg *Config) (string, error) {
	lib, err := engine.Locate(cfg.Engine.Lib)
	if err != nil {
		if cfg.Engine.Lib != "" {
			return "", cfg.problem("engine.lib", "%w", err)
		}
		return "", errNoEngine
	}
	return filepath.Abs(lib)
}

// engineDSN is the address of an embedded engine with its password, for processes of this installation.
func engineDSN(keysDir, addr, db string) (string, error) {
	secret, err := password(keysDir, keyEngine)
	if err != nil {
		return "", err
	}
	return "http://default:" + secret + "@" + strings.TrimPrefix(addr, "http://") + "/" + db, nil
}
