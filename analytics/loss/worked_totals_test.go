package loss

import (
	"testing"
)

// The closing lines of the three shifts worked by hand: sums of time, length
// and money, the same on the contribution basis (420.00 an hour), the two sums
// of the maintenance share, policy outside, and what wrong readings would give.
func TestWorkedTotals(t *testing.T) {
	_, tuesday := lateShift(t, true)
	_, monday := lateShift(t, false)
	for _, tt := range []struct {
		name                               string
		res                                Result
		minutes, meters, money, contrib    float64
		valuable, rated, apt               float64 // min
		cleanMin, cleanMoney, cleanPoints  float64
		dirtMin, dirtMoney, dirtPoints     float64
		outsidePBT, outsideA, outsideOEE   float64
		wrongOEE, wrongOutside, wrongPlan  []float64 // OEE, planned time of policy outside, planned time
		wrongSetup, wrongOverrun, wrongOwn []float64 // min
	}{
		{name: "early", res: earlyShift(t), minutes: 159.7, meters: 1086, money: 804.90, contrib: 1443.70,
			valuable: 290.3, rated: 297, apt: 330, cleanMin: 22, cleanMoney: 66, cleanPoints: 4.8889,
			outsidePBT: 428, outsideA: 0.771028, outsideOEE: 0.678271,
			wrongOutside: []float64{426}, wrongSetup: []float64{1.6667, 0.5}, wrongOverrun: []float64{-2}},
		{name: "late", res: tuesday, minutes: 156.875, meters: 610, money: 653.625, contrib: 1281.125,
			valuable: 293.125, rated: 300.75, apt: 330, cleanMin: 45, cleanMoney: 135, cleanPoints: 10,
			dirtMin: 34.625, dirtMoney: 124.875, dirtPoints: 7.6944,
			outsidePBT: 417, outsideA: 330.0 / 417, outsideOEE: 293.125 / 417},
		// Only leaves move: 8.25 min, 20 m less are dirt of another kind.
		{name: "late, before Tuesday", res: monday, minutes: 156.875, meters: 610, money: 653.625, contrib: 1281.125,
			valuable: 293.125, rated: 300.75, apt: 330, cleanMin: 45, cleanMoney: 135, cleanPoints: 10,
			dirtMin: 3.75 + 1.125, dirtMoney: 11.25 + 1.125*3 + 90*0.30, dirtPoints: 4.875 / 4.5,
			outsidePBT: 412, outsideA: 330.0 / 412, outsideOEE: 293.125 / 412},
		{name: "night", res: springNight(t), minutes: 104.7, meters: 740, money: 536.10, contrib: 954.90,
			valuable: 285.3, rated: 291.5, apt: 305, cleanMin: 10.9, cleanMoney: 59.70, cleanPoints: 10.9 / 3.9,
			dirtMin: 35, dirtMoney: 105, dirtPoints: 35 / 3.9,
			outsidePBT: 380, outsideA: 305.0 / 380, outsideOEE: 285.3 / 380,
			wrongOEE: []float64{0.634, 0.679}, wrongPlan: []float64{450, 420}, wrongOwn: []float64{65}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := tt.res.Day
			var s Sums
			s.Add(&r)
			money := func(a Amount, perMinute float64) float64 {
				return float64(a.US)/6e7*perMinute + float64(a.Material)/1e9
			}
			total, cleaning, dirt := s.Total(), s.Share("cleaning"), s.Share("dirt")
			pbt, oee := s.OutsidePolicy()
			for _, x := range []struct {
				name           string
				got, want, tol float64
			}{
				{"minutes", float64(total.US) / 6e7, tt.minutes, 1e-9}, {"meters", float64(total.MM) / 1e3, tt.meters, 1e-9},
				{"money", money(total, 3), tt.money, 1e-9}, {"money on the contribution basis", money(total, 7), tt.contrib, 1e-9},
				{"valuable operating time", float64(s.Valuable) / 6e7, tt.valuable, 1e-9}, {"rated time", float64(s.Rated()) / 6e7, tt.rated, 1e-9},
				{"APT", float64(s.APT) / 6e4, tt.apt, 1e-9},
				{"cleaning minutes", float64(cleaning.US) / 6e7, tt.cleanMin, 1e-9}, {"cleaning money", money(cleaning, 3), tt.cleanMoney, 1e-9},
				{"cleaning points", s.Points(cleaning.US), tt.cleanPoints, 5e-5},
				{"dirt minutes", float64(dirt.US) / 6e7, tt.dirtMin, 1e-9}, {"dirt money", money(dirt, 3), tt.dirtMoney, 1e-9},
				{"dirt points", s.Points(dirt.US), tt.dirtPoints, 5e-5},
				{"policy outside, planned", float64(pbt) / 6e7, tt.outsidePBT, 1e-9}, {"policy outside, A", ratio(s.APT*1000, pbt), tt.outsideA, 5e-7},
				{"policy outside, OEE", oee, tt.outsideOEE, 5e-7},
				{"sum and valuable", float64(total.US+s.Valuable) / 6e7, float64(s.PBT) / 6e4, 1e-9},
			} {
				if abs(x.got-x.want) > x.tol {
					t.Errorf("%s: %.9f, want %.9f", x.name, x.got, x.want)
				}
			}
			clean := float64(r.In[PlannedCleaning].US+r.In[CleaningOverrun].US+r.Parts[SubCleaning]) / 6e7
			for _, x := range []struct {
				name  string
				got   float64
				wrong []float64
				near  float64
			}{
				{"OEE", s.Factors().OEE, tt.wrongOEE, 0.0005}, {"policy outside, planned", float64(pbt) / 6e7, tt.wrongOutside, 0.5},
				{"planned time", float64(s.PBT) / 6e4, tt.wrongPlan, 0.5}, {"set-up waste", float64(r.In[SetupWaste].US) / 6e7, tt.wrongSetup, 0.001},
				{"overrun", float64(r.In[CleaningOverrun].US) / 6e7, tt.wrongOverrun, 0.5}, {"the clean", clean, tt.wrongOwn, 0.5},
			} {
				for _, w := range x.wrong {
					if abs(x.got-w) < x.near {
						t.Errorf("%s is %.6f: the wrong reading", x.name, x.got)
					}
				}
			}
		})
	}
	a, b := tuesday.Day, monday.Day
	if a.Valuable != b.Valuable || a.PBT != b.PBT || a.APT != b.APT {
		t.Error("corrections move leaves, never the total")
	}
	// Together: 79.625 min, EUR 259.875, 17.6944 points.
	var s Sums
	s.Add(&a)
	both := s.Share("cleaning")
	both.add(s.Share("dirt"))
	if m := float64(both.US)/6e7*3 + float64(both.Material)/1e9; abs(float64(both.US)/6e7-79.625) > 1e-9 || abs(m-259.875) > 1e-9 || abs(s.Points(both.US)-17.6944) > 5e-5 {
		t.Errorf("together %.3f min, EUR %.3f, %.4f points", float64(both.US)/6e7, m, s.Points(both.US))
	}
}
