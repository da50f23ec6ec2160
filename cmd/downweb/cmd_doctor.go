package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/warehouse/engine"
)

// finding is one thing that was looked at.
type finding struct {
	What string `json:"what"`
	// State is "ok", "look" (works, but somebody should look) or "wrong".
	State string `json:"state"`
	Text  string `json:"text"`
	Mend  string `json:"mend,omitempty"` // the command that mends it
}

// doctor gathers findings.
type doctor struct {
	list    []finding
	dir     dataDir
	cfg     *Config
	running bool // something answers in the data directory
}

func (d *doctor) ok(what, format string, a ...any) {
	d.list = append(d.list, finding{What: what, State: "ok", Text: fmt.Sprintf(format, a...)})
}
func (d *doctor) look(what, mend, format string, a ...any) {
	d.list = append(d.list, finding{What: what, State: "look", Text: fmt.Sprintf(format, a...), Mend: mend})
}
func (d *doctor) wrong(what, mend, format string, a ...any) {
	d.list = append(d.list, finding{What: what, State: "wrong", Text: fmt.Sprintf(format, a...), Mend: mend})
}

func (a *app) doctorCommand() *cobra.Command {
	c := &cobra.Command{Use: "doctor", Short: "what is wrong with this installation, and the command that mends it", Args: exactly(0),
		Long: "Look at config, data directory, disk, clock, engine, ports, event log, api, versions and presses; say what is\n" +
			"wrong and the command that mends it. It changes nothing. The exit code is 1 when something is wrong.",
		Example: "  downweb doctor\n  downweb doctor --data-dir /var/lib/downweb -o json"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		d := &doctor{}
		d.config(a)
		if d.cfg != nil {
			d.dataDirectory()
			d.disk()
			d.engine()
		}
		d.clock()
		d.line(c.Context(), a)
		if d.cfg != nil && !d.running && a.addr == "" {
			d.ports()
		}
		if a.format == "json" {
			enc := json.NewEncoder(a.out)
			enc.SetIndent("", "  ")
			if err := enc.Encode(d.list); err != nil {
				return err
			}
		} else {
			d.print(a.out)
		}
		for _, f := range d.list {
			if f.State == "wrong" {
				return quietError
			}
		}
		return nil
	}
	a.outputFlag(c, "table", "json")
	return c
}

func (d *doctor) print(w io.Writer) {
	for _, f := range d.list {
		wrapped(w, fmt.Sprintf("%-6s %s: ", f.State, f.What), "       ", f.Text)
		if f.Mend != "" {
			fmt.Fprintf(w, "       mend it: %s\n", f.Mend)
		}
	}
}

func (d *doctor) config(a *app) {
	cfg, err := a.loadConfig(nil)
	if err != nil {
		d.wrong("config", "mend the lines named, then: downweb doctor", "%s", oneLine(err.Error()))
		return
	}
	d.cfg, d.dir = cfg, dataDir(cfg.DataDir)
	file := cfg.file
	if file == "" {
		file = "no file, defaults"
	}
	d.ok("config", "%s", file)
}

func (d *doctor) dataDirectory() {
	info, err := os.Stat(string(d.dir))
	switch {
	case errors.Is(err, os.ErrNotExist):
		d.ok("data directory", "%s is made at the first start", d.dir)
		return
	case err != nil:
		d.wrong("data directory", "", "%v", err)
		return
	case !info.IsDir():
		d.wrong("data directory", "downweb doctor --data-dir ANOTHER", "%s is not a directory", d.dir)
		return
	}
	if f, err := os.CreateTemp(string(d.dir), ".doctor-*"); err != nil {
		d.wrong("data directory", "chown -R \"$USER\" "+string(d.dir), "%s cannot be written by this user: %v", d.dir, err)
	} else {
		f.Close()
		os.Remove(f.Name())
		d.ok("data directory", "%s", d.dir)
	}
	if info, err := os.Stat(d.dir.keys()); err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		d.wrong("keys", "chmod -R go= "+d.dir.keys(), "%s can be read by others (%v)", d.dir.keys(), info.Mode().Perm())
	}
}

