package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/downweb/downweb/services/tablefile"
	"github.com/downweb/downweb/services/warehouse"
)

// exports asks every command that writes tables twice, in one format, some in each: the same bytes and the same manifest,
// whose hash, rows, columns, range, zone and versions are those of the file.
func (l *apiLine) exports(t *testing.T) {
	dir := t.TempDir()
	period := []string{"--from", "2026-06-15", "--to", "2026-06-16"}
	list, err := l.studies.ListStudies(l.ctx, nil)
	if err != nil || len(list.GetStudies()) == 0 {
		t.Fatal(list, err)
	}
	study := list.GetStudies()[0].GetId()
	with := func(words string, more ...string) []string { return append(strings.Fields(words), more...) }
	turn := 0
	for name, args := range map[string][]string{
		"loss":         with("loss --by press", period...),
		"loss-view":    with("loss --as six-losses --press rhein/p2", period...),
		"loss-explain": with("loss --explain cleaning_overrun --press rhein/p2", period...),
		"loss-compare": with("loss --from 2026-06-15 --to 2026-06-15 --compare-to 2026-03-28..2026-03-28"),
		"trend":        with("loss trend --step day", period...),
		"indicators":   with("loss indicators --by press", period...),
		"stations":     with("stations --by press", period...),
		"st-trend":     with("stations trend", period...),
		"proposals":    with("stations proposals", period...),
		"reliability":  with("stations reliability", period...),
		"sessions":     with("sessions", period...),
		"duties":       with("duties --limit 0", period...),
		"compliance":   with("duties --by station", period...),
		"heat":         with("duties --heat", period...),
		"due":          with("duties --due"),
		"events":       with("events list --limit 300 --from 2026-06-15 --to 2026-06-16 --event station_signed_off,cleaning_opened"),
		"plants":       with("registry show"),
		"history":      with("registry history"),
		"dead":         with("dead list"),
		"study":        with("study show " + study),
		"studies":      with("study list"),
	} {
		turn++
		for i, format := range fileFormats {
			if i != turn%len(fileFormats) && name != "loss" && name != "sessions" {
				continue
			}
			var files, manifests [2][]byte
			for i := range files {
				file := filepath.Join(dir, name+"."+format)
				var out, errs bytes.Buffer
				if code := run(l.ctx, os.Environ(), append(args, "-o", format, "--out", file, "--addr", l.conn.Target()), nil, &out, &errs); code != 0 || out.Len() > 0 {
					t.Fatalf("%s -o %s: exit %d %s%s", name, format, code, out.String(), errs.String())
				}
				if files[i], err = os.ReadFile(file); err != nil {
					t.Fatal(err)
				}
				if manifests[i], err = os.ReadFile(file + ".manifest.json"); err != nil {
					t.Fatal(err)
				}
			}
			if !bytes.Equal(files[0], files[1]) || !bytes.Equal(manifests[0], manifests[1]) {
				t.Errorf("%s -o %s: twice is not the same", name, format)
			}
			m, err := tablefile.ParseManifest(manifests[0])
			if err != nil {
				t.Fatal(err)
			}
			if m.SHA256 != tablefile.Sum(files[0]) || string(m.Format) != format || len(m.Columns) < 3 || !strings.HasPrefix(m.Query, "downweb ") || m.Version == "" || m.Schema != int(warehouse.SchemaVersion()) || m.Schema < 24 {
				t.Errorf("%s -o %s: manifest %s", name, format, manifests[0])
			}
			if m.Rows == 0 && name != "dead" && name != "reliability" && name != "study" {
				t.Errorf("%s -o %s has no rows: the check sees nothing", name, format)
			}
			if _, ranged := m.Parameters["from"]; ranged && name != "events" && name != "loss-compare" {
				if p := m.Period; p == nil || p.FirstDay != "2026-06-15" || p.LastDay != "2026-06-16" || len(p.Zones) != 1 || p.Zones[0] != "Europe/Berlin" || m.AsOf == nil || m.AsOf.Pos == 0 || m.Rules == 0 {
					t.Errorf("%s -o %s: range, zone or pins are missing: %s", name, format, manifests[0])
				}
			}
			if name == "study" && (m.Seed == nil || m.Parameters["argument 1"] != study) {
				t.Errorf("study: no seed, or not which: %s", manifests[0])
			}
			if (name == "duties" || name == "due") && !strings.Contains(strings.Join(m.Notes, " "), "lock-out") {
				t.Errorf("%s: no cautions: %s", name, manifests[0])
			}
		}
	}
	for _, args := range [][]string{with("loss --out x"), with("loss -o json --out x"), with("loss -o xls"), with("events watch -o parquet")} {
		var out, errs bytes.Buffer
		if code := run(l.ctx, os.Environ(), append(args, "--addr", l.conn.Target()), nil, &out, &errs); code != 2 {
			t.Errorf("%v: exit %d %s", args, code, errs.String())
		}
	}
}

// A text that is not of its column's kind is an error, never another column.
func TestTypedTable(t *testing.T) {
	if _, err := typedTable("t", []string{"visits"}, [][]string{{"3"}, {"three"}}); err == nil || !strings.Contains(err.Error(), "row 2, column visits") {
		t.Errorf("a word among numbers: %v", err)
	}
	table, err := typedTable("stations-trend", []string{"station", "left_out", "from", "day", "time_us", "hours_per_month"}, [][]string{{"", "true", "2026-06-15T04:00:00.5Z", "2026-06-15", "7", ""}})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := tablefile.Write(&b, tablefile.CSV, table); err != nil || b.String() != "station,left_out,from,day,time_us,hours_per_month\n,true,2026-06-15T04:00:00.500Z,2026-06-15,7,\n" {
		t.Errorf("%v %s", err, b.String())
	}
}
