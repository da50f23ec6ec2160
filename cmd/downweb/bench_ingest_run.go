package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/warehouse"
)

// ingestBench is one run.
type ingestBench struct {
	app       *app
	plan      ingestPlan
	cfg       *Config
	bareFirst bool
	say       func(string)

	line     *line
	db       *warehouse.DB
	data     *benchData
	versions map[string]string
	profiles map[string]string // role -> address of its profiles
	fig      ingestFigures
}

const benchAgent = "bench"

func (b *ingestBench) run(ctx context.Context) (*ingestFigures, error) {
	b.fig = ingestFigures{LoadBefore: machineLoad(), BareFirst: b.bareFirst}
	d := dataDir(b.cfg.DataDir)
	if err := d.make(); err != nil {
		return nil, err
	}
	b.say("making the events")
	var err error
	if b.data, err = fillSpool(d.spool(benchAgent), b.plan); err != nil {
		return nil, fmt.Errorf("fill the spool: %w", err)
	}
	if info, err := os.Stat(d.spool(benchAgent)); err == nil {
		b.fig.SpoolMiB = float64(info.Size()) / (1 << 20)
	}
	b.fig.BytesPerEvent = float64(b.data.bytes) / float64(b.plan.Events)

	b.cfg.API.GRPC, b.cfg.API.HTTP, b.cfg.Web.Listen, b.cfg.NATS.Listen = "127.0.0.1:0", "", "", "127.0.0.1:0" // free ones
	if b.line, err = b.app.newLine(b.cfg, true); err != nil {
		return nil, err
	}
	defer b.line.close()
	b.listenForProfiles()
	lineCtx, stop := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	go func() { defer close(done); b.line.run(lineCtx) }()
	defer func() { stop(); <-done }()
	select {
	case <-b.line.sup.Started():
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(2 * time.Minute):
		return nil, errors.New("the line did not start within 2 minutes")
	}
	if b.db, err = b.openDatabase(ctx, b.cfg.Warehouse.Database); err != nil {
		return nil, err
	}
	defer b.db.Close()

	phases := []func(context.Context) error{b.bare, b.stream, b.wholeLine}
	if !b.bareFirst {
		phases = []func(context.Context) error{b.wholeLine, b.stream, b.bare}
	}
	for _, phase := range append(phases, b.lag) {
		if err := phase(ctx); err != nil {
			return nil, err
		}
	}
	b.fig.Ratio = b.fig.EventsPerSecond / b.fig.BareRowsPerSecond
	return &b.fig, nil
}

func (b *ingestBench) openDatabase(ctx context.Context, name string) (*warehouse.DB, error) {
	dsn, err := b.cfg.warehouseDSN()
	if err != nil {
		return nil, err
	}
	return warehouse.Open(ctx, warehouse.Config{DSN: dsn, Database: name})
}

// bareSettings are those of the warehouse's own inserts.
var bareSettings = clickhouse.Settings{"async_insert": 0, "wait_for_async_insert": 1, "insert_deduplicate": 0, "deduplicate_insert": "disable", "optimize_on_insert": 0,
	"max_insert_block_size": 1 << 20, "min_insert_block_size_rows": 1 << 20, "min_insert_block_size_bytes": 1 << 30}

// bare decodes the frames and inserts their rows by columns, back to back, into a table made by the same statement;
// merges run. This definition is that of the ratio: do not change it silently.
func (b *ingestBench) bare(ctx context.Context) error {
	db, err := b.openDatabase(ctx, "bare")
	if err != nil {
		return err
	}
	defer db.Close()
	runtime.GC()
	self, engine := b.use("self"), b.use("engine")
	start := time.Now()
	rows := 0
	for first := 0; first < len(b.data.frames); {
		var c bareColumns
		for ; first < len(b.data.frames) && c.rows() < b.plan.BareRows; first++ {
			if err := c.decode(b.data.frames[first], uint64(first)); err != nil {
				return err
			}
		}
		if err := c.insert(ctx, db.Conn()); err != nil {
			return err
		}
		rows += c.rows()
		b.say(fmt.Sprintf("bare inserts: %s rows", grouped(int64(rows))))
	}
	took := time.Since(start)
	b.fig.SecondsBare = took.Seconds()
	b.fig.BareRowsPerSecond = float64(rows) / took.Seconds()
	b.fig.BareCPUPerRow = perEvent(b.use("self")-self+b.use("engine")-engine, rows)
	var n uint64
	if err := db.Conn().QueryRow(ctx, "SELECT count() FROM events").Scan(&n); err != nil {
		return err
	}
	if n != uint64(b.plan.Events) {
		return fmt.Errorf("bare inserts: %d rows are there, not %d", n, b.plan.Events)
	}
	return db.Conn().Exec(ctx, "DROP DATABASE bare SYNC")
}

