package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestConfigLayers(t *testing.T) {
	dir := t.TempDir()
	text := `
nats: {url: "nats://10.0.0.5:7712", cluster: {node: n1}}
api:
  grpc: 127.0.0.1:1
ingest: {future_limit: 15m, batch_events: 100}
agent:
  name: file
  presses: [rhein/p1, rhein/p2]
  sources:
    - {path: /a, follow: true}
    - /b
  spool_max: 64MiB
`
	if err := os.WriteFile(filepath.Join(dir, "downweb.yaml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := loadConfig([]string{"DOWNWEB_DATA_DIR=" + dir, "DOWNWEB_AGENT__NAME=env", "DOWNWEB_AGENT__SPOOL_MAX=32MiB", "DOWNWEB_PORT=tcp://x"}, "", map[string]string{"agent.spool_max": "16MiB"})
	if err != nil {
		t.Fatal(err)
	}
	if c.dataDir != dir || c.name != "env" || c.spoolMax != 16<<20 || c.futureLimit != 15*time.Minute || c.server() != "nats://10.0.0.5:7712" ||
		len(c.presses) != 2 || len(c.sources) != 2 || !c.sources[0].Follow || c.sources[1].Path != "/b" || c.keysDir != filepath.Join(dir, "keys") {
		t.Fatalf("%+v", c)
	}
	for name, env := range map[string]string{
		"unknown key": "DOWNWEB_AGENT__COLOUR=red", "a size": "DOWNWEB_AGENT__SPOOL_MAX=1KiB", "loopback": "DOWNWEB_METRICS__LISTEN=0.0.0.0:1",
		"nats://": "DOWNWEB_NATS__URL=http://x", "unknown key \"colour.x\"": "DOWNWEB_COLOUR__X=1", "time span": "DOWNWEB_INGEST__FUTURE_LIMIT=soon",
	} {
		if _, err := loadConfig([]string{"DOWNWEB_DATA_DIR=" + dir, env}, "", nil); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", env, err)
		}
	}
}

// FuzzConfig: no file panics.
func FuzzConfig(f *testing.F) {
	f.Add([]byte("agent: {presses: [a/b], sources: [{path: x, follow: true}]}\n"), "2GiB")
	f.Add([]byte("agent: [1]\nnats: 7\n"), "10y")
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, text []byte, value string) {
		file := filepath.Join(dir, "c.yaml")
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
		_, _ = loadConfig([]string{"DOWNWEB_DATA_DIR=" + dir, "DOWNWEB_AGENT__SOURCES=" + value}, file, map[string]string{"agent.spool_max": value, "ingest.future_limit": value})
	})
}
