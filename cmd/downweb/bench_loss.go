package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/registry"
	"github.com/downweb/downweb/services/warehouse"
)

// lossPlan is what `downweb bench loss` does.
type lossPlan struct {
	Presses, Days int
	Weeks         int // of the simulated fleet that give the press-days their shape
	Seed          uint64
	Repeats       int
	Rewritten     float64 // share of press-days written again and not merged
	DayMemory     int     // MiB of press-days that the api keeps
}

// Bars of an unhurried machine with two shared cores, for 500 presses and a year.
const (
	barFleetYearMs  = 100.0
	barFleetMonthMs = 50.0
	barFactsMs      = 1000.0
)

// lossFigures are what one question took.
type lossFigures struct {
	Case      string  `json:"case"`
	Parts     string  `json:"parts"`    // merged, or with press-days rewritten and not merged
	First     float64 `json:"first_ms"` // asked for the first time
	P50       float64 `json:"p50_ms"`
	P99       float64 `json:"p99_ms"`
	Bar       float64 `json:"bar_ms,omitempty"`
	CPUSelf   float64 `json:"cpu_ms_program"` // of one call, the client's part too
	CPUEngine float64 `json:"cpu_ms_engine"`
	Rows      uint64  `json:"rows_read"` // of one call, by the engine's own count
	Bytes     uint64  `json:"bytes_read"`
	Groups    int     `json:"groups"`
	Baseline  float64 `json:"baseline_p50_ms"` // one plain sum over the same columns and days, without FINAL or groups
	Ratio     float64 `json:"ratio"`           // p50 to that
}

// lossReport is what one run measured.
type lossReport struct {
	Presses     int               `json:"presses"`
	Days        int               `json:"days"`
	Seed        uint64            `json:"seed"`
	Repeats     int               `json:"repeats"`
	DayMemory   int               `json:"day_memory_mib"` // press-days that the api may keep
	PressDays   int64             `json:"press_days"`
	Facts       int64             `json:"facts"`
	Rewritten   int64             `json:"press_days_rewritten"`
	DaysMiB     float64           `json:"press_days_mib"`
	FactsMiB    float64           `json:"facts_mib"`
	LoadBefore  float64           `json:"load_1m_before"`
	LoadAfter   float64           `json:"load_1m_after"`
	Fill        benchCost         `json:"fill"`
	Cases       []lossFigures     `json:"cases"`
	Pages       []pageFigures     `json:"pages"` // in a browser
	Arrangement string            `json:"arrangement"`
	Versions    map[string]string `json:"versions"`
	CPUs        int               `json:"cpus"`
}

const lossArrangement = "the api runs in the bench's process and is asked over gRPC on loopback; the engine is a process of its own, asked over HTTP on loopback; warm: each question is asked twice before it counts"

func (a *app) benchLoss() *cobra.Command {
	plan := lossPlan{}
	c := &cobra.Command{Use: "loss", Short: "how fast the loss tree of a large fleet is answered", Args: exactly(0),
		Long: "Fills the projections of a fleet in a temporary directory with rows as the simulated fleet gives them, each press-day\n" +
			"changed a little, and asks the api for loss trees: once with all parts merged, once with a share of the press-days\n" +
			"written again and not merged. The baseline of the same run is one plain sum over the same columns.",
		Example: "  downweb bench loss -o json\n  downweb bench loss --presses 2000"}
	load := a.settingFlags(c, "engine-lib", "engine-memory")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if plan.Presses < 1 || plan.Presses > 10_000 || plan.Days < 31 || plan.Days > 3650 || plan.Weeks < 1 || plan.Weeks > 52 || plan.Repeats < 1 {
			return usagef("--presses must be 1 to 10000, --days 31 to 3650, --weeks 1 to 52, --repeats at least 1")
		}
		if plan.Rewritten < 0 || plan.Rewritten > 1 {
			return usagef("--rewritten is a share: 0 to 1")
		}
		return a.withBenchEngine(c.Context(), load, func(e *benchEngine, say func(string)) error {
			r, err := runLossBench(c.Context(), e, plan, say)
			if err != nil {
				return err
			}
			return r.print(a.out, a.format)
		})
	}
	f := c.Flags()
	f.IntVar(&plan.Presses, "presses", 500, "presses; the bars are for 500")
	f.IntVar(&plan.Days, "days", 365, "production days of each")
	f.IntVar(&plan.Weeks, "weeks", 4, "weeks of the simulated fleet that give the press-days their shape")
	f.Uint64Var(&plan.Seed, "seed", 7, "seed of the rows")
	f.IntVar(&plan.Repeats, "repeats", 30, "how often each question is asked")
	f.Float64Var(&plan.Rewritten, "rewritten", 0.05, "share of the press-days written again and not merged")
	f.IntVar(&plan.DayMemory, "day-memory", 128, "MiB of press-days that the api keeps in memory; 0: none")
	a.outputFlag(c, "table", "json")
	return c
}

