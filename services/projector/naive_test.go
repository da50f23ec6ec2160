package projector

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/projector/naive"
	"github.com/downweb/downweb/services/registry"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// bed is a database with any number of plants.
type bed struct {
	env
	rev    uint64
	plants map[string]*pb.Plant
}

func newBed(t *testing.T) *bed {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Minute)
	t.Cleanup(cancel)
	db, err := warehouse.Open(ctx, warehouse.Config{DSN: warehousetest.DSN(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return &bed{plants: map[string]*pb.Plant{}, env: env{t: t, ctx: ctx, db: db, p: New(Config{}, db, testStore{db})}}
}

// apply makes a plant document current.
func (b *bed) apply(plant *pb.Plant) {
	b.t.Helper()
	if problems := registry.Validate(plant); len(problems) > 0 {
		b.t.Fatal(problems)
	}
	var marks []warehouse.Dirty
	for press, from := range registry.DirtyFor(b.plants[plant.Plant], plant) {
		marks = append(marks, warehouse.Dirty{Plant: plant.Plant, Press: press, From: from})
	}
	if err := b.db.MarkDirty(b.ctx, marks); err != nil {
		b.t.Fatal(err)
	}
	b.plants[plant.Plant] = plant
	b.rev++
	if err := b.db.InsertRegistry(b.ctx, &pb.RegistryRevision{Rev: b.rev, Plant: plant, AppliedAt: timestamppb.Now()}); err != nil {
		b.t.Fatal(err)
	}
}

// feed stores events month by month as ingest does: the epochs' lowest seqs and
// what gets dirty before the events themselves.
func (b *bed) feed(evs []*pb.Event) {
	b.t.Helper()
	low := map[uint64]*pb.Event{}
	marks := make([]warehouse.Dirty, 0, len(evs))
	for _, e := range evs {
		if l := low[e.Epoch]; l == nil || e.Seq < l.Seq {
			low[e.Epoch] = e
		}
		from := dirtyFrom(e)
		var start int64
		var ok bool
		var err error
		if c := e.GetJobCorrected(); c != nil {
			start, ok, err = b.db.JobStart(b.ctx, e.Plant, e.Press, c.Job)
		}
		if v := e.GetVoided(); v != nil {
			start, ok, err = b.db.VoidedJobStart(b.ctx, e.Plant, e.Press, v.Epoch, v.FirstSeq, v.LastSeq)
		}
		if err != nil {
			b.t.Fatal(err)
		}
		if ok {
			from = min(from, start)
		}
		marks = append(marks, warehouse.Dirty{Plant: e.Plant, Press: e.Press, From: from})
	}
	var lows []warehouse.EpochLow
	for _, e := range low {
		lows = append(lows, warehouse.EpochLow{Plant: e.Plant, Press: e.Press, Epoch: e.Epoch, Seq: e.Seq, Recorded: e.RecordedAt.AsTime().UnixMilli()})
	}
	if err := b.db.InsertEpochs(b.ctx, lows); err != nil {
		b.t.Fatal(err)
	}
	if err := b.db.MarkDirty(b.ctx, marks); err != nil {
		b.t.Fatal(err)
	}
	evs = slices.Clone(evs)
	slices.SortStableFunc(evs, func(x, y *pb.Event) int {
		return cmp.Compare(x.OccurredAt.AsTime().UnixMilli(), y.OccurredAt.AsTime().UnixMilli())
	})
	for len(evs) > 0 {
		month, n := evs[0].OccurredAt.AsTime().Format("2006-01"), 1
		for n < len(evs) && evs[n].OccurredAt.AsTime().Format("2006-01") == month {
			n++
		}
		b.pos++
		if err := b.db.InsertEvents(b.ctx, evs[:n], b.pos); err != nil {
			b.t.Fatal(err)
		}
		evs = evs[n:]
	}
}

func (b *bed) days(plant, press string) map[string]timeline.PressDay {
	b.t.Helper()
	rows, _, err := b.db.ReadProjections(b.ctx, warehouse.Live, plant, press, timeline.NoDay)
	if err != nil {
		b.t.Fatal(err)
	}
	out := map[string]timeline.PressDay{}
	for _, r := range rows.Days {
		out[r.Day.String()] = r
	}
	return out
}

// differences holds the stored press-days of one press against the oracle's.
func differences(want *naive.Result, got map[string]timeline.PressDay) []string {
	var out []string
	names := map[string]bool{}
	for d := range want.Days {
		names[d] = true
	}
	for d := range got {
		names[d] = true
	}
	var days []string
	for d := range names {
		days = append(days, d)
	}
	slices.Sort(days)
	for _, d := range days {
		w, ok := want.Days[d]
		if !ok {
			out = append(out, d+": a day the oracle does not know")
			continue
		}
		g, ok := got[d]
		if !ok {
			out = append(out, d+": no row")
			continue
		}
		out = append(out, dayDifferences(w, &g)...)
	}
	return out
}

// mayRound is how much of time (µs) a millimeter may make, at the slowest speed.
const mayRound = 60_000_000 / 20_000

func dayDifferences(w *naive.Day, g *timeline.PressDay) []string {
	var out []string
	say := func(what string, got int64, want *big.Rat, slack int64) {
		if diff := got - naive.Round(want); diff > slack || diff < -slack {
			out = append(out, fmt.Sprintf("%s: %s is %d, the oracle has %s (may round by %d)", w.Day, what, got, want.FloatString(3), slack))
		}
	}
	count := func(what string, got, want int64) {
		if got != want {
			out = append(out, fmt.Sprintf("%s: %s is %d, the oracle has %d", w.Day, what, got, want))
		}
	}
	count("planned busy time (ms)", g.PBT, w.PBT)
	count("actual production time (ms)", g.APT, w.APT)
	count("measured (ms)", g.Measured, w.Measured)
	count("stated (ms)", g.Stated, w.Stated)
	count("unknown (ms)", g.Unknown, w.Unknown)
	count("overlap (ms)", g.OverlapMS, w.LostMS)
	count("run (ms)", g.RunMS, w.RunMS)
	say("overlap (mm)", g.OverlapMM, w.LostMM, w.Slack)
	say("good (mm)", g.Good, w.Good, w.Slack)
	say("made (mm)", g.Made, w.Made, w.Slack)
	say("extra good (mm)", g.ExtraGood, w.ExtraGood, w.Slack)
	say("good outside (mm)", g.GoodOutside, w.GoodOutside, w.Slack)
	say("assumed (mm)", g.AssumedMM, w.AssumedMM, w.Slack)
	say("downstream (mm)", g.Downstream, w.Downstream, w.Slack)
	say("spill (ms)", g.NoteSpill, w.Spill, 0)
	say("no record (µs)", g.PartNoRecord, thousand(w.NoRecord), 0)
	say("contamination stop: cleaning (µs)", g.PartDirtCleaning, thousand(w.DirtCleaning), 0)
	say("set-up: cleaning (µs)", g.PartSetupCleaning, thousand(w.SetupCleaning), 0)
	say("valuable (µs)", g.Valuable, w.Valuable, w.Slack*mayRound)
	if !w.Open {
		say("excess (mm)", g.Excess, w.Excess, w.Slack)
	}
	micro := new(big.Rat).Mul(w.HourRate, big.NewRat(1_000_000, 1))
	say("hour (millionths)", g.HourMicro, micro, 0)
	if g.Constrained != w.Constrained {
		out = append(out, fmt.Sprintf("%s: constrained is %v", w.Day, g.Constrained))
	}
	// Whoever yields, the waste of a day stays what it is.
	var mm, outMM, took int64
	wantMM, wantOut, wantUS := new(big.Rat), new(big.Rat), new(big.Rat)
	for l := loss.SetupWaste; l <= loss.UnbookedWaste; l++ {
		in, outside := naive.Of(w.In, naive.Leaf(l.Slug())), naive.Of(w.Out, naive.Leaf(l.Slug()))
		mm, outMM, took = mm+g.In[l].MM, outMM+g.Out[l].MM, took+g.In[l].US
		wantMM.Add(wantMM, in.MM)
		wantOut.Add(wantOut, outside.MM)
		wantUS.Add(wantUS, in.US)
	}
	say("waste of all causes inside (mm)", mm, wantMM, w.Slack)
	say("waste of all causes outside (mm)", outMM, wantOut, w.Slack)
	say("waste of all causes inside (µs)", took, wantUS, 10+w.Slack*mayRound)
	sum := g.Valuable
	for l := loss.LeafProduction; l < loss.NumLeaves; l++ {
		in, outside := naive.Of(w.In, naive.Leaf(l.Slug())), naive.Of(w.Out, naive.Leaf(l.Slug()))
		if l.IsLoss() {
			sum += g.In[l].US
		}
		booked := l.Factor() == loss.FactorQuality && l != loss.OutsideWaste
		if w.Open && booked {
			continue
		}
		slack := int64(0)
		if booked || l == loss.ContaminationSlow || l == loss.OtherSlow {
			slack = w.Slack * mayRound
		}
		if l != loss.LeafProduction {
			say(l.Slug()+" inside (µs)", g.In[l].US, in.US, slack)
			say(l.Slug()+" inside (mm)", g.In[l].MM, in.MM, w.Slack)
			say(l.Slug()+" inside (billionths)", g.In[l].Material, billion(in.Material), w.Slack*5_000_000)
		}
		say(l.Slug()+" outside (µs)", g.Out[l].US, outside.US, slack)
		say(l.Slug()+" outside (mm)", g.Out[l].MM, outside.MM, w.Slack)
		say(l.Slug()+" outside (billionths)", g.Out[l].Material, billion(outside.Material), w.Slack*5_000_000)
	}
	count("sum of leaves and valuable operating time (µs)", sum, g.PBT*1000)
	return out
}

func thousand(r *big.Rat) *big.Rat { return new(big.Rat).Mul(r, big.NewRat(1000, 1)) }

func billion(r *big.Rat) *big.Rat { return new(big.Rat).Mul(r, big.NewRat(1_000_000_000, 1)) }

// The oracle itself on the shifts that were worked by hand, and the real path
// beside it.
func TestNaiveWorkedShifts(t *testing.T) {
	b := newBed(t)
	plant := workedPlant(t)
	b.apply(plant)
	all := [][]*pb.Event{identify(earlyShift().evs, 11), identify(lateShift(true).evs, 12), identify(springNight().evs, 13)}
	for _, evs := range all {
		b.feed(evs)
	}
	b.project()
	minutes := func(s string) *big.Rat {
		r, _ := new(big.Rat).SetString(s)
		return r.Mul(r, big.NewRat(60_000_000, 1))
	}
	type want struct {
		press, day, pbt string
		valuable        string
		leaves          map[string][2]string // minutes, meters
	}
	for i, x := range []want{
		{"p1", "2026-06-15", "450", "290.3", map[string][2]string{"planned_cleaning": {"22", "0"}, "setup": {"78", "0"}, "other_breakdown": {"12", "0"},
			"waiting": {"8", "0"}, "other_slow": {"33", "0"}, "setup_waste": {"1/3", "390"}, "splice_waste": {"0.6", "60"},
			"material_waste": {"0.8", "96"}, "unbooked_waste": {"149/30", "540"}}},
		{"p2", "2026-06-15", "450", "293.125", map[string][2]string{"planned_cleaning": {"33", "0"}, "cleaning_overrun": {"12", "0"},
			"contamination_stop": {"30", "0"}, "other_breakdown": {"5", "0"}, "waiting": {"10", "0"}, "unaccounted": {"30", "0"},
			"contamination_slow": {"3.75", "0"}, "other_slow": {"25.5", "0"}, "contamination_waste": {"0.875", "70"},
			"splice_waste": {"0.28125", "22.5"}, "other_waste": {"0.46875", "37.5"}, "unbooked_waste": {"6", "480"}}},
		{"p3", "2026-03-28", "390", "285.3", map[string][2]string{"planned_cleaning": {"10", "0"}, "contamination_stop": {"35", "0"}, "setup": {"30", "0"},
			"waiting": {"10", "0"}, "other_slow": {"13.5", "0"}, "setup_waste": {"0", "120"}, "restart_waste": {"0.9", "90"}, "unbooked_waste": {"5.3", "530"}}},
	} {
		res := naive.Walk(plant, x.press, all[i], naive.Options{})
		day := res.Days[x.day]
		if day == nil {
			t.Fatalf("%s: no day", x.press)
		}
		if got := big.NewRat(day.PBT*1000, 1); got.Cmp(minutes(x.pbt)) != 0 {
			t.Errorf("%s: planned busy time %s µs", x.press, got)
		}
		if day.Valuable.Cmp(minutes(x.valuable)) != 0 {
			t.Errorf("%s: valuable operating time %s µs", x.press, day.Valuable)
		}
		for l := loss.PlannedCleaning; l <= loss.OutsideWaste; l++ {
			a, v := naive.Of(day.In, naive.Leaf(l.Slug())), x.leaves[l.Slug()]
			if v[0] == "" {
				v = [2]string{"0", "0"}
			}
			mm, _ := new(big.Rat).SetString(v[1])
			mm.Mul(mm, big.NewRat(1000, 1))
			if a.US.Cmp(minutes(v[0])) != 0 || a.MM.Cmp(mm) != 0 {
				t.Errorf("%s: %s is %s µs, %s mm", x.press, l.Slug(), a.US.FloatString(1), a.MM.FloatString(1))
			}
			price := new(big.Rat).Mul(mm, big.NewRat(3, 10_000))
			if a.Material.Cmp(price) != 0 {
				t.Errorf("%s: %s costs %s", x.press, l.Slug(), a.Material.FloatString(4))
			}
		}
		for _, s := range differences(res, b.days("rhein", x.press)) {
			t.Errorf("%s: %s", x.press, s)
		}
		switch x.press {
		case "p2":
			if day.Spill.Cmp(big.NewRat(120_000, 1)) != 0 || day.Excess.Cmp(big.NewRat(20_000, 1)) != 0 || day.Measured+day.Stated != 420*60_000 {
				t.Errorf("late shift: spill %s ms, excess %s mm, known %d ms", day.Spill, day.Excess, day.Measured+day.Stated)
			}
			if o := naive.Of(day.Out, naive.CleaningOverrun).US; o.Cmp(minutes("10")) != 0 {
				t.Errorf("late shift: overrun outside %s µs", o)
			}
		case "p3":
			if o := naive.Of(day.Out, naive.CleaningInBreak).US; o.Cmp(minutes("30")) != 0 {
				t.Errorf("spring night: in the break %s µs", o)
			}
		}
	}
}

func workedPlant(t *testing.T) *pb.Plant {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(scenario, "plant.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	plant, problems := registry.ValidateYAML(data)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return plant
}

var (
	naiveSeed = flag.Uint64("naive-seed", 0, "one fleet only: its seed")
	naiveTo   = flag.Uint64("naive-to", 0, "with naive-seed: fleets up to this seed")
	naiveLog  = flag.Bool("naive-log", false, "say what each fleet held")
)

// Random fleets, through the warehouse and the whole fold, against the oracle.
// A difference names the seed: go test -run NaiveFleets -naive-seed N.
func TestNaiveFleets(t *testing.T) {
	seeds, presses := 5, 2
	if os.Getenv("DOWNWEB_LONG") == "1" {
		seeds, presses = 64, 5
	}
	first, last := uint64(1), uint64(seeds)
	if *naiveSeed != 0 {
		first, last = *naiveSeed, max(*naiveSeed, *naiveTo)
	}
	b := newBed(t)
	for seed := first; seed <= last; seed++ {
		f := newFleet(seed, presses, seed%4 == 3)
		logs := map[string][]*pb.Event{}
		for _, p := range f.plant.Presses {
			logs[p.Press] = f.events(p.Press)
		}
		b.arrive(f, logs, seed)
		for _, p := range f.plant.Presses {
			res := naive.Walk(f.plant, p.Press, logs[p.Press], naive.Options{})
			diff := differences(res, b.days(f.plant.Plant, p.Press))
			diff = append(diff, b.sums(f.plant.Plant, p.Press, res)...)
			if *naiveLog {
				t.Logf("seed %d %s: %d events, %d days, %d differences", seed, p.Press, len(logs[p.Press]), len(res.Days), len(diff))
			}
			for i, s := range diff {
				if i == 12 {
					t.Errorf("seed %d %s: and %d more", seed, p.Press, len(diff)-i)
					break
				}
				t.Errorf("seed %d %s: %s", seed, p.Press, s)
			}
		}
	}
}

// arrive brings a fleet's events into the warehouse. Every second fleet comes in
// three parts by when they were recorded, each projected before the next, and
// the registry hears of its later entries in between.
func (b *bed) arrive(f *fleet, logs map[string][]*pb.Event, seed uint64) {
	b.t.Helper()
	if seed%2 == 1 {
		b.apply(f.plant)
		for _, p := range f.plant.Presses {
			b.feed(logs[p.Press])
		}
		b.project()
		return
	}
	b.apply(before(f.plant, f.date(1)))
	parts := make([][]*pb.Event, 3)
	for _, p := range f.plant.Presses {
		evs := slices.Clone(logs[p.Press])
		slices.SortStableFunc(evs, func(x, y *pb.Event) int { return x.RecordedAt.AsTime().Compare(y.RecordedAt.AsTime()) })
		for i, e := range evs {
			n := 3 * i / len(evs)
			if f.rng.IntN(20) == 0 { // late on its way
				n = 2
			}
			parts[n] = append(parts[n], e)
		}
	}
	for i, part := range parts {
		for len(part) > 0 { // one press after the other, as frames come
			n := slices.IndexFunc(part, func(e *pb.Event) bool { return e.Press != part[0].Press })
			if n < 0 {
				n = len(part)
			}
			b.feed(part[:n])
			part = part[n:]
		}
		if i == 1 {
			b.apply(f.plant)
		}
		b.project()
	}
}

// before is a document as it was before anything valid from a date on, extra
// shifts, closures and windows were entered.
func before(p *pb.Plant, date string) *pb.Plant {
	q := proto.Clone(p).(*pb.Plant)
	q.Calendars = slices.DeleteFunc(q.Calendars, func(c *pb.Calendar) bool { return c.ValidFrom >= date })
	q.Plans = slices.DeleteFunc(q.Plans, func(c *pb.CleaningPlan) bool { return c.ValidFrom >= date })
	q.WebRates = slices.DeleteFunc(q.WebRates, func(c *pb.WebRate) bool { return c.ValidFrom >= date })
	q.ExtraShifts, q.Closures, q.MaintenanceWindows = nil, nil, nil
	for _, x := range q.Presses {
		x.Rates = slices.DeleteFunc(x.Rates, func(c *pb.PressRate) bool { return c.ValidFrom >= date })
	}
	return q
}

// sums holds what queries add up over all days against the oracle: money of
// time by basis, and planned time by shift and leaf.
func (b *bed) sums(plant, press string, want *naive.Result) []string {
	b.t.Helper()
	var out []string
	type key struct {
		constrained bool
		leaf        loss.Leaf
	}
	priced, slack := map[key]*big.Rat{}, map[key]*big.Rat{}
	shifts := map[string]*big.Rat{}
	for _, d := range want.Days {
		for l := loss.PlannedCleaning; l <= loss.UnbookedWaste; l++ {
			k := key{d.Constrained, l}
			if priced[k] == nil {
				priced[k], slack[k] = new(big.Rat), new(big.Rat)
			}
			micro := new(big.Rat).Mul(d.HourRate, big.NewRat(1_000_000, 1))
			priced[k].Add(priced[k], new(big.Rat).Mul(micro, naive.Of(d.In, naive.Leaf(l.Slug())).US))
			// Each press-day is rounded to whole µs; other slow is what remains of nine such.
			may := big.NewRat(10, 1)
			if l.Factor() != loss.FactorAvailability {
				may.Add(may, big.NewRat(d.Slack*mayRound, 1))
			}
			if d.Open {
				may.Add(may, big.NewRat(d.PBT*1000, 1))
			}
			slack[k].Add(slack[k], may.Mul(may, micro))
		}
		for shift, leaves := range d.Shift {
			for l, n := range leaves {
				id := shift + " " + string(l)
				if shifts[id] == nil {
					shifts[id] = new(big.Rat)
				}
				shifts[id].Add(shifts[id], n)
			}
		}
	}
	id := []string{plant + "/" + press}
	first, _ := timeline.ParseDay("2020-01-01")
	sums, err := b.db.LossSums(b.ctx, warehouse.ByPress, id, first, first+3650)
	if err != nil {
		b.t.Fatal(err)
	}
	for _, s := range sums {
		for l := loss.PlannedCleaning; l <= loss.UnbookedWaste; l++ {
			k := key{s.Constrained, l}
			if priced[k] == nil || s.Priced[l] == nil {
				continue
			}
			diff := new(big.Rat).Sub(new(big.Rat).SetInt(s.Priced[l]), priced[k])
			if diff.Abs(diff).Cmp(slack[k]) > 0 {
				out = append(out, fmt.Sprintf("money of %s time is off by %s of a currency unit", l.Slug(), diff.Quo(diff, big.NewRat(3_600_000_000_000_000, 1)).FloatString(6)))
			}
		}
	}
	facts, err := b.db.FactSums(b.ctx, warehouse.FactsByShift, id, first, first+3650)
	if err != nil {
		b.t.Fatal(err)
	}
	stored := map[string]int64{}
	for _, f := range facts {
		if f.Planned {
			stored[f.Key+" "+loss.Leaf(f.Leaf).Slug()] += f.Dur
		}
	}
	for id, n := range shifts {
		if new(big.Rat).SetInt64(stored[id]).Cmp(n) != 0 {
			out = append(out, fmt.Sprintf("planned ms of shift and leaf %q are %d, the oracle has %s", id, stored[id], n.FloatString(1)))
		}
		delete(stored, id)
	}
	for id, n := range stored {
		if n != 0 {
			out = append(out, fmt.Sprintf("planned ms of shift and leaf %q are %d, the oracle has none", id, n))
		}
	}
	return out
}

// Walking from instant to instant books the same as taking each millisecond.
func TestNaiveEveryMillisecond(t *testing.T) {
	f := newFleet(3, 1, true)
	evs := f.events("p1")
	looked := 0
	for _, e := range evs {
		if e.GetStationSignedOff() == nil && e.GetReasonNoted() == nil || looked == 3 {
			continue
		}
		looked++
		at := e.OccurredAt.AsTime().UnixMilli()
		o := naive.Options{From: at - 20_000, To: at + 15_000}
		fast := naive.Walk(f.plant, "p1", evs, o)
		o.EveryMillisecond = true
		slow := naive.Walk(f.plant, "p1", evs, o)
		if len(fast.Days) == 0 || !reflect.DeepEqual(leavesOf(fast), leavesOf(slow)) {
			t.Errorf("around %s:\n%v\n%v", e.OccurredAt.AsTime(), leavesOf(fast), leavesOf(slow))
		}
	}
	if looked != 3 {
		t.Errorf("%d stretches looked at", looked)
	}
}

// leavesOf writes a result down in exact fractions.
func leavesOf(r *naive.Result) map[string]string {
	out := map[string]string{}
	for _, d := range r.Days {
		for l, a := range d.In {
			out[d.Day+" in "+string(l)] = fmt.Sprint(a.US, " ", a.MM, " ", a.Material)
		}
		for l, a := range d.Out {
			out[d.Day+" out "+string(l)] = fmt.Sprint(a.US, " ", a.MM, " ", a.Material)
		}
		out[d.Day] = fmt.Sprint(d.PBT, d.APT, d.Measured, d.Stated, d.Unknown, d.Valuable, d.Spill, d.Good)
	}
	return out
}