// bareColumns are the columns of slices.
type bareColumns struct {
	kind, state                              []uint8
	plant, press, reason, station, job       []string
	occurred, delay, dur, rated, good, waste []int64
	epoch, seq, pos                          []uint64
}

var bareTypes = []clickhouse.ColumnNameAndType{{Name: "kind", Type: "UInt8"}, {Name: "plant", Type: "String"}, {Name: "press", Type: "String"},
	{Name: "occurred_at", Type: "DateTime64(3, 'UTC')"}, {Name: "epoch", Type: "UInt64"}, {Name: "seq", Type: "UInt64"}, {Name: "pos", Type: "UInt64"},
	{Name: "recorded_delay_ms", Type: "Int64"}, {Name: "dur_ms", Type: "Int64"}, {Name: "state", Type: "UInt8"}, {Name: "reason", Type: "String"},
	{Name: "station", Type: "String"}, {Name: "job", Type: "String"}, {Name: "rated_mm_per_min", Type: "Int64"}, {Name: "good_mm", Type: "Int64"}, {Name: "waste_mm", Type: "Int64"}}

const bareInsert = "INSERT INTO events (kind, plant, press, occurred_at, epoch, seq, pos, recorded_delay_ms, dur_ms, state, reason, station, job, rated_mm_per_min, good_mm, waste_mm)"

func (c *bareColumns) rows() int { return len(c.kind) }

func (c *bareColumns) decode(frame []byte, pos uint64) error {
	f, err := eventlog.DecodeFrame(frame)
	if err != nil {
		return err
	}
	for _, e := range f.Events {
		s := e.GetSlice()
		at := eventlog.OccurredMs(e)
		c.kind = append(c.kind, 10)
		c.plant = append(c.plant, e.Plant)
		c.press = append(c.press, e.Press)
		c.occurred = append(c.occurred, at)
		c.epoch = append(c.epoch, e.Epoch)
		c.seq = append(c.seq, e.Seq)
		c.pos = append(c.pos, pos)
		c.delay = append(c.delay, benchMs(e.RecordedAt.Seconds, e.RecordedAt.Nanos)-at)
		c.dur = append(c.dur, benchMs(s.To.Seconds, s.To.Nanos)-at)
		c.state = append(c.state, uint8(s.State))
		c.reason = append(c.reason, s.Reason)
		c.station = append(c.station, s.Station)
		c.job = append(c.job, s.Job)
		c.rated = append(c.rated, s.GetRatedMmPerMin())
		c.good = append(c.good, s.GoodMm)
		c.waste = append(c.waste, s.WasteMm)
	}
	return nil
}

func benchMs(seconds int64, nanos int32) int64 { return seconds*1000 + int64(nanos)/1e6 }

func (c *bareColumns) insert(ctx context.Context, conn clickhouse.Conn) error {
	ctx = clickhouse.Context(ctx, clickhouse.WithSettings(bareSettings), clickhouse.WithColumnNamesAndTypes(bareTypes))
	batch, err := conn.PrepareBatch(ctx, bareInsert)
	if err != nil {
		return fmt.Errorf("bare insert: %w", err)
	}
	defer batch.Close()
	for i, v := range []any{c.kind, c.plant, c.press, c.occurred, c.epoch, c.seq, c.pos, c.delay, c.dur, c.state, c.reason, c.station, c.job, c.rated, c.good, c.waste} {
		if err := batch.Column(i).Append(v); err != nil {
			return fmt.Errorf("bare insert: column %d: %w", i, err)
		}
	}
	if err := batch.Send(); err != nil {
		return fmt.Errorf("bare insert: %w", err)
	}
	return nil
}

