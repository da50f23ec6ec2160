package loss

import (
	"math/big"
	"testing"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
)

// The three shifts below were worked by hand in exact fractions for the
// product's accounting rules (invented numbers, no software behind them).

type row struct {
	from, to    string // UTC, "15 04:00" = day and time of the month
	state       timeline.State
	reason      string
	job         string
	rated       int64 // m/min
	good, waste int64 // m
}

type shiftCase struct {
	t     *testing.T
	month time.Month
	sl    []timeline.Slice
	ev    []timeline.Event
	seq   uint64
}

func (c *shiftCase) at(s string) int64 {
	v, err := time.Parse("2006-01 02 15:04", "2026-"+twoDigits(int(c.month))+" "+s)
	if err != nil {
		c.t.Fatal(err)
	}
	return v.UnixMilli()
}

func twoDigits(n int) string { return string([]byte{byte('0' + n/10), byte('0' + n%10)}) }

// rows cuts each row into minutes and spreads its length by largest remainder.
func (c *shiftCase) rows(rows []row) {
	for _, r := range rows {
		from, to := c.at(r.from), c.at(r.to)
		n := int((to - from) / timeline.Minute)
		w := make([]int64, n)
		for i := range w {
			w[i] = 1
		}
		good, waste := apportion(r.good*1000, w), apportion(r.waste*1000, w)
		for i := 0; i < n; i++ {
			c.seq++
			c.sl = append(c.sl, timeline.Slice{
				ID:       timeline.ID{Epoch: 1, Seq: c.seq},
				Interval: timeline.Interval{From: from + int64(i)*timeline.Minute, To: from + int64(i+1)*timeline.Minute},
				State:    r.state, Reason: r.reason, Job: r.job, Rated: r.rated * 1000, Good: good[i], Waste: waste[i],
			})
		}
	}
}

func (c *shiftCase) book(from, to string, cause timeline.Cause, m int64, station string) timeline.ID {
	c.seq++
	e := timeline.Event{ID: timeline.ID{Epoch: 1, Seq: c.seq}, Kind: timeline.KindWasteBooked, Recorded: int64(c.seq),
		Interval: timeline.Interval{From: c.at(from), To: c.at(to)}, Cause: cause, Length: m * 1000, Station: station}
	c.ev = append(c.ev, e)
	return e.ID
}

func (c *shiftCase) note(from, to string, kind timeline.NoteKind, reason, station string) {
	c.seq++
	c.ev = append(c.ev, timeline.Event{ID: timeline.ID{Epoch: 1, Seq: c.seq}, Kind: timeline.KindReasonNoted, Recorded: int64(c.seq),
		Interval: timeline.Interval{From: c.at(from), To: c.at(to)}, NoteKind: kind, Reason: reason, Station: station})
}

func (c *shiftCase) void(id timeline.ID) {
	c.seq++
	c.ev = append(c.ev, timeline.Event{ID: timeline.ID{Epoch: 1, Seq: c.seq}, Kind: timeline.KindVoided,
		TargetEpoch: id.Epoch, TargetFirst: id.Seq, TargetLast: id.Seq})
}

func testPress(t *testing.T, shifts ...timeline.ShiftPattern) *timeline.Press {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return &timeline.Press{
		Plant: "rhein", Name: "p1", Zone: zone, Currency: "EUR", PolicyInside: true, Rated: 100_000,
		Calendar: &timeline.Calendar{Zone: zone, Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1, Shifts: shifts}}},
		Reasons: map[string]timeline.ReasonClass{"mechanical": timeline.ClassBreakdown, "material": timeline.ClassMaterial,
			"dirty": timeline.ClassContamination},
		Rates:  []timeline.Rate{{ValidFrom: timeline.NoDay, PressHour: 180_000_000, ContributionHour: 420_000_000, WebMeter: 300_000}},
		Labour: []timeline.LabourRate{{ValidFrom: timeline.NoDay, Hour: 42_000_000}},
	}
}

func pattern(name string, start, end int, days []int, breaks ...timeline.Break) timeline.ShiftPattern {
	p := timeline.ShiftPattern{Name: name, Start: start, End: end, Breaks: breaks}
	for _, d := range days {
		p.Days[d] = true
	}
	return p
}

var weekdays = []int{1, 2, 3, 4, 5}

