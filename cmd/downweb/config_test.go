package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
)

// testApp is an app with an environment of its own and a file of config text.
func testApp(t *testing.T, yaml string, environ ...string) *app {
	dir := t.TempDir()
	if yaml != "" {
		if err := os.WriteFile(filepath.Join(dir, "downweb.yaml"), []byte(yaml), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return &app{in: strings.NewReader(""), out: &bytes.Buffer{}, err: &bytes.Buffer{}, dataDir: dir, defaultName: "main",
		environ: append([]string{"HOME=" + dir}, environ...)}
}

func TestDefaults(t *testing.T) {
	a := testApp(t, "")
	a.dataDir = ""
	a.environ = []string{"HOME=/home/kim", "DOWNWEB_PORT=tcp://10.0.0.1:7710"} // a cluster sets the latter
	c, err := a.loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	want := filepath.Join("/home/kim", ".local", "state", "downweb", "main")
	if stateHome(t, "/home/kim") && c.DataDir != want {
		t.Errorf("data dir %s, want %s", c.DataDir, want)
	}
	if c.API.GRPC != "127.0.0.1:7710" || c.API.HTTP != "127.0.0.1:7711" || c.NATS.Listen != "127.0.0.1:7712" || c.Web.Listen != "127.0.0.1:7714" ||
		c.Warehouse.Database != "downweb" || c.Engine.MaxMemory != 3<<30 || c.Ingest.BatchEvents != 100_000 || c.Ingest.BatchWait != 200*time.Millisecond ||
		c.Ingest.FutureLimit != 10*time.Minute || c.Ingest.PastLimit != 10*365*24*time.Hour || c.Agent.Name != "a1" || c.Agent.SpoolMax != 2<<30 || c.Log.Format != "text" {
		t.Errorf("%+v", c)
	}
	a.environ = append(a.environ, "XDG_STATE_HOME=/state")
	if c, err = a.loadConfig(nil); err != nil || c.DataDir != "/state/downweb/main" {
		t.Errorf("data dir %v, %v", c, err)
	}
}

// stateHome says whether this system keeps state under the home directory (XDG base directory specification).
func stateHome(t *testing.T, home string) bool {
	dir, err := stateDir([]string{"HOME=" + home})
	return err == nil && strings.HasPrefix(dir, home)
}

func TestOrderOfLayers(t *testing.T) {
	a := testApp(t, "api: {grpc: 127.0.0.1:1, http: 127.0.0.1:2}\nnats: {listen: 127.0.0.1:3}\nagent:\n  presses: [rhein/p1, rhein/p2]\n  sources:\n    - {path: /a, follow: true}\n",
		"DOWNWEB_API__GRPC=127.0.0.1:4", "DOWNWEB_API__HTTP=127.0.0.1:5")
	c, err := a.loadConfig(map[string]string{"api.grpc": "127.0.0.1:6"})
	if err != nil {
		t.Fatal(err)
	}
	if c.API.GRPC != "127.0.0.1:6" || c.API.HTTP != "127.0.0.1:5" || c.NATS.Listen != "127.0.0.1:3" {
		t.Errorf("flags, environment, file: %+v", c)
	}
	if !reflect.DeepEqual(c.Agent.Presses, []string{"rhein/p1", "rhein/p2"}) || !reflect.DeepEqual(c.Agent.Sources, []Source{{Path: "/a", Follow: true}}) {
		t.Errorf("lists %+v", c.Agent)
	}
}

func TestMistakesAreNamed(t *testing.T) {
	for _, test := range []struct {
		name, yaml string
		environ    []string
		flags      map[string]string
		want       []string
	}{
		{"unknown key", "api:\n  grpc: 127.0.0.1:1\n  grcp: x\n", nil, nil, []string{"downweb.yaml:3", `unknown key "api.grcp"`}},
		{"unknown section", "\napis: {grpc: x}\n", nil, nil, []string{"downweb.yaml:2", `unknown key "apis"`}},
		{"key twice", "log: {level: info}\nlog: {level: warn}\n", nil, nil, []string{"downweb.yaml"}},
		{"not YAML", "api: [\n", nil, nil, []string{"downweb.yaml", "line"}},
		{"unknown variable", "", []string{"DOWNWEB_API__GRCP=1"}, nil, []string{"DOWNWEB_API__GRCP", `unknown key "api.grcp"`}},
		{"bad port", "", nil, map[string]string{"api.grpc": "localhost"}, []string{"--grpc", "api.grpc", "host:port"}},
		{"same port", "api: {grpc: 127.0.0.1:9, http: 127.0.0.1:9}", nil, nil, []string{"api.http", "also api.grpc"}},
		{"pages for all", "web: {listen: 0.0.0.0:7714}", nil, nil, []string{"downweb.yaml:1", "web.listen", "no sign-in"}},
		{"names of the pages", "web: {names: fleet.example}", nil, nil, []string{"downweb.yaml:1", "web.names", "list"}},
		{"a name with a path", "web: {names: [fleet.example, \"https://fleet.example/\"]}", nil, nil, []string{"web.names", `"https://fleet.example/" is not a host`}},
		{"a name for all", "", []string{"DOWNWEB_WEB__NAMES=*.example"}, nil, []string{"DOWNWEB_WEB__NAMES", `"*.example" is not a host`}},
		{"pages nowhere", "", nil, map[string]string{"web.listen": "here"}, []string{"--web", "web.listen", "host:port"}},
		{"bad span", "ingest: {batch_wait: soon}", nil, nil, []string{"downweb.yaml:1", "ingest.batch_wait", "soon"}},
		{"bad size", "", []string{"DOWNWEB_ENGINE__MAX_MEMORY=lots"}, nil, []string{"DOWNWEB_ENGINE__MAX_MEMORY", "lots"}},
		{"little memory", "engine: {max_memory: 1MiB}", nil, nil, []string{"engine.max_memory", "256MiB"}},
		{"bad press", "agent: {presses: [p1]}", nil, nil, []string{"agent.presses", `"p1" is not plant/press`}},
		{"source key", "agent: {sources: [{file: /a}]}", nil, nil, []string{"agent.sources", `unknown key "file"`}},
		{"list wanted", "agent: {presses: rhein/p1}", nil, nil, []string{"agent.presses", "list"}},
		{"level", "log: {level: loud}", nil, nil, []string{"log.level", "loud"}},
		{"half a certificate", "nats: {tls: {cert: /a}}", nil, nil, []string{"nats.tls", "cert and key"}},
		{"yes or no", "nats: {plaintext: maybe}", nil, nil, []string{"nats.plaintext", "true or false"}},
		{"format", "log: {format: xml}", nil, nil, []string{"log.format", "text or json"}},
		{"address", "warehouse: {dsn: nonsense}", nil, nil, []string{"warehouse.dsn"}},
		{"two mistakes", "log: {level: loud, format: xml}", nil, nil, []string{"log.level", "log.format"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := testApp(t, test.yaml, test.environ...).loadConfig(test.flags)
			if err == nil {
				t.Fatal("accepted")
			}
			if _, usage := err.(usageError); !usage {
				t.Errorf("not a usage error: %T", err)
			}
			for _, want := range test.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not say %q", err, want)
				}
			}
		})
	}
	a := testApp(t, "")
	a.config = filepath.Join(a.dataDir, "gone.yaml")
	if _, err := a.loadConfig(nil); err == nil || !strings.Contains(err.Error(), "gone.yaml") {
		t.Errorf("a missing --config: %v", err)
	}
}

