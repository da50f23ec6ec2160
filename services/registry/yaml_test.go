package registry

import (
	"flag"
	"os"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

func readPlant(t testing.TB) *pb.Plant {
	t.Helper()
	data, err := os.ReadFile("testdata/plant.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, problems := ValidateYAML(data)
	if len(problems) > 0 {
		t.Fatalf("testdata/plant.yaml: %v", problems)
	}
	return p
}

func TestCanonicalYAML(t *testing.T) {
	p := readPlant(t)
	got, err := FormatYAML(p)
	if err != nil {
		t.Fatal(err)
	}
	const golden = "testdata/plant.canonical.yaml"
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != string(want) {
		t.Errorf("canonical form differs from %s:\n%s", golden, got)
	}
	back, problems := ParseYAML(got)
	if len(problems) > 0 || !proto.Equal(back, p) {
		t.Errorf("canonical form does not read back: %v %v", problems, Changes(p, back))
	}
	// What people wrote is what is kept, to the digit.
	if r := p.Presses[0].Rates; r[0].PressHour != "180.00" || r[1].WebMeter != "0.300000" || r[0].ValidFrom != "2026-01-01" {
		t.Errorf("rates: %v", r)
	}
	if p.Presses[0].RatedMmPerMin != 100000 || p.Calendars[0].Shifts[0].Start != "06:00" {
		t.Errorf("numbers and times: %v", p)
	}
	if d := p.Calendars[0].Shifts[0].Days; len(d) != 5 || d[2] != pb.Weekday_WEEKDAY_WED || d[3] != pb.Weekday_WEEKDAY_THU {
		t.Errorf("days: %v", d)
	}
}

// Any document, valid or not, reads back from its canonical form.
func TestYAMLRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &pb.Plant{}
		fill(t, p.ProtoReflect(), 0)
		text, err := FormatYAML(p)
		if err != nil {
			t.Fatal(err)
		}
		back, problems := ParseYAML(text)
		if len(problems) > 0 {
			t.Fatalf("%v\n%s", problems, text)
		}
		if !proto.Equal(p, back) {
			t.Fatalf("read back differently: %v\n%s", Changes(p, back), text)
		}
	})
}

func fill(t *rapid.T, m protoreflect.Message, depth int) {
	if ts, ok := m.Interface().(*timestamppb.Timestamp); ok {
		ts.Seconds = rapid.Int64Range(0, 7e9).Draw(t, "s")
		ts.Nanos = rapid.Int32Range(0, 999).Draw(t, "ms") * 1e6
		return
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if depth > 0 && rapid.IntRange(0, 2).Draw(t, "set") == 0 || depth == 0 && rapid.Bool().Draw(t, "set") {
			continue
		}
		switch {
		case fd.IsMap():
			for range rapid.IntRange(0, 2).Draw(t, "n") {
				m.Mutable(fd).Map().Set(protoreflect.ValueOfString(word().Draw(t, "k")).MapKey(), protoreflect.ValueOfString(word().Draw(t, "v")))
			}
		case fd.IsList():
			l := m.Mutable(fd).List()
			for range rapid.IntRange(0, 3).Draw(t, "n") {
				if fd.Kind() == protoreflect.MessageKind {
					e := l.NewElement()
					fill(t, e.Message(), depth+1)
					l.Append(e)
				} else {
					l.Append(scalar(t, fd))
				}
			}
		case fd.Kind() == protoreflect.MessageKind:
			fill(t, m.Mutable(fd).Message(), depth+1)
		default:
			m.Set(fd, scalar(t, fd))
		}
	}
}

func word() *rapid.Generator[string] {
	return rapid.OneOf(rapid.String(), rapid.StringN(0, 12, -1), rapid.SampledFrom([]string{"", " ", "~", "null", "true", "no", "off", "1e3", "0x10", "010",
		"06:00", "2026-01-01", "180.00", "a: b", "- x", "#", "a #b", "<<", "=", "!!str x", "\t", "\r\n", "two\nlines\n", "\u2028", "\ufeff", "\x00", "[x]", "&a", "*a", "...", "---", "'", "\"", "é", "?", "x:"}))
}

