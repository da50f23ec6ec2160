package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/eventlog/enrol"
)

// enrolCommand gives this device a key of its own.
func (a *app) enrolCommand() *cobra.Command {
	var name string
	var byHand, again bool
	c := &cobra.Command{Use: "enrol TOKEN", Short: "make this device's key and have the server accept it; - reads the token from stdin",
		Long: "Makes a key on this device, tells the server its public half with the one-time token that \"downweb enrol PRESS\"\n" +
			"printed there, and keeps what the agent needs in the keys directory, readable by its owner alone. The private\n" +
			"half never leaves the device. A token is used up by the first device; this device may try again with it.\n\n" +
			"With --by-hand no server is asked: the public key is printed, for a NATS server whose users are kept by hand.",
		Example: "  downweb-agent enrol dwe1.eyJ…\n  downweb-agent enrol - < token\n  downweb-agent enrol --by-hand --nats tls://10.0.0.5:4222"}
	c.Args = func(c *cobra.Command, args []string) error {
		if byHand && len(args) == 0 || !byHand && len(args) == 1 {
			return nil
		}
		return usagef("want \"%s\", got %d argument(s)", c.UseLine(), len(args))
	}
	load := a.settings(c, "nats", "keys-dir")
	c.RunE = func(c *cobra.Command, args []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		old, err := enrol.Load(cfg.keysDir)
		switch {
		case err == nil && !again:
			return fmt.Errorf("this device has the key %s since %s: --again makes a new one in its place", old.Key, old.Enrolled.Format(time.DateOnly))
		case err != nil && !errors.Is(err, os.ErrNotExist) && !again:
			return err
		}
		// Its owner is the one who may read the keys.
		if err := os.MkdirAll(cfg.dataDir, 0o700); err != nil {
			return fmt.Errorf("data directory: %w", err)
		}
		if byHand {
			i, err := enrol.Make(cfg.keysDir, cfg.natsURL, cfg.presses)
			if err != nil {
				return err
			}
			_, _ = fmt.Fprintln(a.out, i.Key)
			return nil
		}
		text := args[0]
		if text == "-" {
			in, err := io.ReadAll(io.LimitReader(a.in, 8192))
			if err != nil {
				return err
			}
			text = string(in)
		}
		t, err := enrol.ParseToken(text)
		if err != nil {
			return usageError{err}
		}
		if cfg.natsURL != "" {
			t.Server = cfg.natsURL
		}
		if name == "" {
			name, _ = os.Hostname() // only a name in a list
		}
		ctx, cancel := context.WithTimeout(c.Context(), 20*time.Second)
		defer cancel()
		i, err := enrol.Enrol(ctx, cfg.keysDir, t, name[:min(len(name), 100)])
		if err != nil {
			return err
		}
		_, _ = fmt.Fprintf(a.out, "enrolled at %s for %s with the key %s\nkept in %s\n", i.Server, strings.Join(i.Presses, ", "), i.Key, filepath.Clean(enrol.IdentityFile(cfg.keysDir)))
		return nil
	}
	c.Flags().StringVar(&name, "device", "", "name of this device in the server's list (default: its host name)")
	c.Flags().BoolVar(&byHand, "by-hand", false, "only make a key and print its public half")
	c.Flags().BoolVar(&again, "again", false, "make a new key in place of the one this device has")
	return c
}
