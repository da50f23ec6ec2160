package api

import (
	"math/big"
	"testing"
	"time"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func TestStepOf(t *testing.T) {
	day := func(s string) timeline.Day {
		d, err := timeline.ParseDay(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	for _, c := range []struct {
		step                  pb.SeriesStep
		at, key, first, until string
	}{
		{pb.SeriesStep_SERIES_STEP_UNSPECIFIED, "2026-01-01", "2026-W01", "2025-12-29", "2026-01-04"}, // ISO 8601: the week of the first Thursday
		{pb.SeriesStep_SERIES_STEP_WEEK, "2026-06-28", "2026-W26", "2026-06-22", "2026-06-28"},
		{pb.SeriesStep_SERIES_STEP_DAY, "2026-06-28", "2026-06-28", "2026-06-28", "2026-06-28"},
		{pb.SeriesStep_SERIES_STEP_MONTH, "2028-02-15", "2028-02", "2028-02-01", "2028-02-29"},
	} {
		key, first, last := stepOf(c.step, day(c.at))
		if key != c.key || first != day(c.first) || last != day(c.until) {
			t.Errorf("%s: %s from %s to %s", c.at, key, first, last)
		}
	}
}

func mondayToFriday(t *testing.T) *fleet {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	shift := timeline.ShiftPattern{Name: "early", Start: 360, End: 840, Days: [8]bool{1: true, 2: true, 3: true, 4: true, 5: true}}
	p := &timeline.Press{Plant: "rhein", Name: "p1", Zone: zone,
		Calendar: &timeline.Calendar{Zone: zone, Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1, Shifts: []timeline.ShiftPattern{shift}}}}}
	return &fleet{scope: []string{"rhein/p1"}, presses: map[string]*timeline.Press{"rhein/p1": p}}
}

// A week is over when the last shift of it has been reported: on Friday at 14:00
// where Saturday and Sunday are free.
func TestOver(t *testing.T) {
	f := mondayToFriday(t)
	sunday, err := timeline.ParseDay("2026-06-28")
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[string]bool{"2026-06-26T11:59:59Z": false, "2026-06-26T12:00:00Z": true} {
		x, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		if got := f.over(sunday, map[string]int64{"rhein/p1": x.UnixMilli()}); got != want {
			t.Errorf("with data up to %s the week is over: %v", at, got)
		}
	}
	if f.over(sunday, nil) {
		t.Error("a week without data is over")
	}
	if !f.planned(sunday-6, sunday-2) || f.planned(sunday-1, sunday) {
		t.Error("planned days of the week")
	}
}

// What is usual is read from the seven-day weeks right before the period; a week
// in which the data begins, or of which too little is known, is none of them.
func TestUsual(t *testing.T) {
	f := mondayToFriday(t)
	from, err := timeline.ParseDay("2026-06-22")
	if err != nil {
		t.Fatal(err)
	}
	byDay := map[timeline.Day]*loss.Sums{}
	add := func(d timeline.Day, dirt, unknown int64) {
		s := &loss.Sums{PBT: 1000, Measured: 1000 - unknown, Unknown: unknown}
		s.In[loss.ContaminationStop].US = dirt * 1000
		byDay[d] = s
	}
	for week := range timeline.Day(10) {
		for d := range timeline.Day(5) {
			add(from-7*(week+1)+d, 10*int64(week+1), 0)
		}
	}
	delete(byDay, from-70) // the oldest week begins on a Tuesday
	add(from-7, 10, 900)   // little known in the newest
	add(from-6, 10, 900)
	for d := range timeline.Day(5) {
		add(from+d, 500, 0)
	}
	u := usual(f, byDay, from, from+6)
	if len(u.Before) != 8 || u.Before[0] != 9 || u.Before[7] != 2 || len(u.Weeks) != 1 || u.Weeks[0] != 50 || u.Short || u.Doubt {
		t.Errorf("%+v", u)
	}
	if v, _ := u.Judge(); v != loss.VerdictMore {
		t.Errorf("verdict %d", v)
	}
	if u := usual(f, byDay, from, from+5); !u.Short || len(u.Weeks) != 0 {
		t.Errorf("six days: %+v", u)
	}
}

// Points become money at the price of the time lost, with the material that a
// waste leaf's time stands for; never over two currencies or bases.
func TestPrices(t *testing.T) {
	step := func(currency string) *lossStep {
		s := &lossStep{tree: newTreeSum()}
		x := &timeline.LossSum{PressDay: timeline.PressDay{Currency: currency, PBT: timeline.Hour}}
		x.In[loss.Waiting].US = 1_800_000_000 // half an hour at 180.00
		x.In[loss.UnbookedWaste] = timeline.LeafAmount{US: 600_000_000, MM: 1000, Material: 30_000_000_000}
		for _, l := range []loss.Leaf{loss.Waiting, loss.UnbookedWaste} {
			x.Priced[l] = new(big.Int).Mul(big.NewInt(x.In[l].US), big.NewInt(180_000_000))
		}
		s.tree.addDays(x)
		return s
	}
	p := newPrices([]*lossStep{step("EUR")})
	// 10 points of an hour are 6 min: EUR 18.00; as waste also 6/10 of EUR 30.00.
	for series, want := range map[string]string{"waiting": "18.00", "unbooked_waste": "36.00"} {
		if m := p.of(series, 10, timeline.Hour); len(m) != 1 || m[0].Amount != want || m[0].Currency != "EUR" {
			t.Errorf("%s: %v, want %s", series, m, want)
		}
	}
	if m := p.of("quality", 10, timeline.Hour); m != nil {
		t.Errorf("a factor has money: %v", m)
	}
	// All losses: EUR 120.00 and 30.00 of 40 min; a gain of OEE saves.
	if m := p.of("oee", 10, timeline.Hour); len(m) != 1 || m[0].Amount != "-22.50" {
		t.Errorf("oee: %v", m)
	}
	if m := newPrices([]*lossStep{step("EUR"), step("USD")}).of("waiting", 10, timeline.Hour); m != nil {
		t.Errorf("two currencies: %v", m)
	}
	if m := newPrices(nil).of("waiting", 10, timeline.Hour); m != nil {
		t.Errorf("nothing: %v", m)
	}
}
