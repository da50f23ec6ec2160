package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/ops"
)

func (a *app) upCommand() *cobra.Command {
	check := false
	c := &cobra.Command{Use: "up", Short: "the whole line on one machine: engine, NATS, ingest, api and, if configured, an agent", Args: exactly(0),
		Example: "  downweb up\n  downweb up --data-dir /var/lib/downweb --check"}
	load := a.settingFlags(c, "grpc", "http", "web", "nats", "nats-listen", "keys-dir", "warehouse", "database", "password-file", "engine-lib", "engine-memory", "agent-name", "spool-max")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		if check {
			if err := cfg.checkParts(); err != nil {
				return err
			}
			fmt.Fprintf(a.out, "ok: %s would run %s\n", cfg.DataDir, strings.Join(cfg.parts(), ", "))
			return nil
		}
		l, err := a.newLine(cfg, false)
		if err != nil {
			return err
		}
		defer l.close()
		go func() {
			select {
			case <-l.sup.Started():
				pages := ""
				if l.at.Web != "" {
					pages = "pages " + l.at.Web + ", "
				}
				fmt.Fprintf(a.err, "downweb is up: %sapi %s, data %s; stop with Ctrl-C\n", pages, l.cfg.API.GRPC, l.cfg.DataDir)
			case <-c.Context().Done():
			}
		}()
		return l.run(c.Context())
	}
	c.Flags().BoolVar(&check, "check", false, "only check the config and what it needs; start nothing")
	return c
}

// parts are the children that the config asks for, in the order of their start.
func (c *Config) parts() []string {
	var out []string
	if c.Warehouse.DSN == "" {
		out = append(out, "engine")
	}
	if c.NATS.URL == "" {
		out = append(out, "nats")
	}
	out = append(out, "ingest", "api")
	if len(c.Agent.Sources) > 0 || c.Agent.Page != "" {
		out = append(out, "agent")
	}
	return out
}

// checkParts says what is missing before anything is started.
func (c *Config) checkParts() error {
	if c.Warehouse.DSN == "" {
		if _, err := locateEngine(c); err != nil {
			return err
		}
	}
	if c.Warehouse.PasswordFile != "" {
		if _, err := os.ReadFile(c.Warehouse.PasswordFile); err != nil {
			return usageError{c.problem("warehouse.password_file", "%w", err)}
		}
	}
	for _, s := range c.Agent.Sources {
		if s.Path == "-" {
			return usageError{c.problem("agent.sources", "\"-\" (stdin) is for \"downweb agent run\", not for a supervised agent")}
		}
	}
	return nil
}

// line is a whole installation: a held data directory and a supervisor.
type line struct {
	cfg     *Config
	sup     *supervisor
	release func()

	mu sync.Mutex
	at endpoints
}

// newLine takes the data directory and prepares the children. With free, ports that are taken are replaced by
// free ones; without, they are refused with the key that names them.
func (a *app) newLine(cfg *Config, free bool, more ...childSpec) (*line, error) {
	if err := cfg.checkParts(); err != nil {
		return nil, err
	}
	d := dataDir(cfg.DataDir)
	if err := d.make(); err != nil {
		return nil, err
	}
	release, err := d.hold()
	if err != nil {
		return nil, err
	}
	l := &line{cfg: cfg, release: release}
	fail := func(err error) (*line, error) { release(); return nil, err }
	if cfg.NATS.URL == "" {
		if err := settlePort(cfg, "nats.listen", &cfg.NATS.Listen, free); err != nil {
			return fail(err)
		}
	}
	if err := settlePort(cfg, "api.grpc", &cfg.API.GRPC, free); err != nil {
		return fail(err)
	}
	if cfg.API.HTTP != "" {
		if err := settlePort(cfg, "api.http", &cfg.API.HTTP, free); err != nil {
			return fail(err)
		}
	}
	if cfg.Web.Listen != "" {
		if err := settlePort(cfg, "web.listen", &cfg.Web.Listen, free); err != nil {
			return fail(err)
		}
	}
	for _, name := range []string{keyEngine, keyReader} {
		if _, err := password(d.keys(), name); err != nil {
			return fail(err)
		}
	}
	for _, name := range []string{keyCore, keyPress} {
		if _, err := password(cfg.keysDir(), name); err != nil && cfg.NATS.URL == "" {
			return fail(err)
		}
	}
	if cfg.NATS.URL == "" { // before anybody connects, so that all know it
		if _, err := cfg.serverTLS(); err != nil {
			return fail(err)
		}
	}
	log, err := ops.Logger(a.err, max(cfg.Log.Level, slog.LevelWarn), cfg.Log.Format, "up")
	if err != nil {
		return fail(err)
	}
	exe, err := os.Executable()
	if err != nil {
		return fail(err)
	}
	l.at = endpoints{GRPC: dialable(cfg.API.GRPC), HTTP: dialable(cfg.API.HTTP), Web: webAddress(cfg.Web.Listen), NATS: cfg.NATS.URL, PID: os.Getpid(), Started: time.Now().UTC().Truncate(time.Second), Version: programVersion()}
	if l.at.NATS == "" {
		l.at.NATS = "nats://" + dialable(cfg.NATS.Listen)
	}
	l.sup = newSupervisor(exe, append(l.children(d), more...), log)
	l.sup.changed = func(states []childState) {
		if err := writeJSON(d.roles(), states); err != nil {
			log.Warn("write the list of processes", "err", err)
		}
	}
	for i := range l.sup.specs {
		if l.sup.specs[i].Log == nil {
			l.sup.specs[i].Log = d.logFile(l.sup.specs[i].Name)
		}
		if l.sup.specs[i].Env == nil {
			l.sup.specs[i].Env = cfg.Env
		}
	}
	return l, nil
}

