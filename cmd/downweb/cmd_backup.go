package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/warehouse"
)

// What a backup holds beside the tables.
const (
	backupConfig   = "downweb.yaml"
	backupKeys     = "keys"      // of DATA-DIR/keys
	backupNATSKeys = "nats-keys" // of nats.keys_dir, where that is elsewhere
)

func (a *app) backupCommand() *cobra.Command {
	verify := false
	c := &cobra.Command{Use: "backup DIR", Short: "copy the warehouse, the registry, the keys and the config to a new directory, while the line runs", Args: exactly(1),
		Long: "Writes to DIR, which must be new or empty: every stored event up to one moment, dead letters, gaps, the registry, studies\n" +
			"with their data sets, the keys and downweb.yaml; and a manifest and SHA256SUMS. DIR appears when it is whole.\n" +
			"The line may run; where it does not, the engine is started for the copy. Not in it: projections (restore makes them\n" +
			"anew), the stream and the agents' spools, which after a restore send what came later.\n" +
			"The stream keeps 14 days: back up at least weekly.\n" +
			"DIR holds passwords and badge keys: keep it as closed as the machine itself.",
		Example: "  downweb backup /mnt/backup/2026-06-28 --data-dir /var/lib/downweb\n" +
			"  downweb backup --verify /mnt/backup/2026-06-28\n" +
			"  downweb backup /mnt/backup/wh --warehouse http://downweb@wh:8123 --password-file /run/secrets/wh"}
	load := a.settingFlags(c, "keys-dir", "warehouse", "database", "password-file")
	c.RunE = func(c *cobra.Command, args []string) error {
		if verify {
			return a.verifyBackup(c.Context(), args[0])
		}
		cfg, err := load()
		if err != nil {
			return err
		}
		m, err := a.backUp(c.Context(), cfg, args[0])
		if err != nil {
			return err
		}
		return a.printBackup(args[0], m, "backed up")
	}
	c.Flags().BoolVar(&verify, "verify", false, "make no backup: read the one in DIR whole and compare every file with its sum")
	a.outputFlag(c, "table", "json")
	return c
}

// backUp makes the backup and returns what it holds.
func (a *app) backUp(ctx context.Context, cfg *Config, dir string) (*warehouse.BackupManifest, error) {
	log, err := ops.Logger(a.err, cfg.Log.Level, cfg.Log.Format, "backup")
	if err != nil {
		return nil, err
	}
	d := dataDir(cfg.DataDir)
	if _, err := os.Stat(d.engine()); cfg.Warehouse.DSN == "" && err == nil {
		if release, err := d.hold(); err == nil { // nothing runs here
			defer release()
			stop, err := startEngine(ctx, cfg, log)
			if err != nil {
				return nil, err
			}
			defer stop()
		}
	}
	db, err := openWarehouse(ctx, cfg, log)
	if err != nil {
		return nil, err
	}
	defer db.Close()
	draft, err := warehouse.NewBackup(dir, programVersion())
	if err != nil {
		return nil, err
	}
	defer draft.Discard()
	bar := a.terminalProgress("backup")
	defer bar.done()
	if err := db.BackUp(ctx, draft, bar.step); err != nil {
		return nil, err
	}
	if err := addTree(draft, d.keys(), backupKeys); err != nil {
		return nil, err
	}
	if cfg.keysDir() != d.keys() {
		if err := addTree(draft, cfg.keysDir(), backupNATSKeys); err != nil {
			return nil, err
		}
	}
	if cfg.file != "" {
		if err := draft.AddFile(cfg.file, backupConfig); err != nil {
			return nil, err
		}
	}
	return draft.Finish()
}

// addTree adds the files below dir, if it is there. Names with a dot are files that are being made.
func addTree(draft *warehouse.BackupDraft, dir, name string) error {
	return filepath.WalkDir(dir, func(file string, e fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil:
			return fmt.Errorf("backup: %w", err)
		case !e.Type().IsRegular() || strings.HasPrefix(e.Name(), "."):
			return nil
		}
		rel, err := filepath.Rel(dir, file)
		if err != nil {
			return fmt.Errorf("backup: %w", err)
		}
		return draft.AddFile(file, path.Join(name, filepath.ToSlash(rel)))
	})
}

// verifyBackup reads a backup whole and says whether it is as it was written.
func (a *app) verifyBackup(ctx context.Context, dir string) error {
	m, err := a.checkBackup(ctx, dir)
	if err != nil {
		return err
	}
	return a.printBackup(dir, m, "whole")
}

func (a *app) checkBackup(ctx context.Context, dir string) (*warehouse.BackupManifest, error) {
	bar := a.terminalProgress("verify")
	defer bar.done()
	return warehouse.VerifyBackup(ctx, dir, bar.step)
}

// printBackup says what a backup holds: one line, or the manifest as JSON.
func (a *app) printBackup(dir string, m *warehouse.BackupManifest, what string) error {
	if a.format == "json" {
		text, err := json.MarshalIndent(m, "", "  ")
		if err == nil {
			_, err = fmt.Fprintln(a.out, string(text))
		}
		return err
	}
	_, err := fmt.Fprintf(a.out, "%s: %s, %s events up to insert %s, registry revision %d, %s files, %s MB, of %s\n", what, dir, grouped(m.Events), grouped(int64(m.Pos)), m.RegistryRev,
		grouped(int64(len(m.Files))), number(float64(m.Bytes())/1e6, 1), instant(m.Made))
	return err
}

// terminalProgress is progress that is silent where stderr is no terminal.
func (a *app) terminalProgress(what string) *progress {
	p := a.progress(what)
	p.quiet = !p.tty
	return p
}