// stream publishes the frames into a stream of its own, set up as the line's, as many in flight as an agent has.
func (b *ingestBench) stream(ctx context.Context) error {
	nc, js, err := openLog(ctx, b.cfg, "bench", slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer nc.Close()
	if _, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: "BENCH", Subjects: []string{"bench.>"}, Storage: jetstream.FileStorage, MaxMsgSize: eventlog.MaxPayload, Duplicates: 10 * time.Minute}); err != nil {
		return fmt.Errorf("stream alone: %w", err)
	}
	async, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(32))
	if err != nil {
		return err
	}
	start := time.Now()
	for i, f := range b.data.frames {
		m := nats.NewMsg("bench." + strconv.Itoa(i%b.plan.Presses))
		m.Data = f
		m.Header.Set(jetstream.MsgIDHeader, strconv.Itoa(i))
		if _, err := async.PublishMsgAsync(m, jetstream.WithStallWait(30*time.Second)); err != nil {
			return fmt.Errorf("stream alone: %w", err)
		}
	}
	select {
	case <-async.PublishAsyncComplete():
	case <-time.After(time.Minute):
		return errors.New("stream alone: not acknowledged within a minute")
	}
	took := time.Since(start).Seconds()
	b.fig.FramesPerSecond = float64(len(b.data.frames)) / took
	b.fig.StreamPerSecond = float64(b.plan.Events) / took
	info, err := js.Stream(ctx, "BENCH")
	if err != nil {
		return fmt.Errorf("stream alone: %w", err)
	}
	if n := info.CachedInfo().State.Msgs; n != uint64(len(b.data.frames)) {
		return fmt.Errorf("stream alone: %d messages are stored, not %d", n, len(b.data.frames))
	}
	return js.DeleteStream(ctx, "BENCH")
}

// pollCount is the time between two questions for the count, which cost the engine a millisecond each.
const pollCount = 100 * time.Millisecond

// wholeLine starts the agent over the filled spool and waits until a query counts every event.
func (b *ingestBench) wholeLine(ctx context.Context) error {
	cfg := *b.cfg
	cfg.Agent.Name = benchAgent
	cfg.Agent.SpoolMax = 8 << 30
	for i := range b.plan.Presses {
		cfg.Agent.Presses = append(cfg.Agent.Presses, benchPlant+"/"+benchPress(i))
	}
	nothing := filepath.Join(cfg.DataDir, "nothing.jsonl") // the spool holds it all
	if err := os.WriteFile(nothing, nil, 0o600); err != nil {
		return err
	}
	cfg.Agent.Sources = []Source{{Path: nothing}}
	spec := childSpec{Name: "agent", Args: []string{"agent", "run"}, Log: dataDir(cfg.DataDir).logFile("agent"), Env: func() []string { return append(cfg.Env(), b.profileEnv("agent")...) }}
	defer spec.Log.Close()
	exe, err := os.Executable()
	if err != nil {
		return err
	}
	log, err := ops.Logger(b.app.err, slog.LevelWarn, "text", "bench")
	if err != nil {
		return err
	}
	sup := newSupervisor(exe, []childSpec{spec}, log)
	agentCtx, stop := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan struct{})
	roles := []string{"ingest", "engine", "nats", "self"}
	before := map[string]time.Duration{}
	for _, r := range roles {
		before[r] = b.use(r)
	}
	start := time.Now()
	go func() { defer close(ended); sup.Run(agentCtx) }()
	defer func() { stop(); <-ended }()
	b.takeProfiles(ctx)

	var n uint64
	for moved := start; ; {
		var now uint64
		if err := b.db.Conn().QueryRow(ctx, "SELECT count() FROM events").Scan(&now); err != nil {
			return fmt.Errorf("count events: %w", err)
		}
		if now != n {
			n, moved = now, time.Now()
			b.say(fmt.Sprintf("line: %s of %s events", grouped(int64(n)), grouped(int64(b.plan.Events))))
		}
		if n >= uint64(b.plan.Events) {
			break
		}
		if time.Since(moved) > 2*time.Minute {
			return fmt.Errorf("the line stands still at %d of %d events", n, b.plan.Events)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(pollCount):
		}
	}
	took := time.Since(start)
	b.fig.SecondsLine = took.Seconds()
	b.fig.EventsPerSecond = float64(b.plan.Events) / took.Seconds()
	agentCPU, agentRSS := processUse(sup.States()[0].PID)
	b.fig.Processes = []processFigures{{Role: "agent", CPUPerEvent: perEvent(agentCPU, b.plan.Events), RSS: mib(agentRSS)}}
	for _, r := range roles {
		p := processFigures{Role: r, CPUPerEvent: perEvent(b.use(r)-before[r], b.plan.Events)}
		if r == "self" {
			p.Role = "bench (asks for the count)"
		} else {
			_, rss := processUse(b.pid(r))
			p.RSS = mib(rss)
		}
		b.fig.Processes = append(b.fig.Processes, p)
	}
	for _, p := range b.fig.Processes {
		b.fig.CPUPerEvent += p.CPUPerEvent
		b.fig.RSS += p.RSS
	}
	var stored, distinct, inserts uint64
	if err := b.db.Conn().QueryRow(ctx, "SELECT count(), uniqExact(press, epoch, seq), uniqExact(pos) FROM events").Scan(&stored, &distinct, &inserts); err != nil {
		return fmt.Errorf("count identities: %w", err)
	}
	b.fig.IdentitiesDifferent = max(int(distinct), b.plan.Events) - min(int(distinct), b.plan.Events) + int(stored-distinct)
	b.fig.EventsPerInsert = float64(stored) / float64(max(inserts, 1))
	b.versions = map[string]string{"downweb": programVersion(), "clickhouse": b.db.ServerVersion(), "go": runtime.Version()}
	return nil
}

