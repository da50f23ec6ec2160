package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// version is set at the link of a release; else the module's or the commit's.
var version = ""

func programVersion() string {
	if version != "" {
		return version
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	revision, dirty := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = s.Value[:min(12, len(s.Value))]
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = "+changes"
		}
	}
	if revision == "" {
		return "devel"
	}
	return "devel-" + revision + dirty
}

func (a *app) versionCommand() *cobra.Command {
	c := &cobra.Command{Use: "version", Short: "the version of this program", Args: exactly(0), Example: "  downweb version"}
	c.RunE = func(*cobra.Command, []string) error {
		if a.format == "json" {
			return json.NewEncoder(a.out).Encode(map[string]string{"version": programVersion(), "go": runtime.Version(), "os": runtime.GOOS, "arch": runtime.GOARCH})
		}
		_, err := fmt.Fprintf(a.out, "downweb %s (%s %s/%s)\n", programVersion(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
		return err
	}
	a.outputFlag(c, "table", "json")
	return c
}

func (a *app) statusCommand() *cobra.Command {
	var s scopeFlags
	checksum := false
	c := &cobra.Command{Use: "status", Short: "how the line is doing: processes, presses, holes, lag", Args: exactly(0), Example: "  downweb status\n  downweb status -o json"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		scope, err := s.scope()
		if err != nil {
			return err
		}
		children := a.localChildren()
		err = a.ask(func(conn *grpc.ClientConn) error {
			r, err := pb.NewStatusServiceClient(conn).GetStatus(c.Context(), &pb.GetStatusRequest{Scope: scope, Checksum: checksum})
			if err != nil {
				return err
			}
			switch a.format {
			case "json":
				return writeJSONMessage(a.out, r)
			case "csv", "parquet", "arrow":
				header, rows := statusCSV(r)
				return a.writeTable(header, rows, r)
			}
			printStatus(a.out, r, children, time.Now())
			return nil
		})
		if err != nil && a.format == "table" && len(children) > 0 { // the processes can be told without the api
			printChildren(a.out, children, time.Now())
		}
		return err
	}
	s.add(c)
	c.Flags().BoolVar(&checksum, "checksum", false, "also the checksum of all projections (reads them whole)")
	a.outputFlag(c, "table", "json", "csv")
	return c
}

// localChildren is the supervisor's list, where it runs on this machine and the question is about it.
func (a *app) localChildren() []childState {
	if a.addr != "" {
		return nil
	}
	dir := a.dataDir
	if dir == "" {
		dir = lookup(a.environ, "DOWNWEB_DATA_DIR")
	}
	if dir == "" {
		state, err := stateDir(a.environ)
		if err != nil {
			return nil
		}
		dir = filepath.Join(state, a.defaultName)
	}
	var children []childState
	if text, err := os.ReadFile(dataDir(dir).roles()); err == nil {
		json.Unmarshal(text, &children)
	}
	return children
}

func printChildren(w io.Writer, children []childState, now time.Time) {
	g := newGrid("process", "state", ">for", ">pid", ">restarts", "last end")
	for _, c := range children {
		pid := ""
		if c.PID > 0 {
			pid = strconv.Itoa(c.PID)
		}
		g.row(c.Name, c.State, age(now.Sub(c.Since)), pid, strconv.Itoa(c.Restarts), clip(oneLine(c.Last), 50))
	}
	g.print(w)
	fmt.Fprintln(w)
}

// age is a time span for people.
func age(d time.Duration) string {
	switch {
	case d < 0:
		return "0 s"
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d d", int(d.Hours()/24))
}

func printStatus(w io.Writer, r *pb.GetStatusResponse, children []childState, now time.Time) {
	if len(children) > 0 {
		printChildren(w, children, now)
	}
	if len(r.GetRoles()) > 0 {
		g := newGrid("role", "health", "version")
		for _, role := range r.GetRoles() {
			g.row(role.GetRole(), clip(oneLine(role.GetHealth()), 60), role.GetVersion())
		}
		g.print(w)
		fmt.Fprintln(w)
	}
	if len(r.GetPresses()) == 0 {
		fmt.Fprintln(w, "No press has sent an event yet.")
	} else {
		g := newGrid("press", "data through", ">age", ">events", ">holes", ">lost", ">overlap min", ">dead", ">in spools")
		var waits []string
		for _, p := range r.GetPresses() {
			through, old := "-", ""
			if p.GetFrontier() != nil {
				through, old = instant(p.GetFrontier().AsTime()), age(time.Duration(p.GetLagMs())*time.Millisecond)
			}
			var notes []string
			if p.GetUnknown() {
				notes = append(notes, "the registry to name it")
			}
			if p.GetDirtyFrom() != "" {
				from := p.GetDirtyFrom()
				if from == "0001-01-01" { // since ever
					from = "its first day"
				}
				notes = append(notes, "a recompute from "+from)
			}
			if p.GetDanglingVoids() > 0 {
				notes = append(notes, plural(p.GetDanglingVoids(), "void's target", "voids' targets"))
			}
			spools := "-" // no agent has asked
			if p.SpoolDepth != nil {
				spools = grouped(p.GetSpoolDepth())
			}
			g.row(p.GetPress(), through, old, grouped(p.GetEvents()), grouped(missing(p.GetHoles())), grouped(lost(p.GetLost())), number(float64(p.GetOverlapMs())/60000, 1), grouped(p.GetDead()), spools)
			if len(notes) > 0 {
				waits = append(waits, p.GetPress()+" waits for "+strings.Join(notes, ", "))
			}
		}
		g.print(w)
		for _, line := range waits[:min(10, len(waits))] {
			wrapped(w, "", "  ", line)
		}
		if more := len(waits) - 10; more > 0 {
			fmt.Fprintf(w, "and %s more\n", plural(int64(more), "press waits", "presses wait"))
		}
		fmt.Fprintln(w)
	}
	for _, p := range r.GetPresses() {
		for _, h := range p.GetHoles()[:min(3, len(p.GetHoles()))] {
			fmt.Fprintf(w, "Hole: %s/%s/%d to %d\n", p.GetPress(), h.GetEpoch(), h.GetFirstSeq(), h.GetLastSeq())
		}
		for _, l := range p.GetLost()[:min(3, len(p.GetLost()))] {
			wrapped(w, "", "  ", fmt.Sprintf("LOST: %s/%s/%d to %d, given up by its agent on %s: %s", p.GetPress(), l.GetEpoch(), l.GetFirstSeq(), l.GetLastSeq(),
				instant(l.GetAt().AsTime()), oneLine(l.GetReason())))
		}
		for _, epoch := range p.GetQuarantined() {
			wrapped(w, "", "  ", fmt.Sprintf("ALARM: two disks carry epoch %s of %s (a copied disk?): what comes of it is kept as dead letters; give its agents new spools", epoch, p.GetPress()))
		}
		if n := p.GetHeldBack(); n > 0 {
			wrapped(w, "", "  ", fmt.Sprintf("Held back of %s: %s of a newer program, which stay with the agent: upgrade the servers", p.GetPress(), plural(n, "frame", "frames")))
		}
	}
	wrapped(w, "", "  ", fmt.Sprintf("Events stored %s; dead letters %s; in the stream %s; held back %s; press-days to recompute %s", grouped(r.GetEvents()), grouped(r.GetDead()),
		grouped(r.GetStreamPending()), grouped(r.GetHeldBack()), grouped(r.GetDirtyPressDays())))
	fmt.Fprintf(w, "Warehouse %s: %s\n", r.GetWarehouseId(), r.GetWarehouseVersion())
	if r.GetChecksum() != "" {
		var tables []string
		for t := range r.GetChecksums() {
			tables = append(tables, t)
		}
		slices.Sort(tables)
		for _, t := range tables {
			fmt.Fprintf(w, "Checksum of %-15s %s\n", t, r.GetChecksums()[t])
		}
		fmt.Fprintf(w, "Checksum %s\n", r.GetChecksum())
		if n := r.GetUnbalancedPressDays(); n > 0 {
			wrapped(w, "", "  ", fmt.Sprintf("WRONG: the losses of %s of %s press-days do not add up to planned busy time: keep the data directory and report it", grouped(n), grouped(r.GetPressDays())))
		} else {
			wrapped(w, "", "  ", fmt.Sprintf("Losses and valuable operating time add up to planned busy time, to the microsecond, on all %s press-days", grouped(r.GetPressDays())))
		}
	}
	if a := r.GetAsOf(); a != nil {
		fmt.Fprintf(w, "As of insert %s, registry revision %d, rules %d\n", grouped(int64(a.GetPos())), a.GetRegistryRev(), a.GetRulesVersion())
	}
}

func missing(holes []*pb.Hole) int64 {
	var n int64
	for _, h := range holes {
		n += int64(h.GetLastSeq()-h.GetFirstSeq()) + 1
	}
	return n
}

func lost(ranges []*pb.LostEvents) int64 {
	var n int64
	for _, l := range ranges {
		n += int64(l.GetLastSeq()-l.GetFirstSeq()) + 1
	}
	return n
}

func statusCSV(r *pb.GetStatusResponse) (header []string, rows [][]string) {
	header = []string{"press", "last_event", "frontier", "lag_ms", "events", "missing", "overlap_ms", "overlap_mm", "dangling_voids", "unknown", "dead", "dirty_from", "lost", "spool_depth", "agent_seen", "quarantined", "held_back"}
	for _, p := range r.GetPresses() {
		i := func(n int64) string { return strconv.FormatInt(n, 10) }
		depth := ""
		if p.SpoolDepth != nil {
			depth = i(p.GetSpoolDepth())
		}
		rows = append(rows, []string{p.GetPress(), stamp(p.GetLastEvent()), stamp(p.GetFrontier()), i(p.GetLagMs()), i(p.GetEvents()), i(missing(p.GetHoles())), i(p.GetOverlapMs()), i(p.GetOverlapMm()),
			i(p.GetDanglingVoids()), strconv.FormatBool(p.GetUnknown()), i(p.GetDead()), p.GetDirtyFrom(), i(lost(p.GetLost())), depth, stamp(p.GetAgentSeen()), strings.Join(p.GetQuarantined(), " "), i(p.GetHeldBack())})
	}
	return header, rows
}
