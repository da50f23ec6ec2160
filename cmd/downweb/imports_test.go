package main

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const module = "github.com/downweb/downweb/"

// arrows say which of our packages a package may import beside those under itself. services/* may also use
// proto/gen and services/ops; only cmd sees everything.
var arrows = map[string][]string{
	"services/agent":     {"services/eventlog"},
	"services/eventlog":  {},
	"services/ingest":    {"services/eventlog"},
	"services/projector": {"analytics/", "services/registry"},
	// The oracle of tests: it may share nothing with what it checks.
	"services/projector/naive": {},
	"services/registry":        {"services/eventlog", "analytics/timeline"},
	"services/warehouse":       {"analytics/timeline", "deploy/engine"},
	"services/api":             {"analytics/", "services/registry", "services/tablefile", "services/honesty"}, // a study's report quotes the honesty table
	"services/tablefile":       {},
	"services/web":             {},
	"services/gateway":         {},
	"services/fleetsim":        {},
	"services/honesty":         {"analytics/"}, // fleets with planted truth, for the honesty table
	"services/ops":             {},
	"services/faults":          {},
	"analytics/":               {"analytics/"},
	"proto/gen/":               {},
	"deploy/":                  {},
}

type listed struct {
	ImportPath, Dir string
	Standard        bool
	GoFiles         []string
	Imports, Deps   []string
}

// listPackages asks the go command for the packages of this module with all they depend on.
func listPackages(t *testing.T) map[string]*listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-deps", "-json=ImportPath,Dir,Standard,GoFiles,Imports,Deps", "./...")
	cmd.Dir = "../.."
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var said strings.Builder
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	all := map[string]*listed{}
	for dec := json.NewDecoder(out); ; {
		p := &listed{}
		if err := dec.Decode(p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		all[p.ImportPath] = p
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("go list: %v\n%s", err, said.String())
	}
	return all
}

// under says whether a package lies in a folder, given with or without a slash at its end.
func under(path, folder string) bool {
	return path == strings.TrimSuffix(folder, "/") || strings.HasPrefix(path, strings.TrimSuffix(folder, "/")+"/")
}

// forbidden gives the imports of a package that its arrows do not allow.
func forbidden(path string, imports []string) []string {
	if under(path, "cmd") {
		return nil
	}
	folder := ""
	for f := range arrows {
		if under(path, f) && len(f) > len(folder) {
			folder = f
		}
	}
	if folder == "" {
		return []string{"(no arrow is written down for " + path + ")"}
	}
	allowed := append([]string{folder}, arrows[folder]...)
	if folder == "services/projector/naive" {
		allowed = append(allowed, "proto/gen/")
	} else if under(folder, "services") {
		allowed = append(allowed, "proto/gen/", "services/ops")
	}
	var bad []string
	for _, i := range imports {
		ours, ok := strings.CutPrefix(i, module)
		if ok && !slices.ContainsFunc(allowed, func(f string) bool { return under(ours, f) }) {
			bad = append(bad, ours)
		}
	}
	return bad
}

func TestArrows(t *testing.T) {
	all := listPackages(t)
	seen := 0
	for path, p := range all {
		ours, ok := strings.CutPrefix(path, module)
		if !ok {
			continue
		}
		seen++
		for _, bad := range forbidden(ours, p.Imports) {
			t.Errorf("%s must not import %s", ours, bad)
		}
		if strings.Contains(strings.Join(p.Imports, " ")+" ", "github.com/ebitengine/purego") && !under(ours, "services/warehouse/engine") {
			t.Errorf("%s imports purego, which belongs to services/warehouse/engine alone", ours)
		}
		if slices.Contains(p.Deps, "github.com/chdb-io/chdb-go") || slices.Contains(p.Deps, "github.com/apache/arrow-go/v18/parquet") {
			t.Errorf("%s links a package that is kept out", ours)
		}
	}
	if seen < 10 {
		t.Errorf("only %d packages of ours were looked at", seen)
	}
	// The rule itself can fail.
	if got := forbidden("analytics/loss", []string{module + "services/registry", module + "analytics/timeline", "fmt"}); len(got) != 1 {
		t.Errorf("analytics importing services: %v", got)
	}
	if got := forbidden("services/projector/naive", []string{module + "analytics/timeline", module + "services/ops", module + "proto/gen/downweb/v1"}); len(got) != 2 {
		t.Errorf("the oracle importing timeline and ops: %v", got)
	}
	if got := forbidden("services/fleetsim", []string{module + "analytics/timeline", module + "proto/gen/downweb/v1"}); len(got) != 1 {
		t.Errorf("fleetsim importing timeline: %v", got)
	}
}

// Analytics is functions of values: the standard library without the world, gonum, and each other.
func TestAnalyticsIsPure(t *testing.T) {
	all := listPackages(t)
	world := []string{"os", "os/exec", "net", "net/http", "log", "log/slog", "context", "database/sql", "math/rand", "math/rand/v2", "crypto/rand", "syscall", "runtime/debug"}
	clock := []string{"Now", "Since", "Until", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Sleep"}
	seen := 0
	for path, p := range all {
		ours, ok := strings.CutPrefix(path, module)
		if !ok || !under(ours, "analytics") || strings.HasSuffix(ours, "test") {
			continue
		}
		seen++
		for _, dep := range p.Deps {
			d := all[dep]
			if d == nil || d.Standard || strings.HasPrefix(dep, module+"analytics/") || strings.HasPrefix(dep, "gonum.org/v1/gonum/") {
				continue
			}
			t.Errorf("%s depends on %s", ours, dep)
		}
		for _, i := range p.Imports {
			if slices.Contains(world, i) {
				t.Errorf("%s imports %s", ours, i)
			}
		}
		for _, file := range p.GoFiles {
			f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(p.Dir, file), nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if sel, ok := n.(*ast.SelectorExpr); ok {
					if x, ok := sel.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clock, sel.Sel.Name) {
						t.Errorf("%s/%s reads a clock: time.%s", ours, file, sel.Sel.Name)
					}
				}
				return true
			})
		}
	}
	if seen < 5 {
		t.Errorf("only %d packages were looked at", seen)
	}
}
