package warehouse

import (
	"strings"
	"testing"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// The views for people and dashboards say what each of their columns is, give the leaves of the projection their names,
// and never name a crew.
func TestViewsAreDocumented(t *testing.T) {
	db := openTest(t)
	ctx := testContext(t)
	views := []string{"v_days", "v_losses", "v_visits", "v_sessions", "v_duties", "v_facts"}
	rows, err := db.conn.Query(ctx, "SELECT table, name, type, comment FROM system.columns WHERE database = {db:String} AND table IN {views:Array(String)}",
		clickhouse.Named("db", db.Database()), clickhouse.Named("views", views))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for rows.Next() {
		var table, name, kind, comment string
		if err := rows.Scan(&table, &name, &kind, &comment); err != nil {
			t.Fatal(err)
		}
		seen[table]++
		if comment == "" || !strings.HasSuffix(comment, ".") || name == "crew" || name == "note" || name == "carry" {
			t.Errorf("%s.%s %s: comment %q", table, name, kind, comment)
		}
	}
	if err := rows.Close(); err != nil {
		t.Fatal(err)
	}
	for _, v := range views {
		if seen[v] < 8 {
			t.Errorf("%s has %d columns", v, seen[v])
		}
	}
	// One row in each table, read through its view.
	for _, sql := range []string{
		"INSERT INTO press_days_by_month (plant, press, day, pbt_ms, valuable_us, in_setup_us, in_trials_mm, in_trials_nano, out_cleaning_in_break_us, ver) VALUES ('rhein', 'p1', 20454, 3, 2000, 1000, 7, 1500000000, 5, 1)",
		"INSERT INTO shift_facts (plant, press, day, leaf, state, dur_ms, ver) SELECT 'rhein', 'p1', 20454, number, number, 1, 1 FROM numbers(1, 24)",
		"INSERT INTO station_visits (plant, press, day, session, seq, occasion, from_ms, ver) VALUES ('rhein', 'p1', 20454, 's', -1, 1, 0, 1), ('rhein', 'p1', 20454, 's', 0, 4, 1772431200000, 1)",
		"INSERT INTO duties (plant, press, day, outcome, due_ms, cadence, ver) SELECT 'rhein', 'p1', 20454, number, 1772431200000, number, 1 FROM numbers(1, 7)",
	} {
		if err := db.conn.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	var names []string
	for leaf, name := range LeafColumns {
		if leaf > 0 && name != "" {
			names = append(names, name)
		}
	}
	for sql, want := range map[string]string{
		"SELECT concat(press_id, ' ', toString(day), ' ', toString(planned_busy_ms * 1000 = valuable_us + (SELECT sum(time_us) FROM v_losses WHERE planned))) FROM v_days":                                                                "rhein/p1 2026-01-01 1",
		"SELECT arrayStringConcat(groupArray(leaf || ' ' || share || ' ' || toString(planned) || ' ' || toString(time_us) || ' ' || toString(length_mm) || ' ' || toString(material)), ', ') FROM (SELECT * FROM v_losses ORDER BY leaf)": "cleaning_in_break cleaning false 5 0 0, setup  true 1000 0 0, trials  true 0 7 1.5",
		"SELECT arrayStringConcat(groupArray(leaf), ' ') FROM (SELECT leaf FROM v_facts ORDER BY rowNumberInAllBlocks())":                                                                                                                 strings.Join(names, " "),
		"SELECT concat(occasion, ' ', toString(from_at), ' ', (SELECT occasion FROM v_sessions)) FROM v_visits":                                                                                                                           "on demand 2026-03-02 06:00:00.000 startup",
		"SELECT arrayStringConcat(arraySort(groupArray(outcome || '/' || cadence)), ' ') FROM v_duties":                                                                                                                                   "late/shutdown missed/weekly not required/run hours on time/startup open/job change skipped/days unknown/run km",
	} {
		var got string
		if err := db.conn.QueryRow(ctx, sql).Scan(&got); err != nil || got != want {
			t.Errorf("%s\ngives %q, want %q (%v)", sql, got, want, err)
		}
	}
}
