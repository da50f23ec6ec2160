package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

// plantPresses is how many presses a plant of a large fleet has.
const plantPresses = 25

// lossFleet makes press-days and facts of a large fleet: what a fold gives for the presses of the simulated fleet on
// some weeks, each press-day one of them on the same day of the week with every amount changed a little, jobs of its own.
type lossFleet struct {
	plan   lossPlan
	last   timeline.Day
	plants []*pb.Plant
	shape  [][]shapeDay // by simulated press, by day from a Monday on
}

type shapeDay struct {
	day   timeline.PressDay
	facts []timeline.ShiftFact
}

// newLossFleet folds the simulated fleet in a database of its own.
func newLossFleet(ctx context.Context, e *benchEngine, plan lossPlan, say func(string)) (*lossFleet, error) {
	sim, err := fleetsim.New(fleetsim.Config{Seed: plan.Seed, Weeks: plan.Weeks})
	if err != nil {
		return nil, err
	}
	last, err := timeline.ParseDay(sim.Last().String())
	if err != nil {
		return nil, err
	}
	f := &lossFleet{plan: plan, last: last, shape: make([][]shapeDay, sim.Len())}
	for k := range (plan.Presses + plantPresses - 1) / plantPresses {
		p := fleetsim.Plants()[k%2]
		p.Plant = fmt.Sprintf("%s-%02d", p.Plant, k+1)
		like := p.Presses
		p.Presses = nil
		for i := range min(plantPresses, plan.Presses-k*plantPresses) {
			x := proto.CloneOf(like[i%len(like)])
			x.Press = fmt.Sprintf("p%d", i+1)
			p.Presses = append(p.Presses, x)
		}
		keepPlans(p)
		keepNamed(p)
		f.plants = append(f.plants, p)
	}
	db, err := e.open(ctx, "shape")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	for i, p := range sim.Plants() {
		if err := db.InsertRegistry(ctx, &pb.RegistryRevision{Rev: uint64(i + 1), Plant: p, AppliedAt: timestamppb.Now()}); err != nil {
			return nil, err
		}
	}
	presses, err := projector.Presses(ctx, db)
	if err != nil {
		return nil, err
	}
	for i := range sim.Len() {
		say(fmt.Sprintf("folding the simulated fleet: press %d of %d", i+1, sim.Len()))
		if err := storeSimulated(ctx, db, sim, i); err != nil {
			return nil, fmt.Errorf("simulate %s: %w", sim.Press(i), err)
		}
		fold, err := projector.Load(ctx, db, nil, presses[sim.Press(i)], 0)
		if err != nil {
			return nil, err
		}
		if fold == nil {
			return nil, fmt.Errorf("simulate %s: nothing is stored", sim.Press(i))
		}
		rows, err := fold.Run()
		if err != nil {
			return nil, err
		}
		f.shape[i] = make([]shapeDay, plan.Weeks*7)
		first := last - timeline.Day(plan.Weeks*7) + 1
		for _, d := range rows.Days {
			if n := int(d.Day - first); n >= 0 && n < len(f.shape[i]) {
				f.shape[i][n].day = d
			}
		}
		for _, x := range rows.Facts {
			if n := int(x.Day - first); n >= 0 && n < len(f.shape[i]) {
				f.shape[i][n].facts = append(f.shape[i][n].facts, x)
			}
		}
	}
	return f, db.Conn().Exec(ctx, "DROP DATABASE shape SYNC")
}

// keepNamed drops what the document says of presses that are not there.
func keepNamed(p *pb.Plant) {
	there := map[string]bool{}
	for _, x := range p.Presses {
		there[x.Press] = true
	}
	keep := func(names []string) ([]string, bool) {
		var out []string
		for _, n := range names {
			if there[n] {
				out = append(out, n)
			}
		}
		return out, len(names) == 0 || len(out) > 0
	}
	calendars, extra, maintenance := p.Calendars, p.ExtraShifts, p.MaintenanceWindows
	p.Calendars, p.ExtraShifts, p.MaintenanceWindows = nil, nil, nil
	for _, c := range calendars {
		if names, ok := keep(c.Presses); ok {
			c.Presses = names
			p.Calendars = append(p.Calendars, c)
		}
	}
	for _, c := range extra {
		if names, ok := keep(c.Presses); ok {
			c.Presses = names
			p.ExtraShifts = append(p.ExtraShifts, c)
		}
	}
	for _, c := range maintenance {
		if names, ok := keep(c.Presses); ok {
			c.Presses = names
			p.MaintenanceWindows = append(p.MaintenanceWindows, c)
		}
	}
}

// storeSimulated puts the events of one simulated press into the log as ingest would.
func storeSimulated(ctx context.Context, db *warehouse.DB, sim *fleetsim.Sim, i int) error {
	plant, press, _ := strings.Cut(sim.Press(i), "/")
	months := map[int][]*pb.Event{}
	keys := map[string]*pb.Event{}
	seq := uint64(0)
	epoch := uint64(i + 1)
	for d := sim.First(); d <= sim.Last(); d++ {
		var buf bytes.Buffer
		if _, err := sim.Day(i, d, &buf); err != nil {
			return err
		}
		for sc := bufio.NewScanner(&buf); sc.Scan(); {
			e := new(pb.Event)
			if err := protojson.Unmarshal(sc.Bytes(), e); err != nil {
				return err
			}
			at, ok := warehouse.OccurredAt(e)
			if !ok {
				return fmt.Errorf("an event without an instant: %s", sc.Text())
			}
			e.OccurredAt = stampMs(at)
			seq++
			e.Plant, e.Press, e.Epoch, e.Seq = plant, press, epoch, seq
			keys[e.SourceKey] = e
			if v := e.GetVoided(); v != nil {
				if t := keys[v.TargetSourceKey]; t != nil {
					v.Epoch, v.FirstSeq, v.LastSeq, v.Earliest = epoch, t.Seq, t.Seq, t.OccurredAt
				}
			}
			m := warehouse.Month(at)
			months[m] = append(months[m], e)
		}
	}
	for m, evs := range months {
		if err := db.InsertEvents(ctx, evs, uint64(i*1000+m%1000+1)); err != nil {
			return err
		}
	}
	return db.InsertEpochs(ctx, []warehouse.EpochLow{{Plant: plant, Press: press, Epoch: epoch, Seq: 1, Recorded: time.Now().UnixMilli()}})
}