func (c *shiftCase) compute(p *timeline.Press, day string, groups []Group, frontier string) Result {
	d, err := timeline.ParseDay(day)
	if err != nil {
		c.t.Fatal(err)
	}
	plan := p.Calendar.Plan(d)
	var breaks []timeline.Interval
	for _, s := range plan.Segments {
		if s.Break {
			breaks = append(breaks, s.Interval)
		}
	}
	in := Input{Press: p, History: timeline.Build(c.sl, c.ev, nil), Day: plan, Breaks: breaks, Groups: groups, Frontier: c.at(frontier)}
	res := Compute(in)
	checkPieces(c.t, in)
	if diff := res.Day.Check(); diff != 0 {
		c.t.Errorf("identity off by %d µs", diff)
	}
	return res
}

type want struct {
	leaf Leaf
	us   int64
	mm   int64
	cent float64 // money × 100 in EUR
}

// checkLeaves compares every leaf; those not listed must be 0. Money = minutes
// × 3 + meters × 0.30.
func checkLeaves(t *testing.T, r *DayRow, wants []want) {
	t.Helper()
	listed := map[Leaf]want{}
	for _, w := range wants {
		listed[w.leaf] = w
	}
	for _, l := range Losses() {
		w, got := listed[l], r.In[l]
		if got.US != w.us || got.MM != w.mm {
			t.Errorf("%s: got %d µs, %d mm; want %d µs, %d mm", l, got.US, got.MM, w.us, w.mm)
		}
		money := new(big.Rat).Add(big.NewRat(got.US*180, 3_600_000_000), big.NewRat(got.Material, 1_000_000_000))
		if f, _ := money.Float64(); abs(f*100-w.cent) > 1e-6 {
			t.Errorf("%s: EUR %.6f, want %.6f", l, f, w.cent/100)
		}
	}
}

func abs(x float64) float64 { return max(x, -x) }

const min1 = int64(60_000_000) // a minute in µs

func earlyShift(t *testing.T) Result {
	c := &shiftCase{t: t, month: time.June}
	const P, S = timeline.StateProduction, timeline.StateSetup
	c.rows([]row{
		{"15 04:00", "15 04:22", timeline.StateCleaning, "", "", 0, 0, 0},
		{"15 04:22", "15 05:00", S, "", "J1", 100, 0, 190},
		{"15 05:00", "15 07:30", P, "", "J1", 100, 13200, 300},
		{"15 07:30", "15 07:42", timeline.StateDown, "mechanical", "", 0, 0, 0},
		{"15 07:42", "15 08:00", P, "", "J1", 100, 1580, 40},
		{"15 08:00", "15 08:30", timeline.StateOff, "", "", 0, 0, 0},
		{"15 08:30", "15 09:10", S, "", "J2", 120, 0, 160},
		{"15 09:10", "15 09:20", P, "", "J2", 120, 1020, 60},
		{"15 09:20", "15 11:30", P, "", "J2", 120, 13740, 300},
		{"15 11:30", "15 11:38", timeline.StateWaiting, "material", "", 0, 0, 0},
		{"15 11:38", "15 12:00", P, "", "J2", 120, 2340, 36},
	})
	c.book("15 05:00", "15 07:30", timeline.CauseSplice, 60, "")
	c.book("15 08:30", "15 09:20", timeline.CauseSetup, 200, "")
	c.book("15 09:20", "15 11:30", timeline.CauseMaterial, 96, "")
	p := testPress(t, pattern("early", 360, 840, weekdays, timeline.Break{Start: 600, Length: 30 * timeline.Minute}))
	return c.compute(p, "2026-06-15", []Group{{
		Union:    []timeline.Interval{{From: c.at("15 04:00"), To: c.at("15 04:22")}},
		Occasion: timeline.OccasionStartup, Allowance: 24 * timeline.Minute,
		SignOffs: []int64{c.at("15 04:07"), c.at("15 04:13"), c.at("15 04:18"), c.at("15 04:22")},
	}}, "15 12:00")
}