// children are the specs of the parts. The engine is given a free port and keeps it while it can.
func (l *line) children(d dataDir) []childSpec {
	var specs []childSpec
	for _, name := range l.cfg.parts() {
		spec := childSpec{Name: name, Args: []string{name}}
		switch name {
		case "engine":
			port := freePort()
			spec.Args = append(spec.Args, "--listen", port)
			spec.Ready = func(addr string) {
				moved := false
				l.publish(d, func(e *endpoints) {
					moved, e.Warehouse = e.Warehouse != "" && e.Warehouse != "http://"+addr, "http://"+addr
				})
				if moved { // who asks the old address must learn the new one
					l.sup.Restart("ingest")
					l.sup.Restart("api")
				}
			}
		case "api":
			spec.Ready = func(string) { l.publish(d, func(*endpoints) {}) }
		case "agent":
			spec.Args = append(spec.Args, "run")
		}
		specs = append(specs, spec)
	}
	return specs
}

// publish writes run/endpoints.json.
func (l *line) publish(d dataDir, change func(*endpoints)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	change(&l.at)
	if err := writeJSON(d.endpoints(), l.at); err != nil {
		l.sup.log.Error("write the addresses", "err", err)
	}
}

// run supervises until ctx ends.
func (l *line) run(ctx context.Context) error {
	d := dataDir(l.cfg.DataDir)
	l.publish(d, func(*endpoints) {})
	l.sup.Run(ctx)
	return nil
}

// close removes what says that the installation runs, and frees the directory.
func (l *line) close() {
	d := dataDir(l.cfg.DataDir)
	os.Remove(d.endpoints())
	os.Remove(d.roles())
	for _, spec := range l.sup.specs {
		if spec.Log != nil {
			spec.Log.Close()
		}
	}
	l.release()
}

// settlePort makes sure that the address of a key can be listened on.
func settlePort(cfg *Config, key string, addr *string, free bool) error {
	ln, err := net.Listen("tcp", *addr)
	if err == nil {
		*addr = ln.Addr().String() // a port 0 becomes a number that stays
		return ln.Close()
	}
	if !free {
		var op *net.OpError
		if errors.As(err, &op) {
			err = op.Err
		}
		return cfg.problem(key, "%s cannot be listened on: %w", *addr, err)
	}
	host, _, _ := net.SplitHostPort(*addr)
	if ln, err = net.Listen("tcp", net.JoinHostPort(host, "0")); err != nil {
		return cfg.problem(key, "%w", err)
	}
	*addr = ln.Addr().String()
	return ln.Close()
}

func canListen(addr string) bool {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return false
	}
	return ln.Close() == nil
}

// freePort is a loopback address that nobody listens on now.
func freePort() string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "127.0.0.1:0"
	}
	defer ln.Close()
	return ln.Addr().String()
}

// dialable is an address to connect to: loopback where it is listened on at every interface.
func dialable(addr string) string {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return addr
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port)
}

// natsURL is the NATS server of a role: the configured one, else the one that runs in the data directory.
func (c *Config) natsURL() (string, error) {
	if c.NATS.URL != "" {
		return c.NATS.URL, nil
	}
	if e, err := dataDir(c.DataDir).readEndpoints(); err == nil && e.NATS != "" {
		return e.NATS, nil
	}
	return "nats://" + dialable(c.NATS.Listen), nil
}

// warehouseDSN is the warehouse of a role with its password: the configured one, else the engine that runs in
// the data directory.
func (c *Config) warehouseDSN() (string, error) {
	if c.Warehouse.DSN == "" {
		e, err := dataDir(c.DataDir).readEndpoints()
		if err != nil || e.Warehouse == "" {
			return "", fmt.Errorf("no warehouse: give --warehouse, or start \"downweb up --data-dir %s\"", c.DataDir)
		}
		return engineDSN(dataDir(c.DataDir).keys(), e.Warehouse, c.Warehouse.Database)
	}
	if c.Warehouse.PasswordFile == "" {
		return c.Warehouse.DSN, nil
	}
	text, err := os.ReadFile(c.Warehouse.PasswordFile)
	if err != nil {
		return "", c.problem("warehouse.password_file", "%w", err)
	}
	u, err := url.Parse(c.Warehouse.DSN)
	if err != nil {
		return "", c.problem("warehouse.dsn", "cannot be read")
	}
	name := u.User.Username()
	if name == "" {
		name = "default"
	}
	u.User = url.UserPassword(name, strings.TrimSpace(string(text)))
	return u.String(), nil
}
