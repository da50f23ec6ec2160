package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// doctorOf runs the doctor on a directory and gives its findings by what was looked at.
func doctorOf(t *testing.T, args ...string) (code int, by map[string]finding) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), os.Environ(), append([]string{"doctor", "-o", "json"}, args...), nil, &out, &errs)
	var list []finding
	if err := json.Unmarshal(out.Bytes(), &list); err != nil {
		t.Fatalf("exit %d: %v\n%s%s", code, err, out.String(), errs.String())
	}
	by = map[string]finding{}
	for _, f := range list {
		if f.State == "wrong" && f.Mend == "" {
			t.Errorf("%s is wrong, and nothing mends it: %s", f.What, f.Text)
		}
		if old, twice := by[f.What]; !twice || old.State != "wrong" {
			by[f.What] = f
		}
	}
	return code, by
}

func freeConfig(t *testing.T, dir, more string) {
	t.Helper()
	text := fmt.Sprintf("api: {grpc: %q, http: %q}\nweb: {listen: %q}\nnats: {listen: %q}\n%s", freePort(), freePort(), freePort(), freePort(), more)
	if err := os.WriteFile(filepath.Join(dir, "downweb.yaml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// The doctor says nothing is wrong where nothing is, and finds each thing that is put wrong, with what mends it.
func TestDoctor(t *testing.T) {
	dir := t.TempDir()
	freeConfig(t, dir, "")
	code, by := doctorOf(t, "--data-dir", dir)
	for _, what := range []string{"config", "data directory", "ports"} {
		if by[what].State != "ok" {
			t.Errorf("%s: %+v", what, by[what])
		}
	}
	if by["line"].State != "look" || !strings.Contains(by["line"].Mend, "downweb up --data-dir "+dir) || by["disk"].Text == "" || by["clock"].Text == "" {
		t.Errorf("%+v", by)
	}
	wrong := 0
	for _, f := range by {
		if f.State == "wrong" {
			wrong++
		}
	}
	if (code == 1) != (wrong > 0) {
		t.Errorf("exit %d with %d things wrong", code, wrong)
	}

	// A port that somebody else has.
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	if err := os.WriteFile(filepath.Join(dir, "downweb.yaml"), []byte(fmt.Sprintf("nats: {listen: %q}\napi: {grpc: %q, http: \"\"}\nweb: {listen: \"\"}\n", ln.Addr(), freePort())), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, by := doctorOf(t, "--data-dir", dir); code != 1 || by["ports"].State != "wrong" || !strings.Contains(by["ports"].Text, "nats.listen "+ln.Addr().String()) || !strings.Contains(by["ports"].Mend, "downweb.yaml") {
		t.Errorf("a port taken: exit %d, %+v", code, by["ports"])
	}
	// An engine that is not where the config says.
	freeConfig(t, dir, "engine: {lib: /nowhere/libchdb.so}\n")
	if code, by := doctorOf(t, "--data-dir", dir); code != 1 || by["engine"].State != "wrong" || !strings.Contains(by["engine"].Mend, "downweb engine install") {
		t.Errorf("no engine: exit %d, %+v", code, by["engine"])
	}
	// Keys that others may read.
	freeConfig(t, dir, "")
	keys := filepath.Join(dir, "keys")
	if err := os.Mkdir(keys, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(keys, 0o755); err != nil {
		t.Fatal(err)
	}
	if code, by := doctorOf(t, "--data-dir", dir); code != 1 || by["keys"].State != "wrong" || by["keys"].Mend != "chmod -R go= "+keys {
		t.Errorf("open keys: exit %d, %+v", code, by["keys"])
	}
	if err := os.Chmod(keys, 0o700); err != nil {
		t.Fatal(err)
	}
	// An api that is gone though the directory says that it runs.
	if err := os.MkdirAll(filepath.Join(dir, "run"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "run", "endpoints.json"), []byte(`{"grpc":"`+freePort()+`","nats":"","warehouse":""}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, by := doctorOf(t, "--data-dir", dir); code != 1 || by["api"].State != "wrong" || !strings.Contains(by["api"].Mend, "downweb up") {
		t.Errorf("an api that is gone: exit %d, %+v", code, by["api"])
	}
	// A config that cannot be read: the line is named.
	if err := os.WriteFile(filepath.Join(dir, "downweb.yaml"), []byte("api:\n  grcp: x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, by := doctorOf(t, "--data-dir", dir); code != 1 || by["config"].State != "wrong" || !strings.Contains(by["config"].Text, "downweb.yaml:2") {
		t.Errorf("a mistyped key: exit %d, %+v", code, by["config"])
	}
}

// doctorAndNames asks a line that runs: a press the registry does not name is found, and shells get the registry's names.
func (l *apiLine) doctorAndNames(t *testing.T) {
	code, by := doctorOf(t, "--data-dir", t.TempDir(), "--addr", l.conn.Target())
	if f := by["press rhein/p9"]; f.State != "look" || !strings.Contains(f.Mend, "registry apply") || code != 0 && by["engine"].State == "ok" {
		t.Errorf("exit %d, %+v", code, by)
	}
	for words, want := range map[string]string{
		"loss --press rhein/p":         "rhein/p1\nrhein/p2\nrhein/p3\n",
		"duties --plant ":              "rhein\n",
		"loss --press rhein/p1,rhein/": "rhein/p1,rhein/p1\nrhein/p1,rhein/p2\nrhein/p1,rhein/p3\n",
		"stations --by k":              "",
	} {
		var out, errs bytes.Buffer
		args := append([]string{"__complete", "--addr", l.conn.Target()}, strings.Split(words, " ")...)
		if code := run(l.ctx, os.Environ(), args, nil, &out, &errs); code != 0 || !strings.HasPrefix(out.String(), want) {
			t.Errorf("%s completes to %q, %s", words, out.String(), errs.String())
		}
	}
}

// Every command has a manual page, the same for the same program, with its examples.
func TestManual(t *testing.T) {
	dirs := [2]string{t.TempDir(), t.TempDir()}
	for _, dir := range dirs {
		var out, errs bytes.Buffer
		if code := run(t.Context(), os.Environ(), []string{"man", dir}, nil, &out, &errs); code != 0 || out.Len()+errs.Len() > 0 {
			t.Fatalf("exit %d %s%s", code, out.String(), errs.String())
		}
	}
	pages := 0
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for _, sub := range c.Commands() {
			if sub.IsAvailableCommand() {
				walk(sub)
			}
		}
		name := strings.ReplaceAll(c.CommandPath(), " ", "-") + ".1"
		a, err := os.ReadFile(filepath.Join(dirs[0], name))
		if err != nil {
			t.Error(err)
			return
		}
		b, _ := os.ReadFile(filepath.Join(dirs[1], name))
		if !bytes.Equal(a, b) || c.Example != "" && !bytes.Contains(a, []byte(".SH EXAMPLE")) {
			t.Errorf("%s differs from one run to the next, or shows no example", name)
		}
		pages++
	}
	walk((&app{}).root())
	if pages < 40 {
		t.Errorf("only %d pages", pages)
	}
}

// Every shell the library knows gets a script.
func TestCompletionScripts(t *testing.T) {
	for shell, word := range map[string]string{"bash": "complete", "zsh": "compdef", "fish": "complete", "powershell": "Register-ArgumentCompleter"} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), os.Environ(), []string{"completion", shell}, nil, &out, &errs); code != 0 || !strings.Contains(out.String(), word) {
			t.Errorf("%s: exit %d, %d bytes, %s", shell, code, out.Len(), errs.String())
		}
	}
}

// Nothing is coloured, with NO_COLOR (no-color.org) or without, and no line is written over where there is no terminal.
func TestNoColour(t *testing.T) {
	dir := t.TempDir()
	freeConfig(t, dir, "")
	for _, args := range [][]string{{"--help"}, {"loss", "--help"}, {"doctor"}, {"status"}, {"loss", "--since", "x"}, {"version"}} {
		var out, errs bytes.Buffer
		run(t.Context(), os.Environ(), append(args, "--data-dir", dir), nil, &out, &errs)
		if text := out.String() + errs.String(); strings.Contains(text, "\x1b") || strings.Contains(text, "\r") || text == "" {
			t.Errorf("%v writes %q", args, text)
		}
	}
	var errs bytes.Buffer
	bar := (&app{err: &errs}).progress("work")
	bar.step(1, 2)
	bar.done()
	if errs.Len() > 0 {
		t.Errorf("progress without a terminal: %q", errs.String())
	}
	bar.finish("done")
	if errs.String() != "work: done\n" {
		t.Errorf("what stays: %q", errs.String())
	}
}
