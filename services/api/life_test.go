package api

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/interval"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// bookOf is a record of presses that run hours a day, with the failures of each
// day given.
func bookOf(hours float64, failures map[string][]int64) *stationBook {
	b := &stationBook{unit: "h", days: map[string][]lifeDay{}, minutes: map[string]*pb.FailureReason{}, slowest: hours}
	for id, list := range failures {
		for d, n := range list {
			b.days[id] = append(b.days[id], lifeDay{day: timeline.Day(20_000 + d), clock: hours, failures: n})
		}
	}
	return b
}

// TestLives: what is cut out of the run adds up to it; the last life of a press
// is still going on; a press without a failure is one such life.
func TestLives(t *testing.T) {
	b := bookOf(10, map[string][]int64{"a/1": {0, 1, 0, 2, 0}, "a/2": {0, 0, 0}})
	lives, failed, begun := b.lives(false)
	total, open := 0.0, 0
	for _, l := range lives {
		total += l.Time
		if !l.Failed {
			open++
		}
	}
	if failed != 3 || open != 2 || begun != 2 || math.Abs(total-80) > 1e-9 {
		t.Fatalf("%d failed, %d open, %d begun before, %v h of 80", failed, open, begun, total)
	}
	again, _, _ := b.lives(false)
	if !slices.Equal(lives, again) {
		t.Error("not the same twice")
	}
	b.days["a/2"][1].cleans = 1
	if _, n, _ := b.lives(true); n != 4 {
		t.Errorf("%d failures with cleans", n)
	}
}

// TestLivesOfChance: failures that come at any time, several a day, do not look
// like wear: the interval of the shape holds 1 in about 95 of 100 records.
func TestLivesOfChance(t *testing.T) {
	holds := 0
	const records = 200
	for s := range records {
		rnd := stats.Random{Seed: uint64(s + 1)}
		by := map[string][]int64{}
		for p := range 4 {
			var list []int64
			for d := range 60 { // Poisson with mean 1.5 by inversion
				u, k, q, sum := rnd.Float64(uint64(p), uint64(d)), int64(0), math.Exp(-1.5), math.Exp(-1.5)
				for u > sum {
					k++
					q *= 1.5 / float64(k)
					sum += q
				}
				list = append(list, k)
			}
			by[string(rune('a'+p))+"/"+string(rune('a'+s%26))+string(rune('a'+s/26))] = list
		}
		lives, _, _ := bookOf(16, by).lives(false)
		w, err := interval.FitWeibull(lives)
		if err != nil {
			t.Fatal(err)
		}
		if w.BetaLow <= 1 && w.BetaHigh >= 1 {
			holds++
		}
	}
	if holds < 180 || holds > 199 { // binomial, 0.95 of 200: 190 with s.d. 3.1
		t.Errorf("%d of %d", holds, records)
	}
}

// TestLifeClock: the answer says how coarse its clock is. Lives of many days come
// out alike wherever in its day each failure is put; where several fall on a day
// the shape is what chance made it, and one at the edge is not acted on.
func TestLifeClock(t *testing.T) {
	long := bookOf(10, map[string][]int64{})
	for p := range 6 {
		for d := range 240 {
			n := int64(0)
			if (d+3*p)%20 == 0 {
				n = 1
			}
			id := "a/" + string(rune('1'+p))
			long.days[id] = append(long.days[id], lifeDay{day: timeline.Day(20_000 + d), clock: 10, failures: n})
		}
	}
	say := func(b *stationBook) (string, string) {
		lives, _, _ := b.lives(false)
		w, err := interval.FitWeibull(lives)
		if err != nil {
			t.Fatal(err)
		}
		return b.coarse(lives, w, true)
	}
	said, chance := say(long)
	if chance != "" || strings.Contains(said, "says little") || !strings.Contains(said, "whose run is 10.0 h at the median") || !strings.Contains(said, "Placed otherwise 19 times") || !strings.Contains(said, " 1 of 72 lives that failed are shorter") {
		t.Errorf("long lives: %q, %q", said, chance)
	}
	// A failure or two nearly every day: half of the lives are shorter than a day.
	often := bookOf(10, map[string][]int64{})
	for p := range 3 {
		var list []int64
		for d := range 12 {
			list = append(list, int64(1+(d+p)%2))
		}
		often.days["a/"+string(rune('1'+p))] = bookOf(10, map[string][]int64{"x": list}).days["x"]
	}
	said, chance = say(often)
	if !strings.Contains(said, "shorter than two such days. As most of them are") || chance == "" {
		t.Errorf("short lives: %q, %q", said, chance)
	}
	if said, chance := bookOf(10, nil).coarse(nil, interval.Weibull{}, false); said == "" || chance != "" {
		t.Errorf("no days: %q, %q", said, chance)
	}
}

// TestLifeRules: safety work gets no age of replacement whatever is stated,
// shape and number of failures are asked for, the maker's interval holds.
func TestLifeRules(t *testing.T) {
	wear := bookOf(10, map[string][]int64{})
	for p := range 6 { // a failure about every fourth day: lives near 40 h
		id := "a/" + string(rune('1'+p))
		for d := range 120 {
			n := int64(0)
			if (d+p)%4 == 0 {
				n = 1
			}
			wear.days[id] = append(wear.days[id], lifeDay{day: timeline.Day(20_000 + d), clock: 10, failures: n})
		}
	}
	ask := &pb.EstimateLifeRequest{Station: "die-station", Costs: &pb.IntervalCosts{Currency: "EUR", Clean: &pb.CostRange{Low: "50"}}, FailureCost: "500"}
	refused := func(b *stationBook, r *stationRules) []string {
		t.Helper()
		a, err := b.answer(ask, r)
		if err != nil {
			t.Fatal(err)
		}
		if len(a.Refusals) > 0 && a.ReplaceAt != 0 {
			t.Error("refused and answered")
		}
		var out []string
		for _, x := range a.Refusals {
			out = append(out, x.Rule)
		}
		if len(a.Notes) < 4 {
			t.Error("cautions are missing")
		}
		return out
	}
	rules := func() *stationRules { return &stationRules{cautions: cautions(nil, true)} }
	if got := refused(wear, rules()); got != nil {
		t.Errorf("wear: %v", got)
	}
	safe := rules()
	safe.safety = "the plan marks it"
	if got := refused(wear, safe); !slices.Equal(got, []string{"safety"}) {
		t.Errorf("safety: %v", got)
	}
	short := rules()
	short.limits = []makerLimit{{"a/1", "die-clean", timeline.CadenceRunHours, 5}}
	if got := refused(wear, short); !slices.Equal(got, []string{"maker"}) {
		t.Errorf("maker: %v", got)
	}
	if got := refused(bookOf(10, map[string][]int64{"a/1": {0, 1, 0, 1}}), rules()); !slices.Equal(got, []string{"failures"}) {
		t.Errorf("few: %v", got)
	}
}
