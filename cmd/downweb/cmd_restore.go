package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

func (a *app) restoreCommand() *cobra.Command {
	check, workers := false, 2
	c := &cobra.Command{Use: "restore DIR", Short: "bring a backup back into an empty warehouse; then start \"up\"", Args: exactly(1),
		Long: "Reads the backup in DIR whole, compares every file with its sum, and stores it in an empty warehouse; makes the\n" +
			"projections anew; copies keys and downweb.yaml where none are. A warehouse that holds anything is refused, as is a data\n" +
			"directory in which \"up\" runs. A restore that was cut short is run again with the same backup; until it has ended no\n" +
			"role opens the warehouse.\n" +
			"What came after the backup arrives when the line is started: from the stream (DATA-DIR/nats, leave it where it is if it\n" +
			"survived) and from the agents' spools. The registry goes back into a stream that has lost it.",
		Example: "  mv /var/lib/downweb/engine /var/lib/downweb/engine.broken        # what is broken, out of the way\n" +
			"  downweb restore /mnt/backup/2026-06-28 --data-dir /var/lib/downweb && downweb up --data-dir /var/lib/downweb\n" +
			"  downweb restore --check /mnt/backup/2026-06-28\n" +
			"  downweb restore /mnt/backup/wh --warehouse http://downweb@wh:8123 --password-file /run/secrets/wh"}
	load := a.settingFlags(c, "keys-dir", "warehouse", "database", "password-file", "engine-lib", "engine-memory")
	c.RunE = func(c *cobra.Command, args []string) error {
		if check {
			return a.verifyBackup(c.Context(), args[0])
		}
		if workers < 1 {
			return usagef("--workers %d: want at least 1", workers)
		}
		m, err := a.checkBackup(c.Context(), args[0])
		if err != nil {
			return err
		}
		cfg, err := a.restoreConfig(args[0], load)
		if err != nil {
			return err
		}
		return a.restore(c.Context(), cfg, args[0], m, workers)
	}
	c.Flags().BoolVar(&check, "check", false, "restore nothing: read the backup whole and compare every file with its sum")
	c.Flags().IntVar(&workers, "workers", 2, "presses folded at once")
	a.outputFlag(c, "table", "json")
	return c
}

// restoreConfig is the config that holds after the restore: the one that is there, else the backup's.
func (a *app) restoreConfig(dir string, load func() (*Config, error)) (*Config, error) {
	cfg, err := load()
	if err != nil || cfg.file != "" {
		return cfg, err
	}
	saved := filepath.Join(dir, backupConfig)
	if _, err := os.Stat(saved); errors.Is(err, fs.ErrNotExist) {
		return cfg, nil
	}
	a.config = saved
	old, err := load()
	if err != nil {
		return nil, err
	}
	if old.DataDir != cfg.DataDir {
		return nil, usagef("the backup's downweb.yaml names the data directory %s: give --data-dir, that one or another", old.DataDir)
	}
	return old, nil
}

// restore stores a backup that was found whole.
func (a *app) restore(ctx context.Context, cfg *Config, dir string, m *warehouse.BackupManifest, workers int) error {
	log, err := ops.Logger(a.err, cfg.Log.Level, cfg.Log.Format, "restore")
	if err != nil {
		return err
	}
	d := dataDir(cfg.DataDir)
	if cfg.Warehouse.DSN == "" {
		if _, err := locateEngine(cfg); err != nil {
			return err
		}
	}
	if err := d.make(); err != nil {
		return err
	}
	release, err := d.hold()
	if err != nil {
		return fmt.Errorf("stop the line first: %w", err)
	}
	defer release()
	if cfg.Warehouse.DSN == "" {
		if err := a.restoreFiles(cfg, dir, m, true); err != nil {
			return err
		}
		stop, err := startEngine(ctx, cfg, log)
		if err != nil {
			return err
		}
		defer stop()
	}
	dsn, err := cfg.warehouseDSN()
	if err != nil {
		return err
	}
	db, err := warehouse.Open(ctx, warehouse.Config{DSN: dsn, Database: cfg.Warehouse.Database, Log: log, Restore: true})
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.BeginRestore(ctx, m); err != nil {
		return err
	}
	if err := a.restoreFiles(cfg, dir, m, false); err != nil {
		return err
	}
	bar := a.terminalProgress("restore")
	defer bar.done()
	if err := db.RestoreTables(ctx, dir, m, bar.step); err != nil {
		return err
	}
	defer forRebuild()()
	r, err := projector.Rebuild(ctx, db, newBesideStore(db), workers, nil, func(done, total int) {
		bar.say(fmt.Sprintf("projections, %d of %d presses", done, total))
	})
	if err != nil {
		return err
	}
	if err := db.SetRulesVersion(ctx, projector.RulesVersion); err != nil {
		return err
	}
	verdict, err := restoredChecksum(ctx, db, m)
	if err != nil {
		return err
	}
	if err := db.EndRestore(ctx); err != nil {
		return err
	}
	bar.done()
	if err := a.printBackup(dir, m, "restored"); err != nil || a.format == "json" {
		return err
	}
	fmt.Fprintf(a.out, "projections: %s press-days of %s presses, %s\nwarehouse %016x: start the line, and what came after the backup arrives from stream and spools\n",
		grouped(r.Days), grouped(r.Presses), verdict, db.WarehouseID())
	return nil
}

