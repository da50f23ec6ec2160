package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
)

// TestNothingElse: what the agent must not carry is not in it.
func TestNothingElse(t *testing.T) {
	for _, system := range []string{"linux", "darwin", "windows"} {
		cmd := exec.Command("go", "list", "-deps", ".")
		cmd.Env = append(os.Environ(), "GOOS="+system, "GOARCH=amd64", "CGO_ENABLED=0")
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		deps := strings.Fields(string(out))
		if len(deps) < 100 {
			t.Fatalf("only %d packages", len(deps))
		}
		for _, d := range deps {
			for _, no := range []string{"services/warehouse", "services/ingest", "services/api", "downweb/analytics", "deploy/engine", "purego", "clickhouse", "chdb", "google/cel-go", "buf.build/go/protovalidate", "gonum.org", "runtime/cgo"} {
				if strings.Contains(strings.ToLower(d), no) {
					t.Errorf("%s: the agent carries %s", system, d)
				}
			}
		}
	}
}

// most bytes of the program as it is released: stripped, no cgo, without the
// pages of gRPC traces, whose templates would keep every method of every type.
const most = 20_000_000

func build(t *testing.T, system, arch string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "downweb-agent")
	cmd := exec.Command("go", "build", "-trimpath", "-tags=grpcnotrace", "-ldflags=-s -w", "-o", to, ".")
	cmd.Env = append(os.Environ(), "GOOS="+system, "GOARCH="+arch, "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s/%s: %v\n%s", system, arch, err, out)
	}
	return to
}

// TestSize builds the program for this machine, and for all six where
// DOWNWEB_LONG is set: that takes minutes.
func TestSize(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program")
	}
	targets := []string{runtime.GOOS + "/" + runtime.GOARCH}
	if os.Getenv("DOWNWEB_LONG") != "" {
		targets = []string{"linux/amd64", "linux/arm64", "darwin/amd64", "darwin/arm64", "windows/amd64", "windows/arm64"}
	}
	for _, target := range targets {
		system, arch, _ := strings.Cut(target, "/")
		fi, err := os.Stat(build(t, system, arch))
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %.2f MB", target, float64(fi.Size())/1e6)
		if fi.Size() >= most {
			t.Errorf("%s: %d bytes are not under %d", target, fi.Size(), most)
		}
	}
}

// TestSameSettings: keys, defaults and flags are those of command downweb,
// read from its source.
func TestSameSettings(t *testing.T) {
	f, err := parser.ParseFile(token.NewFileSet(), "../downweb/config.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	maps := map[string]map[string]string{} // function or variable -> key -> value
	take := func(name string, n ast.Node) {
		m := map[string]string{}
		ast.Inspect(n, func(n ast.Node) bool {
			if kv, ok := n.(*ast.KeyValueExpr); ok {
				k, ok1 := kv.Key.(*ast.BasicLit)
				if !ok1 {
					return true
				}
				key, _ := strconv.Unquote(k.Value)
				m[key] = "?"
				if v, ok := kv.Value.(*ast.BasicLit); ok {
					m[key], _ = strconv.Unquote(v.Value)
				}
			}
			return true
		})
		maps[name] = m
	}
	for _, d := range f.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Name.Name == "defaults" {
				take("defaults", d)
			}
		case *ast.GenDecl:
			for _, s := range d.Specs {
				if v, ok := s.(*ast.ValueSpec); ok && v.Names[0].Name == "flagKeys" {
					take("flagKeys", v)
				}
			}
		}
	}
	theirs := maps["defaults"]
	if len(theirs) < 20 || len(maps["flagKeys"]) < 10 {
		t.Fatalf("read %d keys and %d flags", len(theirs), len(maps["flagKeys"]))
	}
	for key, value := range defaults() {
		want, ok := theirs[key]
		if text, isText := value.(string); !ok || isText && want != "?" && text != want {
			t.Errorf("%s: default %q, theirs %q (%v)", key, value, want, ok)
		}
	}
	for key := range theirs {
		section, _, _ := strings.Cut(key, ".")
		if _, ok := defaults()[key]; ok {
			continue
		}
		known := false
		for _, o := range others {
			known = known || o == section
		}
		if !known {
			t.Errorf("%s: neither read nor passed over", key)
		}
	}
	for flag, key := range flagKeys {
		if maps["flagKeys"][flag] != key {
			t.Errorf("--%s sets %s, theirs %s", flag, key, maps["flagKeys"][flag])
		}
	}
	// Their agent's keys are all ours.
	for key := range theirs {
		if _, ok := defaults()[key]; !ok && (strings.HasPrefix(key, "agent.") || strings.HasPrefix(key, "log.") || strings.HasPrefix(key, "metrics.")) {
			t.Errorf("%s is not read", key)
		}
	}
}
