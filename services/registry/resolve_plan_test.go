package registry

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func tasksText(p *timeline.Press, d timeline.Day) string {
	var out []string
	for _, t := range p.TasksOn(d) {
		out = append(out, t.Slug)
	}
	return strings.Join(out, " ")
}

// A press's differences are laid over the kind's plan: added, changed, removed,
// and they follow the kind's plan when that changes.
func TestPlanDifferences(t *testing.T) {
	text := `
plans:
  - kind: uv-flexo-430
    tasks:
      - {slug: a, station: treater, triggers: [{cadence: startup}], standard_minutes: 8}
      - {slug: b, station: web-cleaner, triggers: [{cadence: startup}], standard_minutes: 6}
      - {slug: c, station: uv-1, triggers: [{cadence: weekly, anchor_day: fri}], standard_minutes: 20, tolerance_percent: 20, outcomes: [cleaned, replaced_part]}
  - kind: uv-flexo-430
    valid_from: 2026-06-01
    tasks:
      - {slug: a, station: treater, triggers: [{cadence: startup}], standard_minutes: 9}
      - {slug: b, station: web-cleaner, triggers: [{cadence: startup}], standard_minutes: 6}
      - {slug: c, station: uv-1, triggers: [{cadence: weekly, anchor_day: thu}], standard_minutes: 20}
      - {slug: d, station: uv-1, triggers: [{cadence: shutdown}], standard_minutes: 2}
  - press: p2
    valid_from: 2026-05-01
    differs: true
    removed: [a]
    tasks:
      - {slug: b, station: web-cleaner, triggers: [{cadence: run_km, every: 40}], standard_minutes: 7}
      - {slug: x, station: uv-1, triggers: [{cadence: shutdown}], standard_minutes: 3, after: b, also_discharges: [c]}
      - {slug: y, station: uv-1, triggers: [{cadence: shutdown}], standard_minutes: 3}
  - {press: p2, valid_from: 2026-07-01, differs: true}
`
	plant := readPlant(t)
	diff, problems := ParseYAML([]byte(text))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	plant.Plans = diff.Plans
	if problems := Validate(plant); len(problems) > 0 {
		t.Fatal(problems)
	}
	list, err := Resolve(plant)
	if err != nil {
		t.Fatal(err)
	}
	p1, p2 := list[0], list[1]
	for _, c := range []struct{ day, p1, p2 string }{
		{"2026-04-30", "a b c", "a b c"},
		{"2026-05-01", "a b c", "b x c y"},
		{"2026-06-01", "a b c d", "b x c d y"},
		{"2026-07-01", "a b c d", "a b c d"}, // no differences: as the kind's again
	} {
		if got := tasksText(p1, day(t, c.day)); got != c.p1 {
			t.Errorf("p1 on %s: %s, want %s", c.day, got, c.p1)
		}
		if got := tasksText(p2, day(t, c.day)); got != c.p2 {
			t.Errorf("p2 on %s: %s, want %s", c.day, got, c.p2)
		}
	}
	b := p2.TasksOn(day(t, "2026-06-01"))[0]
	if b.Standard != 7*timeline.Minute || b.Triggers[0].Cadence != timeline.CadenceRunKm {
		t.Errorf("changed task: %+v", b)
	}
	if c := p1.TasksOn(day(t, "2026-05-01"))[2]; c.Tolerance != 20 {
		t.Errorf("tolerance %+v", c)
	}
	if words := TasksOn(plant, "p1", day(t, "2026-05-01")); len(words) != 3 || !slices.Equal(words[2].GetOutcomes(), []pb.Outcome{pb.Outcome_OUTCOME_CLEANED, pb.Outcome_OUTCOME_REPLACED_PART}) {
		t.Errorf("worded tasks %v", words)
	}
	if TasksOn(plant, "p9", 0) != nil {
		t.Error("tasks of a press that is not there")
	}
	// The document survives its text.
	out, err := FormatYAML(plant)
	if err != nil {
		t.Fatal(err)
	}
	if back, problems := ValidateYAML(out); len(problems) > 0 || !proto.Equal(back, plant) {
		t.Errorf("%v\n%s", problems, out)
	}
	// A change of the kind's plan changes the press with differences too.
	changed := proto.Clone(plant).(*pb.Plant)
	changed.Plans[1].Tasks[3].StandardMinutes = 4
	if d := DirtyFor(plant, changed); len(d) != 2 {
		t.Errorf("dirty %v", d)
	}
	if got := Changes(plant, changed); len(got) != 1 || got[0] != "plans[uv-flexo-430 2026-06-01].tasks[d].standard_minutes: 2 -> 4" {
		t.Errorf("changes %q", got)
	}
}

func TestPlanDifferencesRefused(t *testing.T) {
	for _, c := range []struct {
		name, want string
		do         func(p *pb.Plant)
	}{
		{"of a kind", "is for the plan of a press", func(p *pb.Plant) { p.Plans[0].Differs = true }},
		{"removed without differs", "only for a plan that differs", func(p *pb.Plant) { p.Plans[1].Removed = []string{"treater-wipe"} }},
		{"after without differs", "the list is the working order", func(p *pb.Plant) { p.Plans[0].Tasks[0].After = "web-wipe" }},
		{"after itself", "names the task itself", func(p *pb.Plant) { p.Plans[1].Differs = true; p.Plans[1].Tasks[0].After = "treater-wipe" }},
		{"after what is not there", "which the press does not have", func(p *pb.Plant) { p.Plans[1].Differs = true; p.Plans[1].Tasks[0].After = "other" }},
		{"removed and given", "is also given", func(p *pb.Plant) { p.Plans[1].Differs = true; p.Plans[1].Removed = []string{"treater-wipe"} }},
		{"removed what is not there", "in no plan of the kind", func(p *pb.Plant) { p.Plans[1].Differs = true; p.Plans[1].Removed = []string{"other"} }},
		{"removed twice", "named twice", func(p *pb.Plant) { p.Plans[1].Differs = true; p.Plans[1].Removed = []string{"web-wipe", "web-wipe"} }},
		{"removed what another discharges", "also discharges \"uv-hours\", which the press does not have from 2026-05-01", func(p *pb.Plant) {
			p.Plans[1].Differs = true
			p.Plans[1].Removed = []string{"uv-hours"}
		}},
		{"nothing to differ from", "there is nothing to differ from", func(p *pb.Plant) { p.Plans[1].Differs = true; p.Plans[0].ValidFrom = "2026-06-01" }},
		{"outcome twice", "outcome is named twice", func(p *pb.Plant) {
			p.Plans[0].Tasks[0].Outcomes = []pb.Outcome{1, 1}
		}},
		{"outcome unknown", "not a known outcome", func(p *pb.Plant) { p.Plans[0].Tasks[0].Outcomes = []pb.Outcome{9} }},
		{"two graces", "leave one of the two out", func(p *pb.Plant) {
			p.Plans[0].Tasks[2].GraceMinutes, p.Plans[0].Tasks[2].TolerancePercent = 10, 20
		}},
		{"a share of no days", "use grace_minutes", func(p *pb.Plant) { p.Plans[0].Tasks[0].TolerancePercent = 20 }},
		{"a share of too much", "0 to 100", func(p *pb.Plant) { p.Plans[0].Tasks[2].TolerancePercent = 101 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := readPlant(t)
			c.do(p)
			problems := Validate(p)
			for _, x := range problems {
				if strings.Contains(x.Reason, c.want) {
					return
				}
			}
			t.Errorf("%v, want %q", problems, c.want)
		})
	}
}