func TestWorkedEarlyShift(t *testing.T) {
	res := earlyShift(t)
	r := res.Day
	if r.PBT != 450*timeline.Minute || r.APT != 330*timeline.Minute {
		t.Errorf("PBT %d APT %d", r.PBT, r.APT)
	}
	checkLeaves(t, &r, []want{
		{PlannedCleaning, 22 * min1, 0, 6600},
		{Setup, 78 * min1, 0, 23400},
		{OtherBreakdown, 12 * min1, 0, 3600},
		{Waiting, 8 * min1, 0, 2400},
		{OtherSlow, 33 * min1, 0, 9900},
		{SetupWaste, 20_000_000, 390_000, 11800},
		{SpliceWaste, 36_000_000, 60_000, 1980},
		{MaterialWaste, 48_000_000, 96_000, 3120},
		{UnbookedWaste, 298_000_000, 540_000, 17690},
	})
	var s Sums
	s.Add(&r)
	f := s.Factors()
	for _, x := range []struct {
		name      string
		got, want float64
	}{
		{"A", f.Availability, 330.0 / 450}, {"E", f.Effectiveness, 0.9}, {"Q", f.Quality, 290.3 / 297},
		{"OEE", f.OEE, 2903.0 / 4500}, {"yield", f.LengthYield, 31880.0 / 32616},
		{"A·E·Q", f.Availability * f.Effectiveness * f.Quality, 2903.0 / 4500},
		{"share points", s.Points(s.Share("cleaning").US), 22.0 / 450 * 100}, {"known", s.Known(), 1},
	} {
		if abs(x.got-x.want) > 1e-12 {
			t.Errorf("%s = %.9f, want %.9f", x.name, x.got, x.want)
		}
	}
	pbt, oee := s.OutsidePolicy()
	if pbt != 428*min1 || abs(oee-290.3/428) > 1e-12 {
		t.Errorf("policy outside: PBT %d, OEE %.6f", pbt, oee)
	}
	// Contribution basis: 159.7 min × 7 + 1,086 m × 0.30 = 1,443.70.
	tot := s.Total()
	if got := float64(tot.US)/6e7*7 + float64(tot.Material)/1e9; abs(got-1443.70) > 1e-9 {
		t.Errorf("contribution basis %.4f", got)
	}
	// Wrong answers to catch.
	if r.In[SetupWaste].US == 100_000_000 || r.In[SetupWaste].US == 30_000_000 {
		t.Error("set-up booking priced wholly as time, or filled from PRODUCTION first")
	}
	if r.In[CleaningOverrun].US == -2*min1 {
		t.Error("overrun is negative")
	}
}

func lateShift(t *testing.T, tuesday bool) (*shiftCase, Result) {
	c := &shiftCase{t: t, month: time.June}
	const P = timeline.StateProduction
	c.rows([]row{
		{"15 12:00", "15 14:10", P, "", "J3", 80, 9100, 260},
		{"15 14:10", "15 14:45", timeline.StateDown, "", "", 0, 0, 0},
		{"15 14:45", "15 15:00", P, "", "J3", 80, 810, 90},
		{"15 15:00", "15 16:00", P, "", "J3", 80, 4740, 60},
		{"15 16:00", "15 16:30", timeline.StateOff, "", "", 0, 0, 0},
		{"15 17:00", "15 17:10", timeline.StateWaiting, "", "", 0, 0, 0},
		{"15 17:10", "15 19:15", P, "", "J3", 80, 8800, 200},
		{"15 19:15", "15 20:10", timeline.StateCleaning, "", "", 0, 0, 0},
		{"15 20:10", "16 04:00", timeline.StateOff, "", "", 0, 0, 0},
	})
	c.note("15 14:45", "15 15:00", timeline.NoteSlow, "dirty", "uv-1")
	c.book("15 14:45", "15 15:00", timeline.CauseContamination, 70, "uv-1")
	w2 := c.book("15 14:45", "15 15:00", timeline.CauseContamination, 70, "uv-1")
	c.book("15 15:00", "15 16:00", timeline.CauseOther, 50, "")
	c.book("15 15:00", "15 16:00", timeline.CauseSplice, 30, "")
	allowance := int64(38)
	if tuesday {
		c.note("15 14:08", "15 14:40", timeline.NoteStop, "dirty", "uv-1")
		c.void(w2)
		allowance = 33
	}
	p := testPress(t, pattern("late", 840, 1320, weekdays, timeline.Break{Start: 1080, Length: 30 * timeline.Minute}))
	res := c.compute(p, "2026-06-15", []Group{{
		Union:    []timeline.Interval{{From: c.at("15 19:15"), To: c.at("15 20:10")}},
		Occasion: timeline.OccasionShutdown, Allowance: allowance * timeline.Minute,
		SignOffs: []int64{c.at("15 19:27"), c.at("15 19:31"), c.at("15 19:51"), c.at("15 20:04")},
	}}, "16 04:00")
	return c, res
}