// A supervised child has the very config of its supervisor.
func TestEnvIsTheWholeConfig(t *testing.T) {
	a := testApp(t, `
api: {grpc: 127.0.0.1:1, http: "", day_memory: 5MiB}
nats: {url: "nats://h:1", keys_dir: /k, tls: {cert: /c, key: /e, ca: /a}, plaintext: true, shared_user: false}
warehouse: {dsn: "clickhouse://u@h:9000", database: d, password_file: /p}
engine: {lib: /l, max_memory: 1GiB}
ingest: {batch_events: 7, batch_wait: 3ms, future_limit: 2d, past_limit: 3y}
agent: {name: b, presses: [rhein/p1, "main/p-2"], sources: [{path: "/a b, [c]", follow: true}, /d], spool_max: 1GiB, page_names: [press-3.example]}
web: {listen: 127.0.0.1:8, names: [fleet.example, "fleet.example:8443"]}
log: {level: debug, format: json}
`)
	c, err := a.loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	child := testApp(t, "broken: true", append(c.Env(), supervisedVar+"=1")...)
	child.dataDir = ""
	got, err := child.loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	c.origin, got.origin, c.environ, got.environ = nil, nil, nil, nil
	if !reflect.DeepEqual(c, got) {
		t.Errorf("supervisor %+v\nchild      %+v", c, got)
	}
}

func TestUpCheck(t *testing.T) {
	a := testApp(t, "warehouse: {dsn: \"clickhouse://h:9000\"}\nagent: {sources: [/a]}")
	var out, errs bytes.Buffer
	code := run(context.Background(), os.Environ(), []string{"up", "--check", "--data-dir", a.dataDir}, strings.NewReader(""), &out, &errs)
	if code != 0 || !strings.Contains(out.String(), "nats, ingest, api, agent") {
		t.Errorf("exit %d, %q, %q", code, out.String(), errs.String())
	}
	if _, err := os.Stat(filepath.Join(a.dataDir, "keys")); err == nil {
		t.Error("--check made the data directory's folders")
	}
	os.WriteFile(filepath.Join(a.dataDir, "downweb.yaml"), []byte("apu: 1\n"), 0o600)
	errs.Reset()
	code = run(context.Background(), os.Environ(), []string{"up", "--check", "--data-dir", a.dataDir}, strings.NewReader(""), &out, &errs)
	if code != 2 || strings.Count(errs.String(), "\n") != 1 || !strings.Contains(errs.String(), `unknown key "apu"`) {
		t.Errorf("exit %d, %q", code, errs.String())
	}
}

func TestDataDirIsHeldOnce(t *testing.T) {
	d := dataDir(t.TempDir())
	if err := d.make(); err != nil {
		t.Fatal(err)
	}
	release, err := d.hold()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.hold(); err == nil || !strings.Contains(err.Error(), "in use by another downweb (process ") {
		t.Errorf("held twice: %v", err)
	}
	release()
	if release, err = d.hold(); err != nil {
		t.Errorf("after release: %v", err)
	} else {
		release()
	}
}

func TestPasswordIsMadeOnceForTheOwnerAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	first, err := password(dir, "x")
	if err != nil || len(first) < 20 {
		t.Fatalf("%q, %v", first, err)
	}
	if again, err := password(dir, "x"); err != nil || again != first {
		t.Errorf("again %q, %v", again, err)
	}
	info, err := os.Stat(filepath.Join(dir, "x"))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if other, _ := password(dir, "y"); other == first {
		t.Error("two passwords are the same")
	}
}
