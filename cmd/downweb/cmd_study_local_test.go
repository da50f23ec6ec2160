package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/honesty"
)

// here runs a command without a server.
func here(t *testing.T, args ...string) (out, errs string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), os.Environ(), args, strings.NewReader(""), &o, &e)
	return o.String(), e.String(), code
}

// A file that was exported and a table of one's own with the same rows are
// answered here, by the same engine, with the same bits as the study package
// gives; and every word of it may be said.
func TestStudyOfAFile(t *testing.T) {
	sim := honesty.Fleet{Seed: 8, Plants: 2, Presses: 8, Days: 70, Stations: 2, Effect: math.Log(1.6)}.Make()
	dir := t.TempDir()
	put := func(name, text string) string {
		t.Helper()
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	var exported bytes.Buffer
	if err := sim.Data.WriteCSV(&exported); err != nil {
		t.Fatal(err)
	}
	rows := put("rows.csv", exported.String())
	plain := put("plain.yaml", "title: from a file\npermutations: 199\nmax_lag: 3\ndependence: any\n")
	out, errs, code := here(t, "study", "ask", plain, "--csv", rows, "-o", "json")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	x := &pb.Study{}
	if err := protojson.Unmarshal([]byte(out), x); err != nil {
		t.Fatal(err)
	}
	spec := study.DefaultSpec()
	spec.Permutations, spec.MaxLag, spec.AnyDependence = 199, 3, true
	want, err := study.Run(sim.Data, spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.Join(x.Cautions, " "), "simulated fleets") {
		t.Errorf("how often the method is right is not said: %q", x.Cautions)
	}
	if x.ResultJson != string(body) || x.DataSha256 != sim.Data.SHA256() {
		t.Error("the command gives another result than the study package")
	}

	var own strings.Builder
	own.WriteString("machine,date,metres,lost,restarts,dirty 0,dirty 1\n")
	flag := func(s study.State) string {
		return map[study.State]string{study.Cleaned: "0", study.NotCleaned: "1"}[s]
	}
	for _, r := range sim.Data.Rows {
		fmt.Fprintf(&own, "%s,%s,%.3f,%.3f,%.3f,%s,%s\n", r.Press, time.Unix(int64(r.Day)*86400, 0).UTC().Format(time.DateOnly), float64(r.RunMM)/1e3, float64(r.RunWasteMM)/1e3,
			float64(r.RestartWasteMM)/1e3, flag(r.Stations[0].State), flag(r.Stations[1].State))
	}
	own.WriteString("north/p9,2026-02-01,,1,1,0,0\n")
	table := put("own.csv", own.String())
	roles := put("own.yaml", "permutations: 199\nmax_lag: 3\ncolumns:\n  press: machine\n  day: date\n  run: {name: metres, unit: m}\n  waste: {name: lost, unit: m}\n"+
		"  restart_waste: {name: restarts, unit: m}\n  stations:\n    - {station: treater, state: dirty 0}\n    - {station: nip, state: dirty 1}\n")
	out, errs, code = here(t, "study", "ask", roles, "--csv", table)
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, must := range []string{"Study of a file", "treater", "1 lines left out: line without run", "2026-01-05"} {
		if !strings.Contains(out, must) {
			t.Errorf("%q is not in\n%s", must, out)
		}
	}
	if bad := study.ForbiddenWords(out); bad != nil {
		t.Errorf("says %q:\n%s", bad, out)
	}

	for name, c := range map[string]struct{ spec, table, want string }{
		"role":   {put("a.yaml", strings.Replace(readText(t, roles), "name: lost", "name: gone", 1)), table, `names "gone"`},
		"unit":   {put("b.yaml", strings.Replace(readText(t, roles), "unit: m}", "unit: kg}", 1)), table, "unit"},
		"scope":  {put("c.yaml", "scope: {plants: [rhein]}\n"), rows, "scope"},
		"cell":   {roles, put("d.csv", strings.Replace(own.String(), "2026-01-05", "5 Jan", 1)), "line 2, column date"},
		"absent": {put("e.yaml", "stations: [nowhere]\n"), rows, "nowhere"},
		"rules":  {put("f.yaml", "max_lag: 400\n"), rows, "max_lag"},
		"layout": {put("g.yaml", "{}\n"), table, "column"},
	} {
		if _, errs, code := here(t, "study", "ask", c.spec, "--csv", c.table); code != 2 || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit %d, %q is not in %s", name, code, c.want, errs)
		}
	}
}