// lag publishes at a steady rate and asks again and again what can be seen. An event's lag ends when a query that
// counts it has returned, so the time between two questions is in it.
func (b *ingestBench) lag(ctx context.Context) error {
	if b.plan.LagFor == 0 {
		return nil
	}
	const each = 100 // events of a frame
	secret, err := password(b.cfg.keysDir(), keyPress)
	if err != nil {
		return err
	}
	url, err := b.cfg.natsURL()
	if err != nil {
		return err
	}
	secure, err := b.cfg.logTLS(url)
	if err != nil {
		return err
	}
	nc, err := eventlog.ConnectPress(ctx, url, secret, "bench", nil, eventlog.WithTLS(secure))
	if err != nil {
		return err
	}
	defer nc.Close()
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(256))
	if err != nil {
		return err
	}
	b.versions["nats"] = nc.ConnectedServerVersion()
	epoch := b.data.epoch + 1
	from := b.data.series[0].at
	for _, s := range b.data.series {
		from = min(from, s.at)
	}
	type sent struct {
		last uint64
		at   time.Time
	}
	var mu sync.Mutex
	waiting := map[string][]sent{}
	next := make([]uint64, b.plan.Presses)
	publish := func(i int) error {
		blocks, err := b.data.series[i].blocks(next[i]+1, each)
		if err != nil {
			return err
		}
		frame, err := benchFrame(blocks, epoch)
		if err != nil {
			return err
		}
		m := nats.NewMsg(eventlog.PressSubject(benchPlant, benchPress(i)))
		m.Data = frame
		m.Header.Set(jetstream.MsgIDHeader, fmt.Sprintf("%s/%016x/%d", benchPress(i), epoch, next[i]))
		next[i] += each
		mu.Lock()
		waiting[benchPress(i)] = append(waiting[benchPress(i)], sent{next[i], time.Now()})
		mu.Unlock()
		_, err = js.PublishMsgAsync(m, jetstream.WithStallWait(30*time.Second))
		return err
	}
	pubCtx, stop := context.WithCancel(ctx)
	defer stop()
	published := make(chan error, 1)
	frames := int(b.plan.LagFor.Seconds() * float64(b.plan.LagRate) / each)
	start := time.Now()
	var took time.Duration
	go func() {
		for n := range frames {
			due := start.Add(time.Duration(float64(n) * each / float64(b.plan.LagRate) * float64(time.Second)))
			select {
			case <-time.After(time.Until(due)):
			case <-pubCtx.Done():
				published <- pubCtx.Err()
				return
			}
			if err := publish(n % b.plan.Presses); err != nil {
				published <- fmt.Errorf("publish: %w", err)
				return
			}
		}
		took = time.Since(start)
		published <- nil
	}()
	var lags []float64 // one for each frame, ms: all are of the same size
	query := fmt.Sprintf("SELECT press, max(seq) FROM events WHERE kind = 10 AND plant = '%s' AND occurred_at >= fromUnixTimestamp64Milli(toInt64(%d)) AND epoch = %d GROUP BY press", benchPlant, from, epoch)
	for deadline := start.Add(b.plan.LagFor + time.Minute); len(lags) < frames; {
		select {
		case err := <-published:
			if err != nil {
				return err
			}
			published = nil
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("lag: only %d of %d frames were seen", len(lags), frames)
		}
		seen, err := b.seen(ctx, query)
		if err != nil {
			return err
		}
		now := time.Now()
		mu.Lock()
		for press, last := range seen {
			w := waiting[press]
			for len(w) > 0 && w[0].last <= last {
				lags = append(lags, float64(now.Sub(w[0].at))/1e6)
				w = w[1:]
			}
			waiting[press] = w
		}
		mu.Unlock()
		b.say(fmt.Sprintf("lag: %d of %d frames seen", len(lags), frames))
	}
	slices.Sort(lags)
	b.fig.LagP50, b.fig.LagP99 = lags[len(lags)/2], lags[min(len(lags)-1, len(lags)*99/100)]
	b.fig.LagEventsPerSecond = float64(frames*each) / took.Seconds()
	return nil
}