// benchRegistry is a registry log in memory.
type benchRegistry []*pb.RegistryRevision

func (benchRegistry) Append(context.Context, *pb.RegistryRevision) error {
	return errors.New("this registry is fixed")
}

func (b benchRegistry) Read(_ context.Context, after uint64) ([]*pb.RegistryRevision, error) {
	return b[min(after, uint64(len(b))):], nil
}

// lossCase is one question.
type lossCase struct {
	name  string
	scope *pb.Scope
	from  timeline.Day
	by    pb.LossGroup
	bar   float64
	facts bool
}

func (f *lossFleet) cases() []lossCase {
	year, month := f.first(), f.last-29
	plant := f.plants[0].Plant
	fleet := &pb.Scope{}
	return []lossCase{
		{"fleet, all days", fleet, year, 0, barFleetYearMs, false},
		{"fleet, 30 days", fleet, month, 0, barFleetMonthMs, false},
		{"one plant, 30 days", &pb.Scope{Plants: []string{plant}}, month, 0, barFleetMonthMs, false},
		{"one press, all days", &pb.Scope{Presses: []string{plant + "/" + f.plants[0].Presses[0].Press}}, year, 0, barFleetMonthMs, false},
		{"fleet by plant, all days", fleet, year, pb.LossGroup_LOSS_GROUP_PLANT, barFleetYearMs, false},
		{"fleet by press, all days", fleet, year, pb.LossGroup_LOSS_GROUP_PRESS, 0, false},
		{"fleet by day, all days", fleet, year, pb.LossGroup_LOSS_GROUP_DAY, 0, false},
		{"fleet by week, all days", fleet, year, pb.LossGroup_LOSS_GROUP_WEEK, barFleetYearMs, false},
		{"fleet by shift, all days", fleet, year, pb.LossGroup_LOSS_GROUP_SHIFT, barFactsMs, true},
		{"fleet by station, all days", fleet, year, pb.LossGroup_LOSS_GROUP_STATION, barFactsMs, true},
		{"fleet by family, all days", fleet, year, pb.LossGroup_LOSS_GROUP_FAMILY, barFactsMs, true},
		{"fleet by station, 30 days", fleet, month, pb.LossGroup_LOSS_GROUP_STATION, 0, true},
	}
}