// restoredChecksum compares the projections with those at the backup.
func restoredChecksum(ctx context.Context, db *warehouse.DB, m *warehouse.BackupManifest) (string, error) {
	now, err := db.Checksums(ctx)
	if err != nil {
		return "", err
	}
	switch differ, comparable := m.CompareChecksums(now, projector.RulesVersion); {
	case !comparable && len(m.Checksums) > 0:
		return "made by newer rules than at the backup", nil
	case !comparable:
		return "no checksum to compare with (the line was busy at the backup)", nil
	case len(differ) > 0:
		return "", fmt.Errorf("the projections made from the restored log differ from those at the backup (%s): keep the backup and report it", strings.Join(differ, ", "))
	}
	return "checksum as at the backup", nil
}

// restoreFiles puts config and keys back where there are none: first the engine's passwords, which it needs to start,
// and once the warehouse is known to be empty the rest. A key that is there and another stays, and is named.
func (a *app) restoreFiles(cfg *Config, dir string, m *warehouse.BackupManifest, engine bool) error {
	d := dataDir(cfg.DataDir)
	for _, f := range m.Files {
		if slices.Contains([]string{backupKeys + "/" + keyEngine, backupKeys + "/" + keyReader}, f.Path) != engine {
			continue
		}
		head, rest, _ := strings.Cut(f.Path, "/")
		to := ""
		switch head {
		case backupConfig:
			if cfg.file == filepath.Join(dir, backupConfig) { // in use because there is no other
				to = filepath.Join(string(d), backupConfig)
			}
		case backupKeys:
			to = filepath.Join(d.keys(), filepath.FromSlash(rest))
		case backupNATSKeys:
			to = filepath.Join(cfg.keysDir(), filepath.FromSlash(rest))
		}
		if to == "" {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(f.Path)))
		if err != nil {
			return fmt.Errorf("restore: %w", err)
		}
		switch have, err := os.ReadFile(to); {
		case err == nil && !bytes.Equal(have, text):
			fmt.Fprintf(a.err, "restore: %s is there already and is not the backup's: it stays\n", to)
			continue
		case err == nil:
			continue
		case !errors.Is(err, fs.ErrNotExist):
			return fmt.Errorf("restore: %w", err)
		}
		if err := writeSecret(to, text); err != nil {
			return fmt.Errorf("restore: %w", err)
		}
	}
	return nil
}

// writeSecret makes a file, whole, for this user alone.
func writeSecret(file string, text []byte) error {
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return err
	}
	draft, err := os.CreateTemp(filepath.Dir(file), ".restore-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(draft.Name())
	_, err = draft.Write(text)
	if err := errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return err
	}
	return os.Rename(draft.Name(), file)
}

// startEngine runs the embedded engine alone, as a child, until stop is called.
func startEngine(ctx context.Context, cfg *Config, log *slog.Logger) (stop func(), err error) {
	d := dataDir(cfg.DataDir)
	exe, err := os.Executable()
	if err != nil {
		return nil, err
	}
	l := &line{cfg: cfg, at: endpoints{PID: os.Getpid(), Started: time.Now().UTC().Truncate(time.Second), Version: programVersion()}}
	logFile := d.logFile("engine")
	failed := make(chan string, 1)
	spec := childSpec{Name: "engine", Args: []string{"engine", "--listen", "127.0.0.1:0"}, Env: cfg.Env, Log: logFile,
		Ready: func(addr string) { l.publish(d, func(e *endpoints) { e.Warehouse = "http://" + addr }) }}
	l.sup = newSupervisor(exe, []childSpec{spec}, log)
	l.sup.changed = func(states []childState) {
		if states[0].Restarts >= 6 { // after 6 s: the engine of a restore that was killed has ended by then
			select {
			case failed <- states[0].Last:
			default:
			}
		}
	}
	run, end := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() { defer close(ended); l.sup.Run(run) }()
	stop = func() {
		end()
		<-ended
		os.Remove(d.endpoints())
		logFile.Close()
	}
	select {
	case <-l.sup.Started():
		return stop, nil
	case why := <-failed:
		err = fmt.Errorf("the engine does not start: %s", why)
	case <-ctx.Done():
		err = ctx.Err()
	}
	stop()
	return nil, err
}

// restoreRegistry gives a registry stream that was lost, or is older, what the warehouse has kept of it. It tries until
// ctx ends, which is its only error; two histories it reports and leaves alone.
func restoreRegistry(ctx context.Context, js jetstream.JetStream, db *warehouse.DB, log *slog.Logger) error {
	for wait := 100 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		n, err := eventlog.RestoreRevisions(ctx, js, db)
		if n > 0 {
			log.Warn("the registry stream had lost revisions; they are back from the warehouse", "revisions", n)
		}
		if err == nil || errors.Is(err, eventlog.ErrDiverged) {
			if err != nil {
				log.Error("registry", "err", err)
			}
			return nil
		}
		if ctx.Err() == nil {
			log.Warn("the registry stream cannot be compared with its copy, trying again", "err", err)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}
