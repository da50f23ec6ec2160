package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/study"
)

// observational are the places whose texts speak of what a record shows: no
// string in their code may claim more. The words are one list, in the study
// package.
var observational = []string{"../../analytics/study", "../../analytics/method", "../../analytics/interval", "../../services/api/study*.go", "../../services/api/interval*.go",
	"../../services/api/life*.go", "../../services/api/trial*.go", "../../services/api/plot", "../../services/web/stud*.go", "cmd_study*.go", "cmd_interval*.go", "cmd_life*.go", "print_study*.go", "bench_honesty.go",
	"bench_study.go"}

// TestWordsOfStudies reads every string literal of the places above.
func TestWordsOfStudies(t *testing.T) {
	var files []string
	for _, place := range observational {
		if strings.Contains(place, "*") || strings.HasSuffix(place, ".go") {
			found, err := filepath.Glob(place)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, found...)
			continue
		}
		if err := filepath.WalkDir(place, func(path string, d fs.DirEntry, err error) error {
			if err == nil && filepath.Ext(path) == ".go" {
				files = append(files, path)
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	texts := 0
	code := regexp.MustCompile(`^[a-z_.]+$|json:"|\(\?i\)`) // identifiers, tags, the list itself
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			lit, ok := n.(*ast.BasicLit)
			if !ok || lit.Kind != token.STRING {
				return true
			}
			text, err := strconv.Unquote(lit.Value)
			if err != nil || code.MatchString(text) {
				return true
			}
			texts++
			if bad := study.ForbiddenWords(text); bad != nil {
				t.Errorf("%s says %q: %s", set.Position(lit.Pos()), bad, text)
			}
			return true
		})
	}
	if len(files) < 40 || texts < 500 {
		t.Errorf("%d files with %d texts: the places have moved", len(files), texts)
	}
}
