package warehouse

import (
	"context"
	"flag"
	"fmt"
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
)

var update = flag.Bool("update-schema", false, "write the projection tables' schema files anew (before their first release only)")

var projectionFiles = map[string]string{
	"press_days_by_month": "schema/0080_press_days_by_month.sql", "shift_facts": "schema/0041_shift_facts.sql",
	"station_visits": "schema/0042_station_visits.sql", "duties": "schema/0043_duties.sql",
}

var projectionWhy = map[string]string{
	"press_days_by_month": "-- One press on one production day: one column per leaf inside (in_) and outside (out_) planned busy time, so that a\n-- fleet and a year are answered without reading facts. day is days since 1970-01-01. Key: questions name presses and\n-- days; a partition a month and small granules, so that days of a fleet and months of a press are found without reading\n-- a year. It takes the place of press_days (schema/0040), which had neither.\n",
	"shift_facts":         "-- Time and length booked to one key; leaf decided here, once. The key holds everything a figure is grouped by inside\n-- a press-day; the partition is a function of the key, because replacing works only inside one.\n",
	"station_visits":      "-- Station visits of cleaning sessions; seq -1 is the session itself.\n",
	"duties":              "-- One task due once and what became of it.\n",
}

// added are the columns that came after a table's first release, each with the
// schema file that adds it.
var added = []struct{ table, column, file string }{
	{"shift_facts", "stops", "schema/0060_shift_facts_stops.sql"},
	{"station_visits", "crew", "schema/0061_station_visits_crew.sql"},
	{"station_visits", "own_ms", "schema/0061_station_visits_crew.sql"},
	{"station_visits", "checks", "schema/0061_station_visits_crew.sql"},
}

// The schema files are what ProjectionSchema says: code and schema cannot
// drift apart.
func TestProjectionSchemaFiles(t *testing.T) {
	schema := ProjectionSchema()
	files := map[string]string{} // what the added columns' files must hold, but for the comment
	for _, a := range added {
		var rest []string
		found := ""
		for _, line := range strings.Split(schema[a.table], "\n") {
			if strings.HasPrefix(line, "    "+a.column+" ") {
				found = strings.TrimSuffix(strings.TrimSpace(line), ",")
				continue
			}
			rest = append(rest, line)
		}
		schema[a.table] = strings.Join(rest, "\n")
		if files[a.file] == "" {
			files[a.file] = "ALTER TABLE " + a.table + " ADD COLUMN IF NOT EXISTS " + found
		} else {
			files[a.file] += ",\n    ADD COLUMN IF NOT EXISTS " + found
		}
	}
	for file, want := range files {
		got, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, got, _ := strings.Cut(string(got), "\n"); got != want+"\n" {
			t.Errorf("%s differs from the columns in code: want\n%s", file, want)
		}
	}
	for table, sql := range schema {
		want := projectionWhy[table] + sql + "\n"
		if *update {
			if err := os.WriteFile(projectionFiles[table], []byte(want), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(projectionFiles[table])
		if err != nil {
			t.Fatal(err)
		}
		if string(got) != want {
			t.Errorf("%s differs from the columns in code", projectionFiles[table])
		}
	}
}

// The rows of the table before are taken over with all their columns.
func TestOldDaysAreCopied(t *testing.T) {
	text, err := os.ReadFile("schema/0081_press_days_copied.sql")
	if err != nil {
		t.Fatal(err)
	}
	if _, sql, _ := strings.Cut(string(text), "\nINSERT"); "INSERT"+sql != copyOldDays("")+"\n" {
		t.Errorf("schema/0081 differs from the columns in code: want\n%s", copyOldDays(""))
	}
}

// Columns are named after the leaves of package loss.
func TestLeafColumns(t *testing.T) {
	if loss.NumLeaves != timeline.MaxLeaf {
		t.Fatalf("loss has %d leaves, rows hold %d", loss.NumLeaves, timeline.MaxLeaf)
	}
	for l := range loss.NumLeaves {
		if got, want := LeafColumns[l], loss.Leaf(l).Slug(); got != want {
			t.Errorf("leaf %d: column %q, slug %q", l, got, want)
		}
	}
}

// fill sets every exported field of a struct to something that is not zero.
func fill(v reflect.Value, n *int64) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), n)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), n)
		fill(v.Index(1), n)
	case reflect.String:
		*n++
		v.SetString(fmt.Sprintf("s%d\t'\\\x00", *n))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int8, reflect.Int32, reflect.Int64:
		*n++
		v.SetInt(*n % 100)
	case reflect.Uint8:
		*n++
		v.SetUint(uint64(*n % 100))
	}
}

