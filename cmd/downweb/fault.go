package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
)

// faultPlan is one run of the fault tests. All chance comes from Seed; what the machine makes of it (which part was
// busy when it was killed) does not repeat.
type faultPlan struct {
	Seed   uint64
	Kills  int           // SIGKILLs, dealt evenly over the parts
	Pauses int           // SIGSTOPs of an ingest for longer than its lease; a second one stands by if there are any
	Weeks  int           // of the simulated fleet
	Gap    time.Duration // mean time between two kills
	Bound  time.Duration // longest time from the last fault until all is stored and projected
}

// faultReport is what came of a run.
type faultReport struct {
	Kills   int     `json:"kills"`
	Lost    int64   `json:"lost"`    // input lines that are not stored
	Doubled int64   `json:"doubled"` // stored events beyond the input lines
	Seconds float64 `json:"seconds"` // from the first fault until all was stored and projected
	Seed    uint64  `json:"seed"`

	Pauses              int         `json:"pauses"`
	Events              int64       `json:"events"`               // input lines
	Repeats             int64       `json:"repeats"`              // rows stored again, which reading removes by the key
	ConvergedSeconds    float64     `json:"converged_seconds"`    // from the last fault until all was stored and projected
	Checksum            string      `json:"checksum"`             // of the projections
	ChecksumUndisturbed string      `json:"checksum_undisturbed"` // of an undisturbed run's
	ChecksumEqual       bool        `json:"checksum_equal"`       // they are the same
	Roles               []faultRole `json:"roles"`                // in the order of their start
	Broken              []string    `json:"broken,omitempty"`     // what does not hold, in words; empty: all is well
}

// faultRole counts one part.
type faultRole struct {
	Role       string `json:"role"`
	Kills      int    `json:"kills"`
	Recoveries int    `json:"recoveries"` // times it was ready again after an end
}

func (r *faultReport) broken(format string, a ...any) {
	r.Broken = append(r.Broken, fmt.Sprintf(format, a...))
}

// faultInput is the fleet's lines as an agent finds them: a file for each plant.
type faultInput struct {
	plants  []*pb.Plant
	presses []string
	names   []string // of the files
	files   [][]byte
	oracle  *tally // of the files as written
}

func makeFaultInput(seed uint64, weeks int) (*faultInput, error) {
	f, err := newFleet(fleetsim.Config{Seed: seed, Weeks: weeks})
	if err != nil {
		return nil, err
	}
	in := &faultInput{plants: f.Plants()}
	of := map[string]*bytes.Buffer{}
	for _, p := range f.Plants() {
		of[p.GetPlant()] = &bytes.Buffer{}
		in.names = append(in.names, p.GetPlant()+".jsonl")
	}
	for i := range f.Len() {
		in.presses = append(in.presses, f.Press(i))
	}
	for day := f.First(); day <= f.Last(); day++ {
		for i := range f.Len() {
			plant, _, _ := strings.Cut(f.Press(i), "/")
			if _, err := f.Day(i, day, of[plant]); err != nil {
				return nil, err
			}
		}
	}
	for _, p := range f.Plants() {
		in.files = append(in.files, of[p.GetPlant()].Bytes())
	}
	return in, nil
}

// faultLine is a line in this process's hands.
type faultLine struct {
	*line
	app   *app // that asks it
	dir   string
	ended chan struct{}
	stop  context.CancelFunc

	mu    sync.Mutex
	ready map[string]int // times each child became ready
}