func readText(t *testing.T, file string) string {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Every method that is listed can be asked about, and one is run on a file; what
// is wrong with a question is said with exit code 2.
func TestStudyMethods(t *testing.T) {
	out, _, code := here(t, "study", "methods", "-o", "json")
	var list []struct {
		Name, Formula string
		Sources       []string
	}
	if err := json.Unmarshal([]byte(out), &list); err != nil || code != 0 || len(list) < 10 {
		t.Fatalf("%d methods, exit %d, %v", len(list), code, err)
	}
	for _, m := range list {
		out, errs, code := here(t, "study", "methods", m.Name)
		if code != 0 || !strings.Contains(out, "Formula: ") || !strings.Contains(out, "Source: ") {
			t.Errorf("%s: exit %d %s %s", m.Name, code, out, errs)
		}
		if bad := study.ForbiddenWords(out); bad != nil {
			t.Errorf("%s says %q", m.Name, bad)
		}
	}
	file := filepath.Join(t.TempDir(), "t.csv")
	// Ranks of x 1…8 and y: Spearman 1 − 6·Σd²/(n(n²−1)) with Σd² = 8 is 1 − 48/504.
	if err := os.WriteFile(file, []byte("x,y\n1,2\n2,1\n3,4\n4,3\n5,6\n6,5\n7,8\n8,7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	out, errs, code := here(t, "study", "method", "spearman", "--csv", file, "--outcome", "y", "--exposure", "x", "-o", "json")
	var r struct{ Estimates []struct{ Value float64 } }
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != 0 || len(r.Estimates) == 0 || math.Abs(r.Estimates[0].Value-(1-48.0/504)) > 1e-12 {
		t.Errorf("exit %d, %v %s %s", code, err, out, errs)
	}
	if out, errs, code = here(t, "study", "method", "spearman", "--csv", file, "--outcome", "y", "--exposure", "x"); code != 0 || !strings.Contains(out, "0.90476") || study.ForbiddenWords(out) != nil {
		t.Errorf("exit %d %s %s", code, out, errs)
	}
	for want, args := range map[string][]string{
		"no method":     {"study", "method", "guess", "--csv", file},
		"give the":      {"study", "method", "spearman"},
		`no column "z"`: {"study", "method", "spearman", "--csv", file, "--outcome", "z", "--exposure", "x"},
	} {
		if _, errs, code := here(t, args...); code != 2 || !strings.Contains(errs, want) {
			t.Errorf("%v: exit %d, %q is not in %s", args, code, want, errs)
		}
	}
}

// Two studies side by side: what is the same is not listed, what differs is,
// with both values.
func TestStudyDifferences(t *testing.T) {
	lag := int32(3)
	a := &pb.Study{Id: "a", Spec: &pb.StudySpec{Title: "spring", Seed: 1, MaxLag: &lag, Stations: []string{"uv-1", "uv-2"}, Scope: &pb.Scope{Plants: []string{"rhein"}}},
		AsOf: &pb.AsOf{Pos: 12, RegistryRev: 1}, DataSha256: "aa", ResultSha256: "cc", ResultJson: `{"method":"default-2"}`, Version: "v1",
		Findings: []*pb.StationFinding{{Station: "uv-1", Grade: 3, PAdjusted: 0.01, Meters: &pb.Estimate{Value: 5, Low: 1, High: 9, Ok: true}}, {Station: "uv-2", Grade: 1, Meters: &pb.Estimate{}}}}
	if d, err := studyDifferences(a, a); err != nil || len(d) != 0 {
		t.Errorf("a study differs from itself: %v, %v", d, err)
	}
	b := proto.Clone(a).(*pb.Study)
	b.Id, b.Spec.Seed, b.Spec.Stations, b.ResultSha256, b.AsOf.Pos = "b", 2, []string{"uv-1"}, "dd", 13
	b.Findings[0].Grade = 2
	b.Findings = b.Findings[:1]
	got, err := studyDifferences(a, b)
	if err != nil {
		t.Fatal(err)
	}
	want := []studyDifference{{"spec", "seed", "1", "2"}, {"spec", "stations", "uv-1, uv-2", "uv-1"}, {"data", "insert", "12", "13"}, {"result", "SHA-256", "cc", "dd"},
		{"result", "uv-1, grade", "3", "2"}, {"result", "uv-2", "in this study", "not in this study"}}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("differences %v, want %v", got, want)
	}
	var out strings.Builder
	printComparison(&out, a, b, got)
	if study.ForbiddenWords(out.String()) != nil || !strings.Contains(out.String(), "seed: 1 | 2") {
		t.Error(out.String())
	}
}
