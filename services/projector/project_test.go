package projector

import (
	"bytes"
	"context"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

func compactJSON(dst *bytes.Buffer, src []byte) error { return json.Compact(dst, src) }

// testStore is the warehouse as the projector's Store, as the program binds it.
type testStore struct{ *warehouse.DB }

func (s testStore) TakeDirty(ctx context.Context) ([]Dirty, error) {
	list, err := s.DB.TakeDirty(ctx)
	out := make([]Dirty, len(list))
	for i, d := range list {
		out[i] = Dirty(d)
	}
	return out, err
}

func (s testStore) LastDay(ctx context.Context, plant, press string) (timeline.Day, bool, error) {
	return s.DB.LastDay(ctx, warehouse.Live, plant, press)
}

func (s testStore) ReadPressDay(ctx context.Context, plant, press string, d timeline.Day) (timeline.PressDay, bool, error) {
	return s.DB.ReadPressDay(ctx, warehouse.Live, plant, press, d)
}

func (s testStore) ReadProjections(ctx context.Context, plant, press string, from timeline.Day) (timeline.Projections, uint64, error) {
	return s.DB.ReadProjections(ctx, warehouse.Live, plant, press, from)
}

func (s testStore) WriteProjections(ctx context.Context, changed, gone timeline.Projections, ver uint64) error {
	return s.DB.WriteProjections(ctx, warehouse.Live, changed, gone, ver)
}

type env struct {
	t   *testing.T
	ctx context.Context
	db  *warehouse.DB
	p   *Projector
	pos uint64
}

func newEnv(t *testing.T) *env {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	db, err := warehouse.Open(ctx, warehouse.Config{DSN: warehousetest.DSN(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	e := &env{t: t, ctx: ctx, db: db, p: New(Config{}, db, testStore{db})}
	data, err := os.ReadFile(filepath.Join(scenario, "plant.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	plant, problems := registry.ValidateYAML(data)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if err := db.InsertRegistry(ctx, &pb.RegistryRevision{Rev: 1, Plant: plant, AppliedAt: timestamppb.Now()}); err != nil {
		t.Fatal(err)
	}
	return e
}

// insert stores events as ingest does: marks first, one insert per month.
func (e *env) insert(evs []*pb.Event) {
	e.t.Helper()
	for len(evs) > 0 {
		month := evs[0].OccurredAt.AsTime().Format("2006-01")
		n := 1
		for n < len(evs) && evs[n].OccurredAt.AsTime().Format("2006-01") == month {
			n++
		}
		var marks []warehouse.Dirty
		for _, x := range evs[:n] {
			marks = append(marks, warehouse.Dirty{Plant: x.Plant, Press: x.Press, From: dirtyFrom(x)})
		}
		if err := e.db.MarkDirty(e.ctx, marks); err != nil {
			e.t.Fatal(err)
		}
		e.pos++
		if err := e.db.InsertEvents(e.ctx, evs[:n], e.pos); err != nil {
			e.t.Fatal(err)
		}
		evs = evs[n:]
	}
}

// dirtyFrom is the instant an event dirties from.
func dirtyFrom(x *pb.Event) int64 {
	switch b := x.Body.(type) {
	case *pb.Event_ReasonNoted:
		return b.ReasonNoted.From.AsTime().UnixMilli()
	case *pb.Event_WasteBooked:
		return b.WasteBooked.From.AsTime().UnixMilli()
	case *pb.Event_Voided:
		return b.Voided.Earliest.AsTime().UnixMilli()
	}
	return x.OccurredAt.AsTime().UnixMilli()
}

func (e *env) project() {
	e.t.Helper()
	if _, err := e.p.Once(e.ctx); err != nil {
		e.t.Fatal(err)
	}
}

func (e *env) rows(press string) timeline.Projections {
	e.t.Helper()
	rows, _, err := e.db.ReadProjections(e.ctx, warehouse.Live, "rhein", press, timeline.NoDay)
	if err != nil {
		e.t.Fatal(err)
	}
	return rows
}

func (e *env) day(press, day string) timeline.PressDay {
	e.t.Helper()
	d, err := timeline.ParseDay(day)
	if err != nil {
		e.t.Fatal(err)
	}
	row, ok, err := e.db.ReadPressDay(e.ctx, warehouse.Live, "rhein", press, d)
	if err != nil || !ok {
		e.t.Fatalf("%s %s: found %v, %v", press, day, ok, err)
	}
	return row
}

const minute = int64(60_000_000) // µs

func wantLeaves(t *testing.T, r timeline.PressDay, pbt int64, want map[loss.Leaf][2]int64) {
	t.Helper()
	if r.PBT != pbt*timeline.Minute {
		t.Errorf("planned busy time %d min, want %d", r.PBT/timeline.Minute, pbt)
	}
	sum := r.Valuable
	for _, l := range loss.Losses() {
		got := r.In[l]
		sum += got.US
		if w := want[l]; got.US != w[0] || got.MM != w[1] {
			t.Errorf("%s: %d µs, %d mm; want %d, %d", l, got.US, got.MM, w[0], w[1])
		}
	}
	if sum != r.PBT*1000 {
		t.Errorf("leaves and valuable operating time add to %d µs, planned busy time is %d", sum, r.PBT*1000)
	}
}

// The worked shifts, through the real warehouse and the whole fold: duties give
// the allowance, sessions their end, the ladder its leaves.
func TestWorkedShifts(t *testing.T) {
	e := newEnv(t)
	e.insert(identify(earlyShift().evs, 11))
	e.insert(identify(lateShift(true).evs, 12))
	e.insert(identify(springNight().evs, 13))
	e.project()

	wantLeaves(t, e.day("p1", "2026-06-15"), 450, map[loss.Leaf][2]int64{
		loss.PlannedCleaning: {22 * minute, 0}, loss.Setup: {78 * minute, 0}, loss.OtherBreakdown: {12 * minute, 0},
		loss.Waiting: {8 * minute, 0}, loss.OtherSlow: {33 * minute, 0},
		loss.SetupWaste: {20_000_000, 390_000}, loss.SpliceWaste: {36_000_000, 60_000},
		loss.MaterialWaste: {48_000_000, 96_000}, loss.UnbookedWaste: {298_000_000, 540_000}})
	late := e.day("p2", "2026-06-15")
	wantLeaves(t, late, 450, map[loss.Leaf][2]int64{
		loss.PlannedCleaning: {33 * minute, 0}, loss.CleaningOverrun: {12 * minute, 0}, loss.ContaminationStop: {30 * minute, 0},
		loss.OtherBreakdown: {5 * minute, 0}, loss.Waiting: {10 * minute, 0}, loss.Unaccounted: {30 * minute, 0},
		loss.ContaminationSlow: {225_000_000, 0}, loss.OtherSlow: {1_530_000_000, 0},
		loss.ContaminationWaste: {52_500_000, 70_000}, loss.SpliceWaste: {16_875_000, 22_500},
		loss.OtherWaste: {28_125_000, 37_500}, loss.UnbookedWaste: {360_000_000, 480_000}})
	if late.Out[loss.CleaningOverrun].US != 10*minute || late.OutLabour != 7_000_000_000 {
		t.Errorf("outside: overrun %d µs, labour %d billionths", late.Out[loss.CleaningOverrun].US, late.OutLabour)
	}
	if late.NoteSpill != 2*timeline.Minute || late.Excess != 20_000 {
		t.Errorf("spill %d, excess %d", late.NoteSpill, late.Excess)
	}
	night := e.day("p3", "2026-03-28")
	wantLeaves(t, night, 390, map[loss.Leaf][2]int64{
		loss.PlannedCleaning: {10 * minute, 0}, loss.ContaminationStop: {35 * minute, 0}, loss.Setup: {30 * minute, 0},
		loss.Waiting: {10 * minute, 0}, loss.OtherSlow: {810_000_000, 0}, loss.SetupWaste: {0, 120_000},
		loss.RestartWaste: {54_000_000, 90_000}, loss.UnbookedWaste: {318_000_000, 530_000}})
	if night.Out[loss.CleaningInBreak].US != 30*minute {
		t.Errorf("cleaning in the break %d µs", night.Out[loss.CleaningInBreak].US)
	}

	// Visits and the reconciliation of the late shift.
	minutes := map[string]int64{}
	var head timeline.StationVisit
	for _, v := range e.rows("p2").Visits {
		if v.Seq < 0 {
			head = v
		} else {
			minutes[v.Station] = v.Time / timeline.Minute
		}
	}
	if want := map[string]int64{"treater": 12, "web-cleaner": 4, "uv-1": 20, "uv-2": 13}; !reflect.DeepEqual(minutes, want) {
		t.Errorf("visits %v, want %v", minutes, want)
	}
	if head.Allowance != 33*timeline.Minute || head.Overrun != 22*timeline.Minute || head.Closing != 6*timeline.Minute {
		t.Errorf("allowance %d, overrun %d, closing %d min", head.Allowance/timeline.Minute, head.Overrun/timeline.Minute, head.Closing/timeline.Minute)
	}
}

// Before Tuesday's corrections: the leaves differ, OEE does not.
func TestWorkedLateShiftBeforeTuesday(t *testing.T) {
	e := newEnv(t)
	e.insert(identify(lateShift(false).evs, 12))
	e.project()
	r := e.day("p2", "2026-06-15")
	wantLeaves(t, r, 450, map[loss.Leaf][2]int64{
		loss.PlannedCleaning: {38 * minute, 0}, loss.CleaningOverrun: {7 * minute, 0}, loss.OtherBreakdown: {35 * minute, 0},
		loss.Waiting: {10 * minute, 0}, loss.Unaccounted: {30 * minute, 0},
		loss.ContaminationSlow: {225_000_000, 0}, loss.OtherSlow: {1_530_000_000, 0},
		loss.ContaminationWaste: {67_500_000, 90_000}, loss.SpliceWaste: {16_875_000, 22_500},
		loss.OtherWaste: {28_125_000, 37_500}, loss.UnbookedWaste: {345_000_000, 460_000}})
	if r.Valuable != 293_125*minute/1000 || r.Excess != 70_000 {
		t.Errorf("valuable %d, excess %d", r.Valuable, r.Excess)
	}
}

// However the events arrive, in pieces, shuffled, twice, with the projector
// looking in between, the projections are the same.
func TestAnyArrivalSameProjections(t *testing.T) {
	all := func() []*pb.Event {
		evs := identify(earlyShift().evs, 11)
		evs = append(evs, identify(lateShift(true).evs, 12)...)
		return append(evs, identify(springNight().evs, 13)...)
	}
	calm := newEnv(t)
	calm.insert(all())
	calm.project()
	want, err := calm.db.Checksums(calm.ctx)
	if err != nil {
		t.Fatal(err)
	}
	if n := calm.p.Counters().Rows; n == 0 {
		t.Fatal("nothing was written")
	}
	// Projecting again what is true already writes nothing.
	rows := calm.p.Counters().Rows
	if err := calm.db.MarkDirty(calm.ctx, []warehouse.Dirty{{Plant: "rhein", Press: "p1", From: 0}, {Plant: "rhein", Press: "p2", From: at("06-16 00:00").AsTime().UnixMilli()}}); err != nil {
		t.Fatal(err)
	}
	calm.project()
	if n := calm.p.Counters().Rows; n != rows {
		t.Errorf("%d rows written for nothing", n-rows)
	}
	for seed := uint64(1); seed <= 3; seed++ {
		rng := rand.New(rand.NewPCG(seed, 7))
		e := newEnv(t)
		evs := all()
		evs = append(evs, all()[:rng.IntN(800)]...)
		rng.Shuffle(len(evs), func(i, j int) { evs[i], evs[j] = evs[j], evs[i] })
		for len(evs) > 0 {
			n := min(len(evs), 200+rng.IntN(900))
			// An insert holds one month.
			byMonth := map[string][]*pb.Event{}
			for _, x := range evs[:n] {
				m := x.OccurredAt.AsTime().Format("2006-01")
				byMonth[m] = append(byMonth[m], x)
			}
			for _, l := range byMonth {
				e.insert(l)
			}
			evs = evs[n:]
			e.project()
		}
		got, err := e.db.Checksums(e.ctx)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("seed %d: checksums %v, want %v", seed, got, want)
			for _, p := range []string{"p1", "p2", "p3"} {
				a, b := calm.rows(p), e.rows(p)
				if !reflect.DeepEqual(a, b) {
					t.Logf("%s: %d/%d days, %d/%d facts, %d/%d visits, %d/%d duties", p, len(a.Days), len(b.Days), len(a.Facts), len(b.Facts), len(a.Visits), len(b.Visits), len(a.Duties), len(b.Duties))
					for i := range min(len(a.Duties), len(b.Duties)) {
						if !reflect.DeepEqual(a.Duties[i], b.Duties[i]) {
							t.Logf("duty %+v\n     %+v", a.Duties[i], b.Duties[i])
						}
					}
					for i := range min(len(a.Days), len(b.Days)) {
						if !reflect.DeepEqual(a.Days[i], b.Days[i]) {
							t.Logf("day %+v\n    %+v", a.Days[i], b.Days[i])
						}
					}
				}
			}
		}
	}
}
