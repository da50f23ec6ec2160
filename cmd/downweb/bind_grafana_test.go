package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// grafanaText fills the plug-in's macros and the dashboard's variables as Grafana does for days from 15 to 16 June 2026 and
// every press of the worked shifts.
func grafanaText(sql string) string {
	macro := regexp.MustCompile(`\$__(dateFilter|timeFilter)\((\w+)\)`)
	sql = macro.ReplaceAllStringFunc(sql, func(m string) string {
		part := macro.FindStringSubmatch(m)
		if part[1] == "dateFilter" {
			return part[2] + " >= toDate('2026-06-15') AND " + part[2] + " <= toDate('2026-06-16')"
		}
		return part[2] + " >= toDateTime(1781474400) AND " + part[2] + " <= toDateTime(1781647200)"
	})
	return strings.NewReplacer("${plant:singlequote}", "'rhein'", "${press:singlequote}", "'rhein/p1','rhein/p2','rhein/p3'").Replace(sql)
}

type dashboard struct {
	UID    string
	Panels []struct {
		ID          int
		Type, Title string
		Description string
		Datasource  struct{ Type, UID string }
		Targets     []struct {
			RawSQL    string `json:"rawSql"`
			QueryType string
		}
		Options struct{ Content string }
		GridPos struct{ X, Y, W, H int }
	}
	Templating struct {
		List []struct{ Name, Query string }
	}
	Annotations struct {
		List []struct {
			Target struct {
				RawSQL string `json:"rawSql"`
			}
		}
	}
}

// dashboards runs every statement of the dashboards on the engine; each finds rows in the worked shifts, and the figures
// are those of the services.
func (l *apiLine) dashboards(t *testing.T) {
	var provisioned struct {
		Datasources []struct{ UID, Type string }
	}
	text, err := os.ReadFile("../../deploy/grafana/provisioning/datasources/downweb.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(text, &provisioned); err != nil || len(provisioned.Datasources) != 1 {
		t.Fatal(err)
	}
	source := provisioned.Datasources[0]
	files, err := filepath.Glob("../../deploy/grafana/dashboards/*.json")
	if err != nil || len(files) < 2 {
		t.Fatal(files, err)
	}
	got := map[string][]string{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var d dashboard
		if err := json.Unmarshal(text, &d); err != nil {
			t.Fatal(err)
		}
		run := func(what, sql string, least int) {
			t.Helper()
			if left := grafanaText(sql); strings.Contains(left, "$") {
				t.Errorf("%s: %s: a macro is not known: %s", file, what, left)
			}
			rows, err := l.db.Conn().Query(l.ctx, grafanaText(sql))
			if err != nil {
				t.Errorf("%s: %s: %v\n%s", file, what, err, grafanaText(sql))
				return
			}
			defer rows.Close()
			n := 0
			for rows.Next() {
				n++
			}
			if err := rows.Err(); err != nil || n < least {
				t.Errorf("%s: %s: %d rows, %v", file, what, n, err)
			}
			got[d.UID+" "+what] = rows.Columns()
		}
		cautions := false
		ids := map[int]bool{}
		for _, p := range d.Panels {
			if ids[p.ID] || p.GridPos.W == 0 || p.GridPos.X+p.GridPos.W > 24 {
				t.Errorf("%s: panel %d stands twice or nowhere", file, p.ID)
			}
			ids[p.ID] = true
			cautions = cautions || strings.Contains(p.Options.Content, "lock-out") && strings.Contains(p.Options.Content, "maker's manual")
			if p.Type == "text" {
				continue
			}
			if len(p.Targets) != 1 || p.Datasource.UID != source.UID || p.Datasource.Type != source.Type || p.Description == "" {
				t.Errorf("%s: panel %q has no statement, no words, or another data source", file, p.Title)
				continue
			}
			run(p.Title, p.Targets[0].RawSQL, 1)
			if columns := got[d.UID+" "+p.Title]; (p.Type == "timeseries") != (len(columns) > 0 && columns[0] == "time") || (p.Type == "timeseries") != (p.Targets[0].QueryType == "timeseries") {
				t.Errorf("%s: panel %q is a %s of %v", file, p.Title, p.Type, columns)
			}
		}
		if !cautions {
			t.Errorf("%s shows no cautions", file)
		}
		for _, v := range d.Templating.List {
			run("variable "+v.Name, v.Query, 1)
		}
		for _, a := range d.Annotations.List {
			run("annotation", a.Target.RawSQL, 1)
		}
	}
	if len(got) < 20 {
		t.Errorf("only %d statements ran", len(got))
	}
	// The first stat beside the service's own answer: 12 + 33 min of cleaning and the dirt of p1, p2, over 900 min.
	var points float64
	text, _ = os.ReadFile("../../deploy/grafana/dashboards/losses.json")
	var d dashboard
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	if err := l.db.Conn().QueryRow(l.ctx, grafanaText(d.Panels[1].Targets[0].RawSQL)).Scan(&points); err != nil {
		t.Fatal(err)
	}
	want := 0.0
	for _, leaf := range l.leavesOf(t) {
		if leaf.share != "" {
			want += leaf.points
		}
	}
	nearTo(t, "maintenance share of the dashboard", points, want, 1e-9)
}

type leafPoints struct {
	share  string
	points float64
}

// leavesOf are the leaves of 15 and 16 June as the service answers.
func (l *apiLine) leavesOf(t *testing.T) (out []leafPoints) {
	t.Helper()
	r, err := l.losses().GetLosses(l.ctx, &pb.GetLossesRequest{Period: days("2026-06-15", "2026-06-16")})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range r.GetTotal().GetLeaves() {
		out = append(out, leafPoints{x.GetShare(), x.GetOeePoints()})
	}
	return out
}
