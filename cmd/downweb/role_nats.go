package main

import (
	"context"
	"log/slog"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/eventlog/logserver"
	"github.com/downweb/downweb/services/eventlog/presskeys"
)

func (a *app) natsCommand() *cobra.Command {
	c := &cobra.Command{Use: "nats", Short: "role: the embedded NATS server that carries frames from agents to ingest", Args: exactly(0), Example: "  downweb nats --data-dir D"}
	load := a.settingFlags(c, "nats-listen", "keys-dir")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		d := dataDir(cfg.DataDir)
		if err := d.make(); err != nil {
			return err
		}
		core, err := password(cfg.keysDir(), keyCore)
		if err != nil {
			return err
		}
		press := ""
		if cfg.NATS.SharedUser {
			if press, err = password(cfg.keysDir(), keyPress); err != nil {
				return err
			}
		}
		cluster, err := cfg.cluster()
		if err != nil {
			return err
		}
		return a.role(c.Context(), "nats", cfg, func(ctx context.Context, log *slog.Logger, ready func(string)) error {
			secure, err := cfg.serverTLS()
			if err != nil {
				return err
			}
			cfg.saySecurity(secure, log)
			s := logserver.New(logserver.Config{StoreDir: d.nats(), Listen: cfg.NATS.Listen, CorePassword: core, PressPassword: press,
				Keys: presskeys.New(cfg.keysDir()), TLS: secure, Name: cfg.NATS.Cluster.Node, Cluster: cluster, Log: log})
			s.RegisterMetrics(a.metrics)
			go func() {
				select {
				case <-s.Ready():
					ready(s.URL())
				case <-ctx.Done():
				}
			}()
			return s.Run(ctx)
		})
	}
	return c
}

// keysDir is where the NATS passwords are.
func (c *Config) keysDir() string {
	if c.NATS.KeysDir != "" {
		return c.NATS.KeysDir
	}
	return dataDir(c.DataDir).keys()
}