// startFaultLine starts a line whose agent follows the input's files in its directory.
func (a *app) startFaultLine(ctx context.Context, dir string, base *Config, in *faultInput, standby bool) (*faultLine, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	own := *a
	own.dataDir, own.config, own.addr = dir, "", ""
	cfg, err := own.loadConfig(map[string]string{"api.grpc": "127.0.0.1:0", "api.http": "127.0.0.1:0", "web.listen": "", "nats.listen": "127.0.0.1:0", "agent.name": "faults"})
	if err != nil {
		return nil, err
	}
	cfg.Engine, cfg.Log = base.Engine, base.Log
	cfg.Agent.Presses = in.presses
	for _, name := range in.names {
		path := filepath.Join(cfg.DataDir, name)
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			return nil, err
		}
		cfg.Agent.Sources = append(cfg.Agent.Sources, Source{Path: path, Follow: true})
	}
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	var more []childSpec
	if standby {
		more = append(more, childSpec{Name: "ingest-2", Args: []string{"ingest"}})
	}
	own.err = io.Discard // a child that ends is no news here; the children's logs lie in the directory
	l, err := own.newLine(cfg, true, more...)
	if err != nil {
		return nil, err
	}
	f := &faultLine{line: l, app: &own, dir: dir, ended: make(chan struct{}), ready: map[string]int{}}
	own.addr = dialable(cfg.API.GRPC)
	for i := range l.sup.specs {
		spec := &l.sup.specs[i]
		said := spec.Ready
		spec.Ready = func(line string) {
			f.mu.Lock()
			f.ready[spec.Name]++
			f.mu.Unlock()
			at := f.address()
			if said != nil {
				said(line)
			}
			if at != "" && f.address() != at { // newLine's children learn it by themselves
				l.sup.Restart("ingest-2")
			}
		}
	}
	l.sup.timing.longest = 500 * time.Millisecond // the chance of a kill is that of a working child, not of a waiting one
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	f.stop = stop
	go func() { defer close(f.ended); l.run(run) }()
	return f, nil
}

// address is where the warehouse is said to be.
func (f *faultLine) address() string {
	f.line.mu.Lock()
	defer f.line.mu.Unlock()
	return f.at.Warehouse
}

// close stops the line and waits until its processes have ended.
func (f *faultLine) close() {
	f.stop()
	<-f.ended
	f.line.close()
}

