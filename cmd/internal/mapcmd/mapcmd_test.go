package mapcmd

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var errQuiet = errors.New("quiet")

func run(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	c := New(Program{Out: &out, Err: &out, Usage: func(f string, v ...any) error { return fmt.Errorf("usage: "+f, v...) }, Quiet: errQuiet})
	c.SilenceErrors, c.SilenceUsage = true, true
	c.SetArgs(args)
	err := c.Execute()
	return out.String(), err
}

// TestExamples: every example of a mapping is good, and makes of the traffic
// beside the tests what its comment says.
func TestExamples(t *testing.T) {
	for kind, want := range map[string][]string{
		"opcua":     {"PRODUCTION  2.00  160.000    4.000", "SETUP  1.00", "DOWN  0.50", "roll-over: 2"},
		"mqtt":      {"PRODUCTION  2.00  160.000    4.000", "SETUP  1.00", "DOWN  0.50"},
		"sparkplug": {"PRODUCTION  2.00  160.000    4.000", "SETUP  1.00", "DOWN  0.50", "roll-over: 2"},
		"modbus":    {"PRODUCTION  2.00  160.000    4.000", "SETUP  1.00", "DOWN  0.50", "roll-over: 2"},
	} {
		file := filepath.Join("../../../deploy/machines", kind+".yaml")
		out, err := run(t, "check", file)
		if err != nil || !strings.Contains(out, "over "+kind) {
			t.Errorf("%s: %v %s", kind, err, out)
		}
		out, err = run(t, "try", file, "--recorded", filepath.Join("../../../testdata/agent/machines", kind+".ndjson"))
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		for _, w := range append(want, "no sample 1 times") {
			if !strings.Contains(out, w) {
				t.Errorf("%s: no %q in\n%s", kind, w, out)
			}
		}
		if strings.Contains(out, "mapped") {
			t.Errorf("%s:\n%s", kind, out)
		}
	}
}

func TestErrors(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.yaml")
	if err := os.WriteFile(bad, []byte("press: P\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := run(t, "check", bad, "../../../deploy/machines/mqtt.yaml"); !errors.Is(err, errQuiet) || !strings.Contains(out, "plant/press") || !strings.Contains(out, "over mqtt") {
		t.Error(out, err)
	}
	for _, args := range [][]string{{"check"}, {"try", bad}, {"record"}, {"nothing"}} {
		if _, err := run(t, args...); err == nil || !strings.HasPrefix(err.Error(), "usage: ") {
			t.Errorf("%v: %v", args, err)
		}
	}
	if _, err := run(t, "try", "../../../deploy/machines/mqtt.yaml", "--recorded", bad); err == nil || !strings.Contains(err.Error(), "line 1") {
		t.Error(err)
	}
	if _, err := run(t, "record", bad); err == nil {
		t.Error("recorded by a bad mapping")
	}
}
