package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// notebooks runs the examples for R and Python on an export: both close the ladder and give the shares worked by hand
// (testdata/scenarios/worked-shifts: p2 on 15 June has 33 + 12 min of cleaning and 293.125 of 450 min valuable).
func (l *apiLine) notebooks(t *testing.T) {
	file := filepath.Join(t.TempDir(), "june 15.csv")
	var out, errs bytes.Buffer
	if code := run(l.ctx, os.Environ(), []string{"loss", "--from", "2026-06-15", "--to", "2026-06-15", "--by", "press", "-o", "csv", "--out", file, "--addr", l.conn.Target()}, nil, &out, &errs); code != 0 {
		t.Fatal(errs.String())
	}
	examples := map[string][]string{"R": {"Rscript", "../../deploy/notebooks/losses.R"}, "Python": {"python3", "../../deploy/notebooks/losses.py"}}
	said := map[string]string{}
	for name, command := range examples {
		if _, err := exec.LookPath(command[0]); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatal(err)
			}
			t.Logf("%s is not here: its example is not run", name)
			continue
		}
		got, err := exec.CommandContext(l.ctx, command[0], command[1], file).CombinedOutput()
		if err != nil || !strings.Contains(string(got), "rhein/p2: OEE 65.14 %") || !strings.Contains(string(got), "of 7.5 h planned") {
			t.Errorf("%s: %v\n%s", name, err, got)
		}
		said[name] = string(got)
	}
	if len(said) == 2 && said["R"] != said["Python"] {
		t.Errorf("R and Python differ:\n%s%s", said["R"], said["Python"])
	}
	// A file that is not the manifest's is refused.
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, append(text, '\n'), 0o600); err != nil {
		t.Fatal(err)
	}
	for name := range said {
		command := examples[name]
		if got, err := exec.CommandContext(l.ctx, command[0], command[1], file).CombinedOutput(); err == nil {
			t.Errorf("%s took a changed file: %s", name, got)
		}
	}
}