func runLossBench(ctx context.Context, e *benchEngine, plan lossPlan, say func(string)) (*lossReport, error) {
	r := &lossReport{Presses: plan.Presses, Days: plan.Days, Seed: plan.Seed, Repeats: plan.Repeats, DayMemory: plan.DayMemory, CPUs: runtime.GOMAXPROCS(0), LoadBefore: machineLoad(), Arrangement: lossArrangement}
	fleet, err := newLossFleet(ctx, e, plan, say)
	if err != nil {
		return nil, err
	}
	db, err := e.open(ctx, "downweb")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	r.Versions = map[string]string{"downweb": programVersion(), "clickhouse": db.ServerVersion(), "go": runtime.Version()}
	m := e.mark()
	if r.PressDays, r.Facts, err = fleet.fill(ctx, db, say); err != nil {
		return nil, fmt.Errorf("fill: %w", err)
	}
	r.Fill = m.use()
	say("merging")
	for _, t := range []string{"press_days_by_month", "shift_facts"} {
		if err := db.Conn().Exec(ctx, "OPTIMIZE TABLE "+t+" FINAL"); err != nil {
			return nil, err
		}
	}
	for t, to := range map[string]*float64{"press_days_by_month": &r.DaysMiB, "shift_facts": &r.FactsMiB} {
		_, bytes, _, err := tableSize(ctx, db, t)
		if err != nil {
			return nil, err
		}
		*to = mib(int64(bytes))
	}

	var log benchRegistry
	for i, p := range fleet.plants {
		log = append(log, &pb.RegistryRevision{Rev: uint64(i + 1), Plant: p, Author: "bench", AppliedAt: timestamppb.New(time.Unix(0, 0))})
	}
	db.KeepDays(plan.DayMemory << 20)
	conn, stop, err := serveLosses(ctx, db, log)
	if err != nil {
		return nil, err
	}
	defer stop()
	client := pb.NewLossServiceClient(conn)
	measure := func(parts string) error {
		for _, c := range fleet.cases() {
			say(parts + ": " + c.name)
			fig, err := c.measure(ctx, e, db, client, fleet, plan.Repeats)
			if err != nil {
				return fmt.Errorf("%s: %w", c.name, err)
			}
			fig.Parts = parts
			r.Cases = append(r.Cases, *fig)
		}
		return nil
	}
	if err := measure("merged"); err != nil {
		return nil, err
	}
	say("pages")
	if r.Pages, err = measurePages(ctx, conn, fleet, plan.Repeats); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	if plan.Rewritten > 0 {
		for _, t := range []string{"press_days_by_month", "shift_facts"} {
			if err := db.Conn().Exec(ctx, "SYSTEM STOP MERGES "+t); err != nil {
				return nil, err
			}
		}
		say("writing some press-days again")
		if r.Rewritten, err = fleet.rewrite(ctx, db, plan.Rewritten); err != nil {
			return nil, err
		}
		if err := measure(fmt.Sprintf("%.0f %% rewritten", 100*plan.Rewritten)); err != nil {
			return nil, err
		}
	}
	r.LoadAfter = machineLoad()
	return r, nil
}

// serveLosses runs an api in this process and gives a connection to it.
func serveLosses(ctx context.Context, db *warehouse.DB, log benchRegistry) (*grpc.ClientConn, func(), error) {
	s := api.New(api.Config{Listen: "127.0.0.1:0"}, api.Deps{Reader: apiReader{db}, Registry: registry.New(log)})
	own, cancel := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan error, 1)
	go func() { ended <- s.Run(own) }()
	select {
	case <-s.Ready():
	case err := <-ended:
		cancel()
		return nil, nil, err
	case <-ctx.Done():
		cancel()
		<-ended
		return nil, nil, ctx.Err()
	}
	conn, err := grpc.NewClient(s.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		cancel()
		<-ended
		return nil, nil, err
	}
	return conn, func() { conn.Close(); cancel(); <-ended }, nil
}

// measure asks one question again and again, and the baseline as often, by turns.
func (c *lossCase) measure(ctx context.Context, e *benchEngine, db *warehouse.DB, client pb.LossServiceClient, f *lossFleet, repeats int) (*lossFigures, error) {
	req := &pb.GetLossesRequest{Scope: c.scope, Period: &pb.Period{FirstDay: c.from.String(), LastDay: f.last.String()}, GroupBy: c.by}
	fig := &lossFigures{Case: c.name, Bar: c.bar}
	plain := fmt.Sprintf("SELECT ignore(%s) FROM %s WHERE day BETWEEN %d AND %d", strings.Join(c.sums(), ", "), c.table(), c.from, f.last)
	for n := range 2 {
		start := time.Now()
		resp, err := client.GetLosses(ctx, req)
		if err != nil {
			return nil, err
		}
		if n == 0 {
			fig.First = float64(time.Since(start)) / 1e6
		}
		if resp.Total.GetPressDays() == 0 {
			return nil, errors.New("the answer holds no press-day")
		}
		fig.Groups = len(resp.Groups)
	}
	var took, base []float64
	var self, engine time.Duration
	rows, bytes, err := engineReads(ctx, db)
	if err != nil {
		return nil, err
	}
	if _, err := client.GetLosses(ctx, req); err != nil {
		return nil, err
	}
	afterRows, afterBytes, err := engineReads(ctx, db)
	if err != nil {
		return nil, err
	}
	fig.Rows, fig.Bytes = afterRows-rows, afterBytes-bytes
	for n := range repeats {
		u := benchUse{engine: e.pid()}
		u.self, u.other = cpuOf(u.engine)
		start := time.Now()
		if _, err := client.GetLosses(ctx, req); err != nil {
			return nil, err
		}
		took = append(took, float64(time.Since(start))/1e6)
		s, o := cpuOf(u.engine)
		self, engine = self+s-u.self, engine+o-u.other
		if n > 0 && n%3 != 0 {
			continue
		}
		start = time.Now()
		var ignored uint8
		if err := db.Conn().QueryRow(ctx, plain).Scan(&ignored); err != nil {
			return nil, fmt.Errorf("baseline: %w", err)
		}
		base = append(base, float64(time.Since(start))/1e6)
	}
	fig.P50, fig.P99, fig.Baseline = percentile(took, 0.5), percentile(took, 0.99), percentile(base, 0.5)
	fig.CPUSelf, fig.CPUEngine = self.Seconds()*1000/float64(repeats), engine.Seconds()*1000/float64(repeats)
	fig.Ratio = fig.P50 / fig.Baseline
	return fig, nil
}