// start waits for the first start of all parts and writes the registry.
func (f *faultLine) start(ctx context.Context, in *faultInput) error {
	ctx, cancel := context.WithTimeoutCause(ctx, 2*time.Minute, errors.New("not started in 2 minutes"))
	defer cancel()
	select {
	case <-f.sup.Started():
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	return f.app.ask(func(conn *grpc.ClientConn) error {
		for _, p := range in.plants {
			if _, err := pb.NewRegistryServiceClient(conn).ApplyPlant(ctx, &pb.ApplyPlantRequest{Plant: p, Author: "faults"}, grpc.WaitForReady(true)); err != nil {
				return err
			}
		}
		return nil
	})
}

// settle waits until every input line is accounted for and projected. What has not come about in the bound is said in
// the error; the state may then still be compared.
func (f *faultLine) settle(ctx context.Context, events int64, bound time.Duration) (*pb.GetStatusResponse, error) {
	end := time.Now().Add(bound)
	var st *pb.GetStatusResponse
	var err error
	for wait := 100 * time.Millisecond; ; {
		err = f.app.ask(func(conn *grpc.ClientConn) error {
			ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
			defer cancel()
			st, err = pb.NewStatusServiceClient(conn).GetStatus(ctx, &pb.GetStatusRequest{})
			return err
		})
		if err == nil && st.GetEvents() >= events && st.GetDirtyPressDays() == 0 && st.GetStreamPending() == 0 && f.allReady() {
			break
		}
		if time.Now().After(end) {
			return st, fmt.Errorf("not settled %v after the last fault: %d of %d events stored, %d press-days wait, %d messages wait, parts %v, %w",
				bound, st.GetEvents(), events, st.GetDirtyPressDays(), st.GetStreamPending(), f.sup.States(), errOr(err, "the api answers"))
		}
		select {
		case <-ctx.Done():
			return st, ctx.Err()
		case <-time.After(wait):
		}
	}
	err = f.app.ask(func(conn *grpc.ClientConn) error {
		st, err = pb.NewStatusServiceClient(conn).GetStatus(ctx, &pb.GetStatusRequest{Checksum: true})
		return err
	})
	return st, err
}

func errOr(err error, text string) error {
	if err != nil {
		return err
	}
	return errors.New(text)
}

func (f *faultLine) allReady() bool {
	for _, c := range f.sup.States() {
		if c.State != "ready" {
			return false
		}
	}
	return true
}

// stored reads what the line's warehouse holds.
func (f *faultLine) stored(ctx context.Context) (*tally, int64, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	db, err := openWarehouse(ctx, f.cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, 0, err
	}
	defer db.Close()
	return tallyStored(ctx, db.Conn())
}

// pid is a child's process, waited for where it is just between two.
func (f *faultLine) pid(ctx context.Context, name string) (int, error) {
	for range 3000 {
		for _, c := range f.sup.States() {
			if c.Name == name && c.PID != 0 {
				return c.PID, nil
			}
		}
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
	}
	return 0, fmt.Errorf("%s has no process for 30 s", name)
}

// runFaults is a whole run: an undisturbed line, a shaken one, and what they hold compared with the input files. The
// report is nil only with an error; an error beside a report means that a later step could not be done.
func (a *app) runFaults(ctx context.Context, dir string, base *Config, plan faultPlan, say func(string)) (*faultReport, error) {
	in, err := makeFaultInput(plan.Seed, plan.Weeks)
	if err != nil {
		return nil, err
	}
	say("an undisturbed run")
	calm, calmTally, err := a.calmRun(ctx, filepath.Join(dir, "calm"), base, in, plan.Bound)
	if err != nil {
		return nil, fmt.Errorf("undisturbed run: %w", err)
	}
	r := &faultReport{Seed: plan.Seed, Events: in.oracle.Sum.Events, ChecksumUndisturbed: calm.GetChecksum()}
	if lost, doubled := in.oracle.compare(calmTally); lost+doubled > 0 {
		r.broken("the undisturbed run lost %d and doubled %d events", lost, doubled)
	}
	line, err := a.startFaultLine(ctx, filepath.Join(dir, "shaken"), base, in, plan.Pauses > 0)
	if err != nil {
		return nil, err
	}
	defer line.close()
	if err := line.start(ctx, in); err != nil {
		return nil, err
	}
	begin := time.Now()
	if err := line.shake(ctx, in, plan, r, say); err != nil {
		return r, err
	}
	say("the faults are over: waiting until all is stored and projected")
	last := time.Now()
	st, err := line.settle(ctx, r.Events, plan.Bound)
	r.Seconds, r.ConvergedSeconds = time.Since(begin).Seconds(), time.Since(last).Seconds()
	if ctx.Err() != nil {
		return r, ctx.Err()
	}
	if err != nil {
		r.broken("%v", err)
	}
	line.mu.Lock()
	for i := range r.Roles {
		r.Roles[i].Recoveries = max(0, line.ready[r.Roles[i].Role]-1)
	}
	line.mu.Unlock()
	stored, repeats, err := line.stored(ctx)
	if err != nil {
		return r, err
	}
	r.judge(in.oracle, stored, repeats, st)
	return r, nil
}

// judge compares what is stored with the input, and the projections with the undisturbed ones.
func (r *faultReport) judge(oracle, stored *tally, repeats int64, st *pb.GetStatusResponse) {
	r.Repeats = repeats
	r.Lost, r.Doubled = oracle.compare(stored)
	if r.Lost > 0 {
		r.broken("%d input lines are not stored", r.Lost)
	}
	if r.Doubled > 0 {
		r.broken("%d stored events are beyond the input", r.Doubled)
	}
	for kind := range factKind {
		if k := factKind[kind]; oracle.Count[k] != stored.Count[k] {
			r.broken("%s: %d input lines, %d stored", kind, oracle.Count[k], stored.Count[k])
		}
	}
	if oracle.Sum != stored.Sum {
		r.broken("sums of the input %+v, stored %+v", oracle.Sum, stored.Sum)
	}
	r.Checksum = st.GetChecksum()
	r.ChecksumEqual = r.Checksum != "" && r.Checksum == r.ChecksumUndisturbed
	if !r.ChecksumEqual {
		r.broken("the projections are not those of the undisturbed run: checksum %q, undisturbed %q", r.Checksum, r.ChecksumUndisturbed)
	}
	if n := st.GetDead(); n > 0 {
		r.broken("%d dead letters", n)
	}
	for _, p := range st.GetPresses() {
		if n := missing(p.GetHoles()); n > 0 {
			r.broken("%s: holes of %d events", p.GetPress(), n)
		}
	}
}

// calmRun feeds all at once and leaves the line in peace.
func (a *app) calmRun(ctx context.Context, dir string, base *Config, in *faultInput, bound time.Duration) (*pb.GetStatusResponse, *tally, error) {
	line, err := a.startFaultLine(ctx, dir, base, in, false)
	if err != nil {
		return nil, nil, err
	}
	defer line.close()
	if err := line.start(ctx, in); err != nil {
		return nil, nil, err
	}
	feed := newFeeder(in, dir)
	if err := feed.upTo(1); err != nil {
		return nil, nil, err
	}
	// The oracle reads the files that the agent reads, not what they were made from.
	if in.oracle, err = tallyFiles(feed.paths); err != nil {
		return nil, nil, err
	}
	st, err := line.settle(ctx, in.oracle.Sum.Events, bound)
	if err != nil {
		return nil, nil, err
	}
	stored, _, err := line.stored(ctx)
	return st, stored, err
}

// tallyFiles is the oracle over several files.
func tallyFiles(paths []string) (*tally, error) {
	all := newTally()
	for _, path := range paths {
		f, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		t, err := tallyLines(f)
		f.Close()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		for fact, n := range t.Facts {
			all.add(fact, n)
		}
	}
	return all, nil
}

// feeder appends the input to the files that the agent follows, cut anywhere, in the middle of a line too.
type feeder struct {
	in    *faultInput
	paths []string
	done  []int // bytes written, by file
}

func newFeeder(in *faultInput, dir string) *feeder {
	f := &feeder{in: in, done: make([]int, len(in.files))}
	for _, name := range in.names {
		f.paths = append(f.paths, filepath.Join(dir, name))
	}
	return f
}

// upTo writes until a share (0 to 1) of every file stands there.
func (f *feeder) upTo(share float64) error {
	for i, text := range f.in.files {
		to := min(len(text), int(share*float64(len(text))))
		if share >= 1 {
			to = len(text)
		}
		if to <= f.done[i] {
			continue
		}
		file, err := os.OpenFile(f.paths[i], os.O_WRONLY|os.O_APPEND, 0)
		if err != nil {
			return err
		}
		_, err = file.Write(text[f.done[i]:to])
		if err := errors.Join(err, file.Close()); err != nil {
			return err
		}
		f.done[i] = to
	}
	return nil
}

// shake kills and pauses parts while the input comes in, a share before each kill.
func (f *faultLine) shake(ctx context.Context, in *faultInput, plan faultPlan, r *faultReport, say func(string)) error {
	rng := rand.New(rand.NewPCG(plan.Seed, 0x0fa1175))
	feed := newFeeder(in, f.dir)
	role := map[string]int{}
	for _, c := range f.sup.States() {
		role[c.Name] = len(r.Roles)
		r.Roles = append(r.Roles, faultRole{Role: c.Name})
	}
	pauseAt := map[int]bool{}
	for range min(plan.Pauses, plan.Kills) {
		for k := rng.IntN(plan.Kills); ; k = rng.IntN(plan.Kills) {
			if !pauseAt[k] {
				pauseAt[k] = true
				break
			}
		}
	}
	var pauses sync.WaitGroup
	defer pauses.Wait()
	var deck []int
	for k := range plan.Kills {
		if err := feed.upTo(float64(k+1) / float64(plan.Kills+1)); err != nil {
			return err
		}
		if pauseAt[k] {
			name := []string{"ingest", "ingest-2"}[rng.IntN(2)]
			held := 6*time.Second + time.Duration(rng.Int64N(int64(3*time.Second))) // the lease is 5 s
			pid, err := f.pid(ctx, name)
			if err != nil {
				return err
			}
			if err := pause(pid); err == nil {
				r.Pauses++
				pauses.Go(func() {
					select {
					case <-time.After(held):
					case <-ctx.Done():
					}
					resume(pid)
				})
			}
		}
		wait := time.Duration(min(3, rng.ExpFloat64()) * float64(plan.Gap))
		if len(deck) == 0 { // every part once, in an order of chance, then again
			deck = rng.Perm(len(r.Roles))
		}
		who := &r.Roles[deck[0]]
		deck = deck[1:]
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
		pid, err := f.pid(ctx, who.Role)
		if err != nil {
			return err
		}
		if err := kill9(pid); err != nil {
			return fmt.Errorf("kill %s: %w", who.Role, err)
		}
		who.Kills++
		r.Kills++
		say(fmt.Sprintf("%d of %d kills", r.Kills, plan.Kills))
	}
	return feed.upTo(1)
}