func TestWorkedLateShift(t *testing.T) {
	_, res := lateShift(t, true)
	r := res.Day
	checkLeaves(t, &r, []want{
		{PlannedCleaning, 33 * min1, 0, 9900},
		{CleaningOverrun, 12 * min1, 0, 3600},
		{ContaminationStop, 30 * min1, 0, 9000},
		{OtherBreakdown, 5 * min1, 0, 1500},
		{Waiting, 10 * min1, 0, 3000},
		{Unaccounted, 30 * min1, 0, 9000},
		{ContaminationSlow, 225_000_000, 0, 1125},
		{OtherSlow, 1_530_000_000, 0, 7650},
		{ContaminationWaste, 52_500_000, 70_000, 2362.5},
		{SpliceWaste, 16_875_000, 22_500, 759.375},
		{OtherWaste, 28_125_000, 37_500, 1265.625},
		{UnbookedWaste, 360_000_000, 480_000, 16200},
	})
	var s Sums
	s.Add(&r)
	f := s.Factors()
	low, high := s.Range()
	cl, di := s.Share("cleaning"), s.Share("dirt")
	for _, x := range []struct {
		name           string
		got, want, tol float64
	}{
		{"OEE", f.OEE, 469.0 / 720, 1e-12}, {"A", f.Availability, 0.733333, 5e-7}, {"E", f.Effectiveness, 0.911364, 5e-7},
		{"Q", f.Quality, 0.974647, 5e-7}, {"known", s.Known(), 420.0 / 450, 1e-12}, {"low", low, 0.6514, 5e-5}, {"high", high, 0.6979, 5e-5},
		{"cleaning points", s.Points(cl.US), 10, 1e-9}, {"dirt points", s.Points(di.US), 7.6944, 5e-5},
		{"dirt minutes", float64(di.US) / 6e7, 34.625, 1e-9},
		{"dirt money", float64(di.US)/6e7*3 + float64(di.Material)/1e9, 124.875, 1e-9},
		{"contribution", float64(s.Total().US)/6e7*7 + float64(s.Total().Material)/1e9, 1281.125, 1e-9},
	} {
		if abs(x.got-x.want) > x.tol {
			t.Errorf("%s = %.9f, want %.9f", x.name, x.got, x.want)
		}
	}
	if r.NoteSpill != 2*timeline.Minute || r.Excess != 20_000 {
		t.Errorf("spill %d ms, excess %d mm", r.NoteSpill, r.Excess)
	}
	if r.Out[CleaningOverrun].US != 10*min1 {
		t.Errorf("overrun outside %d µs", r.Out[CleaningOverrun].US)
	}
	// ms × millionths/h × hands: 600,000 × 42,000,000 = EUR 7.00.
	if got := float64(r.OutLabour) / 3.6e6 / 1e6; abs(got-7) > 1e-12 {
		t.Errorf("labour outside %.4f", got)
	}
	if n := r.Out[Waiting].US + r.Out[Unaccounted].US; n != 0 {
		t.Errorf("an idle press outside the plan loses %d µs", n)
	}
}

func TestWorkedLateShiftBeforeCorrections(t *testing.T) {
	_, res := lateShift(t, false)
	r := res.Day
	for _, x := range []struct {
		name      string
		got, want int64
	}{
		{"planned", r.In[PlannedCleaning].US, 38 * min1}, {"overrun", r.In[CleaningOverrun].US, 7 * min1},
		{"overrun outside", r.Out[CleaningOverrun].US, 10 * min1},
		{"contamination stop", r.In[ContaminationStop].US, 0}, {"breakdown", r.In[OtherBreakdown].US, 35 * min1},
		{"contamination waste mm", r.In[ContaminationWaste].MM, 90_000}, {"contamination waste", r.In[ContaminationWaste].US, 67_500_000},
		{"excess", r.Excess, 70_000}, {"unbooked mm", r.In[UnbookedWaste].MM, 460_000}, {"unbooked", r.In[UnbookedWaste].US, 345_000_000},
	} {
		if x.got != x.want {
			t.Errorf("%s = %d, want %d", x.name, x.got, x.want)
		}
	}
	var s Sums
	s.Add(&r)
	if got := s.Factors().OEE; abs(got-469.0/720) > 1e-12 {
		t.Errorf("OEE %.6f: corrections move leaves, never the total", got)
	}
}

