package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// documents are the Markdown files for users.
func documents(t *testing.T) []string {
	t.Helper()
	files := []string{"../../README.md"}
	for _, pattern := range []string{"../../deploy/docs/*.md", "../../deploy/*/README.md"} {
		more, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range more {
			files = append(files, f)
		}
	}
	return files
}

var inline = regexp.MustCompile("`(downweb [^`]+)`")

// Every command line in the documents parses: its commands and flags exist, a file that is to be ours does too.
func TestDocumentedCommands(t *testing.T) {
	seen := 0
	for _, file := range documents(t) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var lines []string
		fence := false
		for raw := range strings.Lines(string(text)) {
			if strings.HasPrefix(strings.TrimSpace(raw), "```") {
				fence = !fence
			}
			if !fence && !strings.HasPrefix(raw, "    ") {
				continue // prose
			}
			line := strings.TrimPrefix(strings.TrimSpace(raw), "$ ")
			if strings.HasPrefix(line, "downweb ") {
				lines = append(lines, line)
			}
		}
		for _, m := range inline.FindAllStringSubmatch(string(text), -1) {
			lines = append(lines, m[1])
		}
		for _, line := range lines {
			if strings.Contains(line, "…") || strings.Contains(line, "COMMAND") {
				continue
			}
			seen++
			if err := parses(line); err != nil {
				t.Errorf("%s: %s: %v", file, line, err)
			}
		}
	}
	if seen < 60 {
		t.Errorf("only %d command lines were found", seen)
	}
	for _, bad := range []string{"downweb los --since 7d", "downweb loss --sinc 7d", "downweb study aks spec.yaml"} {
		if parses(bad) == nil {
			t.Errorf("%q parses", bad)
		}
	}
}

// parses says why a line of a document is no command; "a|b" stands for either, "#" begins a remark.
func parses(line string) error {
	line, _, _ = strings.Cut(line, "#")
	line, _, _ = strings.Cut(line, " > ")
	line, _, _ = strings.Cut(line, " && ")
	line = strings.NewReplacer(" | lpr", "", "\"", "", "  |", "").Replace(line)
	words := strings.Fields(line)[1:]
	for i, w := range words {
		if strings.HasPrefix(w, "-") {
			break
		}
		words[i], _, _ = strings.Cut(w, "|")
		if i+1 < len(words) && words[i+1] == "|" { // "list | revoke ID"
			words = words[:i+1]
			break
		}
	}
	root := (&app{environ: os.Environ()}).root()
	root.InitDefaultCompletionCmd(words...)
	c, rest, err := root.Find(words)
	if err != nil {
		return err
	}
	if c.HasSubCommands() && !c.Runnable() || c == root {
		return cobra.NoArgs(c, []string{line})
	}
	if err := c.ParseFlags(rest); err != nil {
		return err
	}
	if c.HasSubCommands() && len(c.Flags().Args()) > 0 && c.Args != nil {
		return c.Args(c, c.Flags().Args())
	}
	return nil
}

var link = regexp.MustCompile(`\]\(([^)#]+)\)`)

// Every link to a file of ours leads somewhere, and the page that pages of documents begin with names each of them.
func TestDocumentLinks(t *testing.T) {
	named := map[string]bool{}
	for _, file := range documents(t) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range link.FindAllStringSubmatch(strings.ReplaceAll(string(text), "\n", " "), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			target := filepath.Join(filepath.Dir(file), m[1])
			if _, err := os.Stat(target); err != nil {
				t.Errorf("%s: %s leads nowhere", file, m[1])
			}
			if file == "../../README.md" {
				named[target] = true
			}
		}
	}
	pages, err := filepath.Glob("../../deploy/docs/*.md")
	if err != nil || len(pages) < 7 {
		t.Fatal(pages, err)
	}
	for _, p := range pages {
		if !named[p] {
			t.Errorf("README.md does not lead to %s", p)
		}
	}
}
