package loss

import (
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// Bookings, worked by hand on one early shift: 100 min of J1 at 100 m/min with
// 9,000 m good and 90 m waste, then 50 min of J2 at 50 m/min with 2,000 m good
// and 10 m waste.
func TestBookings(t *testing.T) {
	const from, to = "15 04:00", "15 06:30"
	type booking = timeline.Event
	cause := func(c timeline.Cause, m int64) booking { return booking{Cause: c, Length: m * 1000} }
	for _, tt := range []struct {
		name     string
		bookings []booking
		good     int64 // left in planned production, m
		down     int64 // moved from good to waste, m
		excess   int64 // m
		leaves   map[Leaf][2]int64
	}{
		{"nothing booked", nil, 11_000, 0, 0, map[Leaf][2]int64{UnbookedWaste: {54_000_000 + 12_000_000, 100_000}}},
		{"pro rata over both jobs", []booking{cause(timeline.CauseSplice, 50)}, 11_000, 0, 0, map[Leaf][2]int64{
			SpliceWaste: {27_000_000 + 6_000_000, 50_000}, UnbookedWaste: {33_000_000, 50_000}}},
		{"of one job", []booking{{Cause: timeline.CauseSplice, Length: 20_000, Job: "J2"}}, 11_000, 0, 10, map[Leaf][2]int64{
			SpliceWaste: {12_000_000, 10_000}, UnbookedWaste: {54_000_000, 90_000}}},
		{"more than the count: cut in proportion", []booking{cause(timeline.CauseSplice, 150), cause(timeline.CauseCure, 50)}, 11_000, 0, 100, map[Leaf][2]int64{
			SpliceWaste: {40_500_000 + 9_000_000, 75_000}, CureWaste: {13_500_000 + 3_000_000, 25_000}}},
		{"two of five lanes", []booking{{Cause: timeline.CauseRegister, Length: 50_000, LanesBad: 2, Lanes: 5, Job: "J1"}}, 11_000, 0, 0, map[Leaf][2]int64{
			RegisterWaste: {12_000_000, 20_000}, UnbookedWaste: {42_000_000 + 12_000_000, 80_000}}},
		{"found downstream: from good to waste, pro rata to the good", []booking{{Cause: timeline.CauseCure, Length: 1_100_000, Found: 2}}, 9_900, 1_100, 0, map[Leaf][2]int64{
			CureWaste: {540_000_000 + 240_000_000, 1_100_000}, UnbookedWaste: {66_000_000, 100_000}}},
		{"found downstream, of a job, more than the good there", []booking{{Cause: timeline.CauseCure, Length: 3_000_000, Found: 2, Job: "J2"}}, 9_000, 2_000, 1_000, map[Leaf][2]int64{
			CureWaste: {2_000 * 1_200_000, 2_000_000}, UnbookedWaste: {66_000_000, 100_000}}},
		{"the second web costs material only", []booking{{Cause: timeline.CauseMaterial, Length: 40_000, Web: 2}}, 11_000, 0, 0, map[Leaf][2]int64{
			MaterialWaste: {0, 40_000}, UnbookedWaste: {66_000_000, 100_000}}},
		{"set-up without waste in SETUP takes from production", []booking{cause(timeline.CauseSetup, 30)}, 11_000, 0, 0, map[Leaf][2]int64{
			SetupWaste: {16_200_000 + 3_600_000, 30_000}, UnbookedWaste: {37_800_000 + 8_400_000, 70_000}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := &shiftCase{t: t, month: 6}
			c.rows([]row{
				{from, "15 05:40", timeline.StateProduction, "", "J1", 100, 9_000, 90},
				{"15 05:40", to, timeline.StateProduction, "", "J2", 50, 2_000, 10},
			})
			for _, b := range tt.bookings {
				c.seq++
				b.ID, b.Kind, b.Recorded = timeline.ID{Epoch: 1, Seq: c.seq}, timeline.KindWasteBooked, int64(c.seq)
				b.Interval = timeline.Interval{From: c.at(from), To: c.at(to)}
				c.ev = append(c.ev, b)
			}
			r := c.compute(testPress(t, pattern("early", 360, 840, weekdays)), "2026-06-15", nil, "15 12:00").Day
			if r.Good != tt.good*1000 || r.Downstream != tt.down*1000 || r.Excess != tt.excess*1000 {
				t.Errorf("good %d, downstream %d, excess %d mm", r.Good, r.Downstream, r.Excess)
			}
			for l := SetupWaste; l <= UnbookedWaste; l++ {
				want := tt.leaves[l]
				if got := r.In[l]; got.US != want[0] || got.MM != want[1] {
					t.Errorf("%s: %d µs, %d mm; want %v", l, got.US, got.MM, want)
				}
			}
		})
	}
}

// What a later event says of a job holds for slices of before: the latest
// recorded correction wins over the slices' copy, whatever came first. Rated
// speed that nobody gave is the press's and is counted.
func TestJobCorrected(t *testing.T) {
	correct := func(seq uint64, recorded, rated int64) timeline.Event {
		return timeline.Event{ID: timeline.ID{Epoch: 2, Seq: seq}, Kind: timeline.KindJobCorrected, Recorded: recorded, Job: "J1", Rated: rated}
	}
	for _, tt := range []struct {
		name    string
		rated   int64 // m/min of the slices
		ev      []timeline.Event
		slow    int64 // other slow running, min
		assumed int64 // m
	}{
		{"as the slices say", 100, nil, 10, 0},
		{"corrected", 100, []timeline.Event{correct(1, 5, 180_000)}, 50, 0},
		{"the latest recorded wins", 100, []timeline.Event{correct(1, 9, 180_000), correct(2, 5, 90_000)}, 50, 0},
		{"no speed: the press's", 0, nil, 10, 9_000},
		{"no speed, but a correction", 0, []timeline.Event{correct(1, 5, 180_000)}, 50, 0},
	} {
		c := &shiftCase{t: t, month: 6}
		c.rows([]row{{"15 04:00", "15 05:40", timeline.StateProduction, "", "J1", tt.rated, 9_000, 0}})
		c.ev = tt.ev
		r := c.compute(testPress(t, pattern("early", 360, 840, weekdays)), "2026-06-15", nil, "15 12:00").Day
		if r.In[OtherSlow].US != tt.slow*min1 || r.AssumedMM != tt.assumed*1000 {
			t.Errorf("%s: slow %d min, assumed %d m", tt.name, r.In[OtherSlow].US/min1, r.AssumedMM/1000)
		}
	}
}