const (
	leastFree = 2 << 30 // bytes: two days of a fleet's stream and a merge of the engine
	leastPart = 0.05
)

// disk looks at the disk that the data directory, or the nearest folder above that exists, is on.
func (d *doctor) disk() {
	at := string(d.dir)
	for {
		if _, err := os.Stat(at); err == nil || filepath.Dir(at) == at {
			break
		}
		at = filepath.Dir(at)
	}
	free, whole, err := diskSpace(at)
	switch {
	case err != nil:
		d.look("disk", "", "free space of %s is not known: %v", at, err)
	case free < leastFree || float64(free) < leastPart*float64(whole):
		d.wrong("disk", "free space on the disk of "+at+", or move it: downweb up --data-dir ANOTHER", "%.1f of %.1f GB are free: the log server stops when the disk is full", float64(free)/1e9, float64(whole)/1e9)
	default:
		d.ok("disk", "%.1f of %.1f GB are free", float64(free)/1e9, float64(whole)/1e9)
	}
}

func (d *doctor) clock() {
	synced, err := clockSynced()
	switch {
	case time.Now().Year() < 2025 || time.Now().Year() > 2100:
		d.wrong("clock", "timedatectl set-ntp true", "it says %s", time.Now().UTC().Format(time.RFC3339))
	case err != nil:
		d.look("clock", "", "%s UTC; whether it is kept in time is not known: %v", time.Now().UTC().Format("2006-01-02 15:04:05"), err)
	case !synced:
		d.look("clock", "timedatectl set-ntp true", "%s UTC, and the system says that nothing keeps it in time", time.Now().UTC().Format("2006-01-02 15:04:05"))
	default:
		d.ok("clock", "%s UTC, kept in time", time.Now().UTC().Format("2006-01-02 15:04:05"))
	}
}

func (d *doctor) engine() {
	if d.cfg.Warehouse.DSN != "" {
		d.ok("engine", "not needed: warehouse.dsn names a ClickHouse server")
		return
	}
	lib, err := engine.Locate(d.cfg.Engine.Lib)
	if err == nil {
		d.ok("engine", "%s", lib)
		return
	}
	if _, npm := exec.LookPath("npm"); npm != nil {
		d.wrong("engine", "install Node.js with npm, then: downweb engine install", "the ClickHouse engine is not installed, and npm, which brings it, is not here either")
		return
	}
	d.wrong("engine", "downweb engine install", "the ClickHouse engine is not installed: %v", err)
}

// ports says which addresses of the config somebody else has, while nothing of ours runs.
func (d *doctor) ports() {
	addrs := [][2]string{{"api.grpc", d.cfg.API.GRPC}, {"api.http", d.cfg.API.HTTP}, {"web.listen", d.cfg.Web.Listen}}
	if d.cfg.NATS.URL == "" {
		addrs = append(addrs, [2]string{"nats.listen", d.cfg.NATS.Listen})
	}
	if host, port, err := net.SplitHostPort(d.cfg.Metrics.Listen); err == nil {
		for role, n := range metricsPorts {
			if base, err := strconv.Atoi(port); err == nil && base > 0 {
				addrs = append(addrs, [2]string{"metrics.listen (" + role + ")", net.JoinHostPort(host, strconv.Itoa(base+n))})
			}
		}
	}
	taken := 0
	for _, x := range addrs {
		if _, port, err := net.SplitHostPort(x[1]); err != nil || port == "0" || canListen(x[1]) {
			continue
		}
		taken++
		key, _, _ := cutWord(x[0])
		d.wrong("ports", "give "+key+" another port in "+filepath.Join(string(d.dir), "downweb.yaml"), "%s %s is taken by another program", x[0], x[1])
	}
	if taken == 0 {
		d.ok("ports", "all free")
	}
}

