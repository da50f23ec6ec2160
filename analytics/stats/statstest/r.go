// Package statstest runs R beside the estimators, for tests that hold them
// against another implementation on the same numbers.
package statstest

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// missingCode is what a script ends with when R lacks a package.
const missingCode = 77

// R runs a script with the given text in a file, whose name is its only
// argument, and decodes the JSON it prints. Without R, or without one of the
// packages (jsonlite always), the test fails where the environment says CI=true
// and skips with the reason elsewhere.
func R(t *testing.T, packages []string, script, text string, out any) {
	t.Helper()
	missing := func(why string) {
		t.Helper()
		if os.Getenv("CI") == "true" {
			t.Fatal(why)
		}
		t.Skip(why)
	}
	packages = append([]string{"jsonlite"}, packages...)
	r, err := exec.LookPath("Rscript")
	if err != nil {
		missing("Rscript is not installed; the check needs r-base-core and the R packages " + strings.Join(packages, ", "))
	}
	file := filepath.Join(t.TempDir(), "data.csv")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	probe := `for (p in c("` + strings.Join(packages, `","`) + `")) if (!requireNamespace(p, quietly = TRUE)) { cat(p, file = stderr()); quit(status = 77) }` + "\n"
	source := filepath.Join(t.TempDir(), "check.R")
	if err := os.WriteFile(source, []byte(probe+script), 0o600); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	cmd := exec.Command(r, source, file)
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	if err := cmd.Run(); err != nil {
		if cmd.ProcessState != nil && cmd.ProcessState.ExitCode() == missingCode {
			missing("R lacks a package: " + stderr.String())
		}
		t.Fatalf("R: %v\n%s", err, stderr.String())
	}
	if err := json.Unmarshal(stdout.Bytes(), out); err != nil {
		t.Fatalf("R printed %s: %v", stdout.Bytes(), err)
	}
}