// seen is the highest seq of each press that a query gives.
func (b *ingestBench) seen(ctx context.Context, query string) (map[string]uint64, error) {
	rows, err := b.db.Conn().Query(ctx, query)
	if err != nil {
		return nil, fmt.Errorf("what is visible: %w", err)
	}
	defer rows.Close()
	out := map[string]uint64{}
	for rows.Next() {
		var press string
		var seq uint64
		if err := rows.Scan(&press, &seq); err != nil {
			return nil, fmt.Errorf("what is visible: %w", err)
		}
		out[press] = seq
	}
	return out, rows.Err()
}

func (b *ingestBench) pid(role string) int {
	for _, c := range b.line.sup.States() {
		if c.Name == role {
			return c.PID
		}
	}
	return os.Getpid()
}

// use is the CPU time of a role's process so far; "self" is this one.
func (b *ingestBench) use(role string) time.Duration {
	cpu, _ := processUse(b.pid(role))
	return cpu
}

func perEvent(d time.Duration, n int) float64 { return float64(d.Microseconds()) / float64(n) }

func mib(bytes int64) float64 { return float64(bytes) / (1 << 20) }

// listenForProfiles gives the processes of the line an address for their profiles, where they are asked for.
func (b *ingestBench) listenForProfiles() {
	b.profiles = map[string]string{}
	if b.plan.Profiles == "" {
		return
	}
	for _, role := range []string{"ingest", "nats", "agent"} {
		b.profiles[role] = freePort()
	}
	for i := range b.line.sup.specs {
		spec := &b.line.sup.specs[i]
		env := spec.Env
		spec.Env = func() []string { return append(env(), b.profileEnv(spec.Name)...) }
	}
}

// profileEnv makes a child listen on the address it is given.
func (b *ingestBench) profileEnv(role string) []string {
	host, port, err := net.SplitHostPort(b.profiles[role])
	if err != nil {
		return nil
	}
	n, _ := strconv.Atoi(port)
	return []string{"DOWNWEB_METRICS__LISTEN=" + net.JoinHostPort(host, strconv.Itoa(n-metricsPorts[role]))}
}

// takeProfiles records what the processes do from now on, for about as long as the line will take.
func (b *ingestBench) takeProfiles(ctx context.Context) {
	seconds := max(3, min(60, b.plan.Events/250_000))
	for role, addr := range b.profiles {
		go func() {
			if role == "agent" {
				time.Sleep(300 * time.Millisecond) // it has just been started
			}
			err := func() error {
				req, err := http.NewRequestWithContext(ctx, "GET", fmt.Sprintf("http://%s/debug/pprof/profile?seconds=%d", addr, seconds), nil)
				if err != nil {
					return err
				}
				r, err := http.DefaultClient.Do(req)
				if err != nil {
					return err
				}
				defer r.Body.Close()
				if err := os.MkdirAll(b.plan.Profiles, 0o755); err != nil {
					return err
				}
				f, err := os.Create(filepath.Join(b.plan.Profiles, role+".pprof"))
				if err != nil {
					return err
				}
				_, err = io.Copy(f, r.Body)
				return errors.Join(err, f.Close())
			}()
			if err != nil {
				fmt.Fprintf(b.app.err, "profile of %s: %v\n", role, err)
			}
		}()
	}
}
