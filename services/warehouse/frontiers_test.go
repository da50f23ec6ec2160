package warehouse

import (
	"maps"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// Frontiers are those that reading every press-day gives: of presses that run,
// that stopped long before, whose latest days were taken back or all of them,
// and whose last day was written again with less known of it.
func TestFrontiersAsReadWhole(t *testing.T) {
	db, ctx := openTest(t), testContext(t)
	days := func(press string, first, last timeline.Day, through int64) (p Projections) {
		for d := first; d <= last; d++ {
			p.Days = append(p.Days, timeline.PressDay{Plant: "rhein", Press: press, Day: d, Through: int64(d)*24*timeline.Hour + through})
		}
		return p
	}
	if got, err := db.Frontiers(ctx); err != nil || len(got) != 0 {
		t.Fatalf("of nothing: %v, %v", got, err)
	}
	write := func(changed, gone Projections, ver uint64) {
		t.Helper()
		if err := db.WriteProjections(ctx, Live, changed, gone, ver); err != nil {
			t.Fatal(err)
		}
	}
	for _, press := range []string{"runs", "less", "cut", "gone"} {
		write(days(press, 100, 199, 9000), Projections{}, 1)
	}
	write(days("stopped", 100, 120, 5000), Projections{}, 1)
	write(days("less", 199, 199, 7000), Projections{}, 2)
	write(Projections{}, days("cut", 150, 199, 0), 2)
	write(Projections{}, days("gone", 100, 199, 0), 2)
	at := func(d timeline.Day, through int64) int64 { return int64(d)*24*timeline.Hour + through }
	want := map[string]int64{"rhein/runs": at(199, 9000), "rhein/less": at(199, 7000), "rhein/cut": at(149, 9000), "rhein/stopped": at(120, 5000)}
	got, err := db.Frontiers(ctx)
	if err != nil || !maps.Equal(got, want) {
		t.Errorf("got %v, want %v (%v)", got, want, err)
	}
	whole := map[string]int64{}
	err = db.frontiers(ctx, "SELECT concat(plant, '/', press), max(through_ms) FROM press_days_by_month FINAL GROUP BY plant, press", nil, func(press string, at int64) { whole[press] = at })
	if err != nil || !maps.Equal(got, whole) {
		t.Errorf("got %v, read whole %v (%v)", got, whole, err)
	}
}