// Every field of every projection row comes back as it was stored; a gone row
// is not seen; a higher version replaces.
func TestProjectionsRoundTrip(t *testing.T) {
	ctx := context.Background()
	db := openTest(t)
	var p Projections
	n := int64(0)
	mk := func(s any) reflect.Value {
		v := reflect.ValueOf(s).Elem()
		fill(v, &n)
		v.FieldByName("Plant").SetString("a")
		v.FieldByName("Press").SetString("b")
		v.FieldByName("Day").SetInt(20000)
		return v
	}
	p.Days = []timeline.PressDay{mk(&timeline.PressDay{}).Interface().(timeline.PressDay)}
	p.Facts = []timeline.ShiftFact{mk(&timeline.ShiftFact{}).Interface().(timeline.ShiftFact)}
	p.Visits = []timeline.StationVisit{mk(&timeline.StationVisit{}).Interface().(timeline.StationVisit)}
	p.Duties = []timeline.DutyRow{mk(&timeline.DutyRow{}).Interface().(timeline.DutyRow)}
	// Leaves without a column are not stored: package loss never fills them.
	for _, r := range []*[timeline.MaxLeaf]timeline.LeafAmount{&p.Days[0].In, &p.Days[0].Out} {
		for l := range r {
			r[l] = timeline.LeafAmount{}
		}
	}
	p.Days[0].In[loss.SetupWaste] = timeline.LeafAmount{US: 1, MM: 2, Material: 3}
	p.Days[0].Out[loss.CleaningInBreak].US = 4
	p.Days[0].Out[loss.LeafProduction].US = 5
	if err := db.WriteProjections(ctx, Live, p, Projections{}, 7); err != nil {
		t.Fatal(err)
	}
	got, ver, err := db.ReadProjections(ctx, Live, "a", "b", 19999)
	if err != nil {
		t.Fatal(err)
	}
	if ver != 7 {
		t.Errorf("version %d", ver)
	}
	if !reflect.DeepEqual(got, p) {
		t.Errorf("got  %+v\nwant %+v", got, p)
	}
	before, err := db.Checksums(ctx)
	if err != nil {
		t.Fatal(err)
	}
	p.Facts[0].Dur++
	if err := db.WriteProjections(ctx, Live, Projections{Facts: p.Facts}, Projections{Visits: p.Visits}, 8); err != nil {
		t.Fatal(err)
	}
	got, ver, err = db.ReadProjections(ctx, Live, "a", "b", 19999)
	if err != nil {
		t.Fatal(err)
	}
	if ver != 8 || len(got.Facts) != 1 || got.Facts[0].Dur != p.Facts[0].Dur || len(got.Visits) != 0 || len(got.Duties) != 1 {
		t.Errorf("version %d, %d facts, %d visits", ver, len(got.Facts), len(got.Visits))
	}
	after, err := db.Checksums(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if before["shift_facts"] == after["shift_facts"] || before["duties"] != after["duties"] {
		t.Errorf("checksums before %v after %v", before, after)
	}
	// A rebuild's tables are swapped in whole.
	beside := NewBeside()
	if err := db.MakeBeside(ctx, beside); err != nil {
		t.Fatal(err)
	}
	if err := db.WriteProjections(ctx, beside, Projections{Days: p.Days}, Projections{}, 1); err != nil {
		t.Fatal(err)
	}
	if err := db.SwapBeside(ctx, beside); err != nil {
		t.Fatal(err)
	}
	got, _, err = db.ReadProjections(ctx, Live, "a", "b", 19999)
	if err != nil || len(got.Days) != 1 || len(got.Facts) != 0 {
		t.Errorf("after the swap: %d days, %d facts, %v", len(got.Days), len(got.Facts), err)
	}
}

// The identity is checked over the stored rows, and a row that breaks it is
// seen.
func TestUnbalanced(t *testing.T) {
	ctx := context.Background()
	db := openTest(t)
	good := timeline.PressDay{Plant: "a", Press: "b", Day: 1, PBT: 10, Valuable: 4000}
	good.In[loss.Setup].US, good.In[loss.OtherSlow].US = 7000, -1000
	bad := good
	bad.Day, bad.Valuable = 2, 4001
	if err := db.WriteProjections(ctx, Live, Projections{Days: []timeline.PressDay{good, bad}}, Projections{}, 1); err != nil {
		t.Fatal(err)
	}
	if days, n, err := db.Unbalanced(ctx); err != nil || days != 2 || n != 1 {
		t.Errorf("%d of %d press-days, %v; want 1 of 2", n, days, err)
	}
}

func TestRulesVersion(t *testing.T) {
	ctx := context.Background()
	db := openTest(t)
	for _, v := range []uint32{0, 1, 7} {
		if v > 0 {
			if err := db.SetRulesVersion(ctx, v); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := db.RulesVersion(ctx); err != nil || got != v {
			t.Errorf("%d, %v; want %d", got, err, v)
		}
	}
}

// The facts of a quiet month become one part, in the table of the schema and in
// the one that a rebuild puts in its place.
func TestFactsMergeByMonth(t *testing.T) {
	file, err := os.ReadFile("schema/0077_shift_facts_merge.sql")
	if err != nil || !strings.HasSuffix(string(file), "\nALTER TABLE shift_facts MODIFY SETTING "+factsMerge+"\n") {
		t.Errorf("the schema has other settings than a rebuild (%v)", err)
	}
	db, ctx := openTest(t), testContext(t)
	check := func(when string) {
		t.Helper()
		var sql string
		if err := db.conn.QueryRow(ctx, "SELECT create_table_query FROM system.tables WHERE database = currentDatabase() AND name = 'shift_facts'").Scan(&sql); err != nil {
			t.Fatal(err)
		}
		for _, s := range strings.Split(factsMerge, ", ") {
			if !strings.Contains(sql, s) {
				t.Errorf("%s, shift_facts is without %s: %s", when, s, sql)
			}
		}
	}
	check("as made")
	set := NewBeside()
	if err := db.MakeBeside(ctx, set); err != nil {
		t.Fatal(err)
	}
	if err := db.SwapBeside(ctx, set); err != nil {
		t.Fatal(err)
	}
	check("after a rebuild")
}