// first is the fleet's first production day.
func (f *lossFleet) first() timeline.Day { return f.last - timeline.Day(f.plan.Days) + 1 }

// row makes one press-day and its facts as written for the n-th time.
func (f *lossFleet) row(k, i int, d timeline.Day, version uint64, out *timeline.Projections) {
	shapes := f.shape[(k%2)*6+i%6]
	pick := rand.New(rand.NewPCG(f.plan.Seed+uint64(k)<<32+uint64(i), uint64(d)))
	// The last day of a shape is a Sunday, as is the fleet's.
	weekday := 6 - int(f.last-d)%7
	s := &shapes[pick.IntN(f.plan.Weeks)*7+weekday]
	if s.day.Plant == "" {
		s = &shapes[weekday] // a press that the simulation has not seen on that day
	}
	rng := rand.New(rand.NewPCG(pick.Uint64(), version))
	plant, press := f.plants[k].Plant, f.plants[k].Presses[i].Press
	some := func(v int64, low, high float64) int64 { return int64(float64(v) * (low + (high-low)*rng.Float64())) }

	p := s.day
	if p.Plant == "" {
		p.Currency = f.plants[k].Currency
	}
	p.Plant, p.Press, p.Day = plant, press, d
	shift := int64(d-s.day.Day) * 24 * timeline.Hour
	for _, at := range []*int64{&p.FirstRun, &p.LastRun, &p.Through} {
		if *at != 0 {
			*at += shift
		}
	}
	p.Valuable, p.Good, p.Made = some(p.Valuable, 0.94, 1.02), some(p.Good, 0.94, 1.02), some(p.Made, 0.96, 1.02)
	p.RunMM, p.RunWaste, p.SetupRunWaste, p.PlannedMM = some(p.RunMM, 0.95, 1.05), some(p.RunWaste, 0.8, 1.2), some(p.SetupRunWaste, 0.8, 1.2), some(p.PlannedMM, 0.9, 1.1)
	rest := p.PBT*1000 - p.Valuable
	for l := range p.In {
		for _, a := range []*timeline.LeafAmount{&p.In[l], &p.Out[l]} {
			a.US, a.MM, a.Material = some(a.US, 0.85, 1.1), some(a.MM, 0.85, 1.1), some(a.Material, 0.85, 1.1)
		}
		if l != int(loss.OtherSlow) {
			rest -= p.In[l].US
		}
	}
	p.In[loss.OtherSlow].US = rest // leaves and valuable operating time are the planned time
	out.Days = append(out.Days, p)
	for _, x := range s.facts {
		x.Plant, x.Press, x.Day = plant, press, d
		if x.Job != "" {
			x.Job = fmt.Sprintf("%s-%d", x.Job, int(d)/5)
		}
		x.Dur, x.Good, x.Waste, x.Material = some(x.Dur, 0.85, 1.1), some(x.Good, 0.9, 1.05), some(x.Waste, 0.8, 1.2), some(x.Material, 0.8, 1.2)
		out.Facts = append(out.Facts, x)
	}
}

// fill writes the whole fleet, a plant at a time, through the projections' own writer.
func (f *lossFleet) fill(ctx context.Context, db *warehouse.DB, say func(string)) (days, facts int64, err error) {
	for k, p := range f.plants {
		var rows timeline.Projections
		for i := range p.Presses {
			for d := f.first(); d <= f.last; d++ {
				f.row(k, i, d, 1, &rows)
			}
		}
		if err := db.WriteProjections(ctx, warehouse.Live, rows, timeline.Projections{}, 1); err != nil {
			return days, facts, err
		}
		days, facts = days+int64(len(rows.Days)), facts+int64(len(rows.Facts))
		say(fmt.Sprintf("%d of %d plants, %s press-days, %s facts", k+1, len(f.plants), grouped(days), grouped(facts)))
	}
	return days, facts, nil
}

// rewrite writes a share of the press-days again, spread over presses and days, in one INSERT for each fifty plants.
func (f *lossFleet) rewrite(ctx context.Context, db *warehouse.DB, share float64) (days int64, err error) {
	rng := rand.New(rand.NewPCG(f.plan.Seed, 77))
	var rows timeline.Projections
	for k, p := range f.plants {
		for i := range p.Presses {
			for d := f.first(); d <= f.last; d++ {
				if rng.Float64() < share {
					f.row(k, i, d, 2, &rows)
				}
			}
		}
		if k%50 == 49 || k == len(f.plants)-1 {
			if err := db.WriteProjections(ctx, warehouse.Live, rows, timeline.Projections{}, 2); err != nil {
				return days, err
			}
			days += int64(len(rows.Days))
			rows = timeline.Projections{}
		}
	}
	return days, nil
}