func springNight(t *testing.T) Result {
	c := &shiftCase{t: t, month: time.March}
	const P = timeline.StateProduction
	c.rows([]row{
		{"28 21:00", "28 21:30", timeline.StateSetup, "", "J4", 100, 0, 120},
		{"28 21:30", "29 01:00", P, "", "J4", 100, 19530, 420},
		{"29 01:00", "29 01:10", timeline.StateDown, "dirty", "", 0, 0, 0},
		{"29 01:10", "29 02:15", timeline.StateCleaning, "", "", 0, 0, 0},
		{"29 02:15", "29 02:30", P, "", "J4", 100, 1080, 120},
		{"29 02:30", "29 03:50", P, "", "J4", 100, 7920, 80},
		{"29 03:50", "29 04:00", timeline.StateWaiting, "", "", 0, 0, 0},
	})
	c.book("29 02:15", "29 02:30", timeline.CauseRestart, 90, "")
	p := testPress(t, pattern("night", 1320, 360, []int{6}, timeline.Break{Start: 150, Length: 30 * timeline.Minute}))
	return c.compute(p, "2026-03-28", []Group{{
		Union:    []timeline.Interval{{From: c.at("29 01:10"), To: c.at("29 02:15")}},
		Occasion: timeline.OccasionOnDemand, Allowance: 10 * timeline.Minute,
		SignOffs: []int64{c.at("29 01:22"), c.at("29 02:12")},
	}}, "29 04:00")
}

func TestWorkedSpringNight(t *testing.T) {
	res := springNight(t)
	r := res.Day
	if r.PBT != 390*timeline.Minute || r.APT != 305*timeline.Minute {
		t.Errorf("PBT %d min, APT %d min", r.PBT/timeline.Minute, r.APT/timeline.Minute)
	}
	checkLeaves(t, &r, []want{
		{PlannedCleaning, 10 * min1, 0, 3000},
		{ContaminationStop, 35 * min1, 0, 10500},
		{Setup, 30 * min1, 0, 9000},
		{Waiting, 10 * min1, 0, 3000},
		{OtherSlow, 810_000_000, 0, 4050},
		{SetupWaste, 0, 120_000, 3600},
		{RestartWaste, 54_000_000, 90_000, 2970},
		{UnbookedWaste, 318_000_000, 530_000, 17490},
	})
	if r.Parts[SubCleaning] != 25*min1 {
		t.Errorf("contamination stop, cleaning: %d µs, want 25 min", r.Parts[SubCleaning])
	}
	if r.Out[CleaningInBreak].US != 30*min1 {
		t.Errorf("cleaning state in the break: %d µs, want 30 min", r.Out[CleaningInBreak].US)
	}
	var s Sums
	s.Add(&r)
	f := s.Factors()
	for _, x := range []struct {
		name      string
		got, want float64
	}{{"OEE", f.OEE, 951.0 / 1300}, {"A", f.Availability, 0.782051}, {"E", f.Effectiveness, 0.955738}, {"Q", f.Quality, 0.978731},
		{"cleaning", float64(s.Share("cleaning").US) / 6e7, 10.9}, {"dirt", float64(s.Share("dirt").US) / 6e7, 35}} {
		if abs(x.got-x.want) > 5e-7 {
			t.Errorf("%s = %.6f, want %.6f", x.name, x.got, x.want)
		}
	}
	d, _ := timeline.ParseDay("2026-03-28")
	if d.Week() != "2026-W13" {
		t.Errorf("week %s", d.Week())
	}
	for _, wrong := range []float64{0.634, 0.679} {
		if abs(f.OEE-wrong) < 0.0005 {
			t.Errorf("OEE %.3f: the break or the missing hour was read wrong", wrong)
		}
	}
}