// cutWord is the first word of a text and the rest.
func cutWord(text string) (word, rest string, more bool) {
	for i, r := range text {
		if r == ' ' {
			return text[:i], text[i+1:], true
		}
	}
	return text, "", false
}

// line asks the api how everything behind it is.
func (d *doctor) line(ctx context.Context, a *app) {
	if a.addr == "" && d.cfg != nil {
		if _, err := d.dir.readEndpoints(); errors.Is(err, os.ErrNotExist) {
			d.look("line", "downweb up --data-dir "+string(d.dir), "nothing runs in %s", d.dir)
			return
		}
	}
	for _, c := range a.localChildren() {
		if c.Restarts > 0 {
			d.look("process "+c.Name, "less "+d.dir.log(c.Name), "was started again %d times; last end: %s", c.Restarts, c.Last)
		}
	}
	ctx, stop := context.WithTimeout(ctx, 10*time.Second)
	defer stop()
	err := a.ask(func(conn *grpc.ClientConn) error {
		st, err := pb.NewStatusServiceClient(conn).GetStatus(ctx, &pb.GetStatusRequest{})
		if err != nil {
			return err
		}
		d.running = true
		d.roles(st)
		d.presses(st)
		return nil
	})
	if err != nil {
		mend := "downweb status"
		if d.cfg != nil && a.addr == "" {
			mend = "downweb up --data-dir " + string(d.dir)
		}
		d.wrong("api", mend, "%s", oneLine(explain(err)))
	}
}

func (d *doctor) roles(st *pb.GetStatusResponse) {
	mend := map[string]string{"ingest": "downweb ingest", "log": "downweb nats", "warehouse": "downweb engine", "api": "downweb api"}
	for _, r := range st.GetRoles() {
		if r.GetHealth() != "ok" {
			d.wrong(r.GetRole(), mend[r.GetRole()]+"    # under \"downweb up\" it is started again by itself: see its log", "%s", r.GetHealth())
			continue
		}
		version := r.GetVersion()
		if version != "" {
			version = ", version " + version
		}
		d.ok(r.GetRole(), "answers%s", version)
		if r.GetRole() == "api" && r.GetVersion() != programVersion() {
			d.look("versions", "install one version everywhere, servers before agents", "this program is %s, the api is %s", programVersion(), r.GetVersion())
		}
	}
	if st.GetHeldBack() > 0 {
		d.wrong("versions", "install the newer version on the servers", "%d frames of a newer agent wait for a program that can read them", st.GetHeldBack())
	}
	if st.GetDead() > 0 {
		d.look("dead letters", "downweb dead list", "%d events could not be accepted", st.GetDead())
	}
}

func (d *doctor) presses(st *pb.GetStatusResponse) {
	bad := 0
	for _, p := range st.GetPresses() {
		switch {
		case p.GetUnknown():
			d.look("press "+p.GetPress(), "downweb registry apply PLANT.yaml", "sends events, but the registry does not name it")
		case missing(p.GetHoles()) > 0:
			d.look("press "+p.GetPress(), "downweb status --press "+p.GetPress(), "%d events are missing; an agent that was offline brings them", missing(p.GetHoles()))
		case lost(p.GetLost()) > 0:
			d.look("press "+p.GetPress(), "downweb status --press "+p.GetPress(), "%d events are lost for good", lost(p.GetLost()))
		case len(p.GetQuarantined()) > 0:
			d.wrong("press "+p.GetPress(), "give the copied agent a new --data-dir and enrol it again: downweb enrol "+p.GetPress(), "two disks carry one epoch")
		default:
			continue
		}
		bad++
	}
	if n := len(st.GetPresses()); bad == 0 && n > 0 {
		d.ok("presses", "%s, no event missing", plural(int64(n), "press", "presses"))
	}
}
