package main

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/opstest"
)

const alertRules = "../../deploy/alerts/downweb.rules.yaml"

// Every metric that a rule names is one that the program gives out, every alert says what to do, and what is said of
// cleaning defers to those who decide.
func TestAlertRules(t *testing.T) {
	var source strings.Builder
	err := filepath.WalkDir("../../services", func(path string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, "_test.go") {
			text, e := os.ReadFile(path)
			source.Write(text)
			err = e
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(alertRules)
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Groups []struct {
			Name  string
			Rules []struct {
				Alert, Expr string
				Labels      map[string]string
				Annotations map[string]string
			}
		}
	}
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	metric := regexp.MustCompile(`downweb_\w+`)
	seen := 0
	for _, g := range doc.Groups {
		for _, r := range g.Rules {
			names := metric.FindAllString(r.Expr, -1)
			if len(names) == 0 || r.Labels["severity"] == "" || r.Annotations["summary"] == "" || r.Annotations["description"] == "" {
				t.Errorf("%s: names no metric, or does not say what is wrong and what to do", r.Alert)
			}
			for _, n := range names {
				seen++
				if !named(source.String(), n) {
					t.Errorf("%s: the program has no metric %s", r.Alert, n)
				}
			}
			if strings.Contains(r.Expr, "overdue") && !strings.Contains(r.Annotations["description"], "lock-out") {
				t.Errorf("%s: no cautions", r.Alert)
			}
		}
	}
	if seen < 20 {
		t.Errorf("only %d metrics were looked for", seen)
	}
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	for _, args := range [][]string{{"check", "rules", "downweb.rules.yaml"}, {"test", "rules", "downweb.test.yaml"}} {
		c := exec.Command(tool, args...)
		c.Dir = filepath.Dir(alertRules)
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("promtool %v: %v\n%s", args, err, out)
		}
	}
}

// named says whether a source holds a metric's name, whole or as a prefix and the rest.
func named(source, metric string) bool {
	metric = strings.TrimSuffix(metric, "_total")
	if strings.Contains(source, `"`+metric+`"`) || strings.Contains(source, `"`+metric+`_total"`) {
		return true
	}
	for i, r := range metric {
		if r == '_' && i > len("downweb_") && strings.Contains(source, `"`+metric[:i+1]+`"`) && strings.Contains(source, `"`+metric[i+1:]+`"`) {
			return true
		}
	}
	return false
}

// pressMetrics reads the figures of presses as an alert manager would: they are those of the services.
func (l *apiLine) pressMetrics(t *testing.T) (m *ops.Metrics, overdue int) {
	t.Helper()
	m = ops.NewMetrics()
	s := api.New(api.Config{Listen: "127.0.0.1:0"}, l.deps)
	s.RegisterMetrics(m)
	defer l.background("api with metrics", s.Run)()
	if age := opstest.Value(t, m, "downweb_api_press_figures_age_seconds"); age != -1 {
		t.Errorf("age before the first reading: %v", age)
	}
	for n := 0; opstest.Value(t, m, "downweb_api_press_figures_age_seconds") < 0; n++ {
		if n == 200 {
			t.Fatal("the figures are never made")
		}
		time.Sleep(50 * time.Millisecond)
	}
	due, err := pb.NewDutyServiceClient(l.conn).ListDueDuties(l.ctx, &pb.ListDueDutiesRequest{Hours: 1})
	if err != nil || len(due.GetPresses()) == 0 {
		t.Fatal(due, err)
	}
	all := 0
	for _, p := range due.GetPresses() {
		overdue, safety, oldest := 0, 0, 0.0
		for _, d := range p.GetDuties() {
			if d.GetOverdueMs() > 0 {
				overdue++
				oldest = max(oldest, float64(d.GetOverdueMs())/1000)
				if d.GetSafety() {
					safety++
				}
			}
		}
		all += overdue
		nearTo(t, p.GetPress()+" overdue", opstest.Value(t, m, "downweb_press_overdue_duties", "press", p.GetPress()), float64(overdue), 0)
		nearTo(t, p.GetPress()+" safety", opstest.Value(t, m, "downweb_press_overdue_safety_duties", "press", p.GetPress()), float64(safety), 0)
		nearTo(t, p.GetPress()+" oldest", opstest.Value(t, m, "downweb_press_oldest_overdue_seconds", "press", p.GetPress()), oldest, 0)
		silent := opstest.Value(t, m, "downweb_press_silent_seconds", "press", p.GetPress())
		nearTo(t, p.GetPress()+" silent", silent, time.Since(p.GetFrontier().AsTime()).Seconds(), 60)
		planned := opstest.Value(t, m, "downweb_press_silent_planned_seconds", "press", p.GetPress())
		if planned < 0 || planned > silent || silent > 7*86400 && planned == 0 {
			t.Errorf("%s: silent %v s, of them planned %v s", p.GetPress(), silent, planned)
		}
	}
	return m, all
}