func cpuOf(engine int) (self, other time.Duration) {
	self, _ = processUse(os.Getpid())
	other, _ = processUse(engine)
	return self, other
}

func (c *lossCase) table() string {
	if c.facts {
		return "shift_facts"
	}
	return "press_days_by_month"
}

func (c *lossCase) sums() []string {
	cols := warehouse.SumColumns()
	if c.facts {
		cols = []string{"dur_ms", "good_mm", "waste_mm", "material_nano"}
	}
	out := make([]string, len(cols))
	for i, n := range cols {
		out[i] = "sum(" + n + ")"
	}
	return out
}

// engineReads is what the engine has read from tables since it started, by its own count.
func engineReads(ctx context.Context, db *warehouse.DB) (rows, bytes uint64, err error) {
	err = db.Conn().QueryRow(ctx, "SELECT sumIf(value, event = 'SelectedRows'), sumIf(value, event = 'SelectedBytes') FROM system.events").Scan(&rows, &bytes)
	if err != nil {
		return 0, 0, fmt.Errorf("what the engine read: %w", err)
	}
	return rows, bytes, nil
}

func (r *lossReport) print(w io.Writer, format string) error {
	if format == "json" {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	g := newGrid("question", "parts", ">p50 ms", ">p99 ms", ">bar", "", ">CPU ms", ">rows read", ">MiB read", ">plain sum")
	for _, c := range r.Cases {
		limit, verdict := "", ""
		if c.Bar > 0 {
			limit, verdict = "≤ "+number(c.Bar, 0), "met"
			if c.P50 > c.Bar {
				verdict = "MISSED"
			}
		}
		g.row(c.Case, c.Parts, number(c.P50, 1), number(c.P99, 1), limit, verdict, number(c.CPUSelf+c.CPUEngine, 0), grouped(int64(c.Rows)), number(mib(int64(c.Bytes)), 1), number(c.Baseline, 1))
	}
	g.print(w)
	for _, p := range r.Pages {
		limit := ""
		if p.Bar > 0 {
			limit = fmt.Sprintf(", bar %s ms", number(p.Bar, 0))
		}
		fmt.Fprintf(w, "Page in a browser (%s): %s ms, 99 of 100 within %s ms, the first time %s ms%s; %d KiB\n", p.Page, number(p.P50, 0), number(p.P99, 0), number(p.First, 0), limit, p.Bytes>>10)
	}
	fmt.Fprintf(w, "%d presses, %d days, %s press-days (%.0f MiB), %s facts (%.0f MiB), filled in %.0f s; load %.1f to %.1f; %s\n",
		r.Presses, r.Days, grouped(r.PressDays), r.DaysMiB, grouped(r.Facts), r.FactsMiB, r.Fill.Seconds, r.LoadBefore, r.LoadAfter, time.Now().UTC().Format(time.DateOnly))
	if r.Presses != 500 || r.Days != 365 {
		fmt.Fprintln(w, "The bars are for 500 presses and 365 days.")
	}
	return nil
}