func scalar(t *rapid.T, fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(word().Draw(t, "text"))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(rapid.Bool().Draw(t, "bool"))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(rapid.Int32().Draw(t, "int"))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(rapid.Int64().Draw(t, "int"))
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(rapid.Float64().Draw(t, "float"))
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(rapid.Int32Range(-1, 12).Draw(t, "enum")))
	}
	panic("no generator for " + fd.FullName())
}

// Each mistake is named with its place and leaves the rest readable.
func TestMistakesInYAML(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"unknown key", "plant: a\ncalender: []\n", "2:1: calender: unknown key; did you mean calendars?"},
		{"unknown key deep", "presses:\n  - press: p1\n    stations:\n      - slug: x\n        colour: red\n", "5:9: presses[0].stations[0].colour: unknown key"},
		{"camel case", "openCloseMinutes: 3\n", "1:1: openCloseMinutes: unknown key; did you mean open_close_minutes?"},
		{"given twice", "plant: a\nplant: b\n", "2:1: plant: given twice"},
		{"not a number", "presses:\n  - rated_mm_per_min: fast\n", `2:23: presses[0].rated_mm_per_min: must be a whole number, not "fast"`},
		{"fraction", "presses:\n  - rated_mm_per_min: 1.5\n", `2:23: presses[0].rated_mm_per_min: must be a whole number, not "1.5"`},
		{"quoted number", "open_close_minutes: \"2\"\n", `1:21: open_close_minutes: must be a number, not "2"`},
		{"not a number at all", "open_close_minutes: .nan\n", `1:21: open_close_minutes: must be a number, not ".nan"`},
		{"enum", "plans:\n  - tasks:\n      - triggers: [{cadence: hourly}]\n", `3:30: plans[0].tasks[0].triggers[0].cadence: "hourly" is none of startup, shutdown, weekly, days, run_hours, run_km, job_change`},
		{"scalar for list", "calendars: none\n", "1:12: calendars: must be a list, not a single value"},
		{"list for scalar", "name: [a]\n", "1:7: name: must be a single value, not a list"},
		{"list for document", "- a\n", "1:1: must be a mapping (key: value), not a list"},
		{"bool", "presses: [{rates: [{constrained: yes}]}]\n", `1:34: presses[0].rates[0].constrained: must be true or false, not "yes"`},
		{"alias", "name: &n x\nzone: *n\n", "2:7: zone: aliases are not read: write the value out"},
		{"two documents", "plant: a\n---\nplant: b\n", "2:1: a second document: one file holds one plant"},
		{"empty", "", "1:1: the document is empty"},
		{"not yaml", "plant: a\n  b: [\n", "2:1: not YAML: mapping values are not allowed in this context"},
		{"instant", "maintenance_windows: [{from: noon}]\n", `1:30: maintenance_windows[0].from: must be an instant like 2026-06-15T04:00:00Z, not "noon"`},
		{"binary", "name: !!binary aGk=\n", "1:7: name: must be text, not !!binary"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, problems := ParseYAML([]byte(c.text))
			if len(problems) != 1 || problems[0].String() != c.want {
				t.Errorf("got %q, want %q", problems, c.want)
			}
		})
	}
}

// Problems of meaning get the place of the field they name.
func TestPlacesOfProblems(t *testing.T) {
	data, err := os.ReadFile("testdata/plant.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(data), "station: uv-1", "station: uv-9", 1)
	_, problems := ValidateYAML([]byte(text))
	if len(problems) != 2 { // of two presses
		t.Fatalf("got %v", problems)
	}
	line := 1 + strings.Count(text[:strings.Index(text, "station: uv-9")], "\n")
	if p := problems[0]; p.Line != line || p.Column != 9 || p.Reason != `press "p1" has no station "uv-9"` {
		t.Errorf("got %v, want line %d", p, line)
	}
}

func FuzzParseYAML(f *testing.F) {
	data, _ := os.ReadFile("testdata/plant.yaml")
	f.Add(data)
	f.Add([]byte("a: &a [*a]\n"))
	f.Add([]byte("plant: {<<: {plant: x}}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, problems := ParseYAML(data)
		if p == nil || len(problems) > 0 {
			return
		}
		text, err := FormatYAML(p)
		if err != nil {
			t.Fatal(err)
		}
		back, problems := ParseYAML(text)
		if len(problems) > 0 || !proto.Equal(p, back) {
			t.Fatalf("%v %v\n%s", problems, Changes(p, back), text)
		}
		Validate(p)
	})
}
