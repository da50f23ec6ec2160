package api

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/honesty"
)

var reportTags = regexp.MustCompile(`(?s)<style>.*?</style>|<[^>]*>`)

// reportOf is the page of a study of a simulated fleet. DOWNWEB_SCREENSHOTS=DIR
// keeps it as a file, to be looked at.
func reportOf(t *testing.T, name string, d *study.DataSet, spec study.Spec) (page string, res *study.Result) {
	t.Helper()
	res, err := study.Run(d, spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	first, last := d.Rows[0].Day, d.Rows[0].Day
	for i := range d.Rows {
		first, last = min(first, d.Rows[i].Day), max(last, d.Rows[i].Day)
	}
	x := &pb.Study{Id: "0197b1c2-0000-7000-8000-000000000001", CreatedAt: timestamppb.New(time.Date(2026, 7, 2, 9, 0, 0, 0, time.UTC)), State: pb.StudyState_STUDY_STATE_DONE, DataSha256: res.Data,
		Spec: &pb.StudySpec{Title: name, Period: &pb.Period{FirstDay: timeline.Day(first).String(), LastDay: timeline.Day(last).String()}}, AsOf: &pb.AsOf{Pos: 1, RegistryRev: 1, RulesVersion: RulesVersion}}
	Describe(x, res)
	r := &report{x: x, res: res, data: d, cautions: cautions(nil, true)}
	if r.honesty, err = MethodHonesty(res); err != nil {
		t.Fatal(err)
	}
	node, err := r.page(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := node.Render(&b); err != nil {
		t.Fatal(err)
	}
	if dir := os.Getenv("DOWNWEB_SCREENSHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, "report-"+strings.ReplaceAll(name, " ", "-")+".html"), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if bad := study.ForbiddenWords(reportTags.ReplaceAllString(b.String(), " ")); bad != nil {
		t.Errorf("the report says %q", bad)
	}
	return b.String(), res
}

// The report of a trial says what was assigned, what came of it and how well it
// was followed.
func TestReportOfATrial(t *testing.T) {
	sim := honesty.Fleet{Seed: 5, Plants: 2, Presses: 12, Days: 130, Stations: 3, Effect: math.Log(1.7), Follow: 0.8}.Make()
	spec := study.DefaultSpec()
	spec.Trial, spec.Permutations, spec.MaxLag = sim.Plan, 999, 3
	page, res := reportOf(t, "a trial", sim.Data, spec)
	if res.Trial == nil || res.Trial.Refusal != "" || res.Findings[0].Grade != study.Randomised {
		t.Fatalf("%+v", res.Trial)
	}
	text := reportTags.ReplaceAllString(page, " ")
	for _, want := range []string{"The trial of station-00", "for each of 12 presses and each of 21 ISO weeks from 2026-01-05 on, whether station-00 is cleaned at every window or at every second window; seed 5.",
		"The first window of a week is cleaned under every schedule", "How it was followed", "clean at every second window", "These checks compare runs as they came", "Trial: the schedules are drawn again", "station-00 is by its trial"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q", want)
		}
	}
	if strings.Contains(text, "Every 1 windows") || strings.Contains(text, "p 0.000)") {
		t.Error("reads as no person writes")
	}
	// The line of the station is the trial's in every place: table, figure, text.
	tr := res.Trial
	own := fmt.Sprintf("%s (%s to %s)", study.Meters(tr.Effect), study.Meters(tr.Low), study.Meters(tr.High))
	if !strings.Contains(text, own+", trial") || !strings.Contains(text, pWord(tr.P)) {
		t.Errorf("the table has not %s, p %s", own, pWord(tr.P))
	}
	// A trial that shows nothing is answered by the trial too.
	res.Findings[0].Grade, res.Findings[0].Sentences = study.NoneSeen, tr.Sentences
	x := &pb.Study{}
	Describe(x, res)
	if e := x.Findings[0]; e.Meters.Value != tr.Effect || e.P != tr.P || e.DetectableMeters != tr.Detectable || !strings.Contains(e.Sentence, "Schedule of every window: ") {
		t.Errorf("%v", x.Findings[0])
	}
}

// wearing gives each station a clock, the km since its own last clean, and lets
// waste grow with that of the first by 4 % a km.
func wearing() *study.DataSet {
	d := honesty.Fleet{Seed: 3, Plants: 2, Presses: 12, Days: 130, Stations: 3}.Make().Data
	since := make([]int64, len(d.Stations))
	for i := range d.Rows {
		r := &d.Rows[i]
		if i == 0 || d.Rows[i-1].Press != r.Press {
			clear(since)
		}
		for s := range r.Stations {
			if r.Stations[s].State == study.Cleaned {
				since[s] = 0
			}
			r.Stations[s].SinceCleanMM = since[s]
			since[s] += r.RunMM
		}
		r.RunWasteMM = int64(float64(r.RunWasteMM) * math.Exp(0.04*float64(r.Stations[0].SinceCleanMM)/1e6))
	}
	return d
}

// Where nothing refuses it, waste by km since clean is drawn, and it rises as
// planted.
func TestReportWithADoseThatIsKept(t *testing.T) {
	d := wearing()
	spec := study.DefaultSpec()
	spec.Permutations, spec.MaxLag = 999, 3
	page, res := reportOf(t, "a dose", d, spec)
	if res.Findings[0].Grade < study.Suggestive {
		t.Fatalf("grade %v: %q", res.Findings[0].Grade, res.Findings[0].Limits)
	}
	dose, err := study.DoseOf(d, res.Spec, res.Method, "station-00")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range dose.Bins {
		if mid := math.Exp(0.04 * (b.FromKM + b.ToKM) / 2); mid < b.Low*0.9 || mid > b.High*1.1 {
			t.Errorf("%+v does not hold about %.2f", b, mid)
		}
	}
	if !strings.Contains(page, "Waste by km since the last clean of station-00") {
		t.Error("the picture is not in the report")
	}
	for _, want := range []string{"Not drawn: runs that started over", "survivors", "The clock of another station that runs most like this one"} {
		if !strings.Contains(page, want) {
			t.Errorf("under the picture is no %q", want)
		}
	}
}
