package main

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/knadh/koanf/providers/confmap"
	"github.com/knadh/koanf/v2"
	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"
)

// Config is every setting of every role. Its keys are the whole of the config file.
type Config struct {
	DataDir string // absolute

	API struct {
		GRPC string // host:port the api listens on
		HTTP string // host:port of health and profiles; empty: none

		DayMemory int64 // bytes of press-days kept in memory for questions of losses; 0: none
	}
	NATS struct {
		URL     string // NATS servers elsewhere, separated by commas; empty: the embedded one
		Listen  string // host:port of the embedded one
		KeysDir string // where the passwords are; empty: DataDir/keys. All machines of a cluster need the same ones
		TLS     struct {
			Cert string // certificate of the embedded one; empty: none on loopback, else one of its own making
			Key  string // its private key
			CA   string // authority by which the server is known; empty: the certificate in KeysDir
		}
		Plaintext  bool // speak in the clear with other machines, too
		SharedUser bool // agents may come with the password that they share
		Cluster    struct {
			Name      string   // the same on every server of the cluster
			Node      string   // name of this server in it
			Listen    string   // host:port for the other servers; empty: no cluster
			Advertise string   // host:port that others are told; empty: Listen
			Routes    []string // host:port of all servers of the cluster
			Replicas  int      // copies of each stream: 1, 3 or 5; never lowered. ingest and api need it too
		}
	}
	Warehouse struct {
		DSN          string // clickhouse://… or http://…; empty: the embedded engine
		Database     string
		PasswordFile string // holds the password of DSN's user
	}
	Engine struct {
		Lib       string // path of the library; empty: the user cache
		MaxMemory int64  // bytes
	}
	Ingest struct {
		BatchEvents int           // events in one insert, at most
		BatchWait   time.Duration // longest wait for a batch to fill
		FutureLimit time.Duration // events further ahead are dead letters
		PastLimit   time.Duration // events further back are dead letters
	}
	Agent struct {
		Name     string
		Presses  []string // "plant/press"
		Sources  []Source
		SpoolMax int64  // bytes
		Page     string // host:port of the sign-off page; without a host: loopback; empty: none

		PageNames []string // further names by which tablets call this machine
	}
	Log struct {
		Level  slog.Level
		Format string // text or json
	}
	Web struct {
		Listen string   // loopback host:port of the pages; empty: none
		Names  []string // further names by which browsers call this machine, with or without a port
	}
	Metrics struct {
		Listen string // loopback host:port of metrics, health and profiles of a process; empty: none
	}

	file    string            // the config file that was read; empty: there is none
	origin  map[string]string // key -> where its value was given; missing: default
	environ []string          // of the process
}

// Source is one input of the agent.
type Source struct {
	Path    string `yaml:"path,omitempty" json:"path"` // a file, a directory, or "-"
	Follow  bool   `yaml:"follow,omitempty" json:"follow"`
	Machine string `yaml:"machine,omitempty" json:"machine"` // instead of a path: a mapping file
}

// defaults is every key with its value when nothing is said, as text or as a list.
func defaults(dataDir string) map[string]any {
	return map[string]any{
		"data_dir": dataDir,
		"api.grpc": "127.0.0.1:7710", "api.http": "127.0.0.1:7711", "api.day_memory": "128MiB",
		"nats.url": "", "nats.listen": "127.0.0.1:7712", "nats.keys_dir": "",
		"nats.tls.cert": "", "nats.tls.key": "", "nats.tls.ca": "", "nats.plaintext": "false", "nats.shared_user": "true",
		"nats.cluster.name": "downweb", "nats.cluster.node": "", "nats.cluster.listen": "", "nats.cluster.advertise": "",
		"nats.cluster.routes": []any{}, "nats.cluster.replicas": "1",
		"warehouse.dsn": "", "warehouse.database": "downweb", "warehouse.password_file": "",
		"engine.lib": "", "engine.max_memory": "3GiB",
		"ingest.batch_events": "100000", "ingest.batch_wait": "200ms", "ingest.future_limit": "10m", "ingest.past_limit": "10y",
		"agent.name": "a1", "agent.presses": []any{}, "agent.sources": []any{}, "agent.spool_max": "2GiB", "agent.page": "", "agent.page_names": []any{},
		"log.level": "info", "log.format": "text",
		"web.listen": "127.0.0.1:7714", "web.names": []any{},
		"metrics.listen": "",
	}
}

// stateDir is the user's directory for data that programs keep.
func stateDir(environ []string) (string, error) {
	if dir := lookup(environ, "XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "downweb"), nil
	}
	if runtime.GOOS != "linux" {
		dir, err := os.UserConfigDir()
		return filepath.Join(dir, "downweb"), err
	}
	home := lookup(environ, "HOME")
	if home == "" {
		return "", errors.New("neither XDG_STATE_HOME nor HOME is set: give --data-dir")
	}
	return filepath.Join(home, ".local", "state", "downweb"), nil
}

func lookup(environ []string, name string) string {
	value := ""
	for _, e := range environ {
		if v, ok := strings.CutPrefix(e, name+"="); ok {
			value = v
		}
	}
	return value
}

// loadConfig merges defaults < file < environment < flags and refuses what is unknown or cannot work.
// flags holds the settings given on the command line, by key. All mistakes are reported at once.
func (a *app) loadConfig(flags map[string]string) (*Config, error) {
	def := ""
	if a.dataDir == "" {
		dir, err := stateDir(a.environ)
		if err != nil {
			return nil, usageError{err}
		}
		def = filepath.Join(dir, a.defaultName)
	}
	k, origin := koanf.New("."), map[string]string{}
	var problems []error
	layer := func(values map[string]any, from func(key string) string) {
		known := defaults("")
		for key := range values {
			if _, ok := known[key]; !ok {
				problems = append(problems, fmt.Errorf("%s: unknown key %q", from(key), key))
				delete(values, key)
				continue
			}
			origin[key] = from(key)
		}
		if err := k.Load(confmap.Provider(values, "."), nil); err != nil {
			problems = append(problems, err)
		}
	}
	layer(defaults(def), func(string) string { return "default" })
	clear(origin)

	env, envNames, err := envSettings(a.environ)
	if err != nil {
		problems = append(problems, err)
	}
	given := map[string]any{}
	for key, value := range flags {
		given[key] = value
	}
	if a.dataDir != "" {
		given["data_dir"] = a.dataDir
	}

	file := a.config
	if file == "" { // the file in the data directory that the flags or the environment name
		dir := def
		for _, values := range []map[string]any{env, given} {
			if v, ok := values["data_dir"].(string); ok && v != "" {
				dir = v
			}
		}
		file = filepath.Join(dir, "downweb.yaml")
	}
	values, lines := map[string]any{}, map[string]int{}
	if !supervised(a.environ) { // a child has its settings from the environment alone
		if values, lines, err = fileSettings(file, a.config != ""); err != nil {
			problems = append(problems, err)
		}
	}
	layer(values, func(key string) string { return fmt.Sprintf("%s:%d", file, lines[key]) })
	layer(env, func(key string) string { return envNames[key] })
	layer(given, func(key string) string { return "--" + flagOf(key) })

	cfg, err := decode(k, origin)
	cfg.environ = a.environ
	if _, err := os.Stat(file); err == nil {
		cfg.file = file
	}
	problems = append(problems, err, cfg.Validate())
	if err := errors.Join(problems...); err != nil {
		return nil, usageError{err}
	}
	return cfg, nil
}

// flagKeys are the flags that set a key of the config.
var flagKeys = map[string]string{
	"data-dir": "data_dir", "grpc": "api.grpc", "http": "api.http",
	"nats": "nats.url", "nats-listen": "nats.listen", "keys-dir": "nats.keys_dir",
	"warehouse": "warehouse.dsn", "database": "warehouse.database", "password-file": "warehouse.password_file",
	"engine-lib": "engine.lib", "engine-memory": "engine.max_memory",
	"agent-name": "agent.name", "spool-max": "agent.spool_max", "page": "agent.page",
	"log-level": "log.level", "log-format": "log.format",
	"web": "web.listen", "metrics": "metrics.listen", "batch-events": "ingest.batch_events",
}

// settingFlags adds flags that set keys of the config, and a function that loads it with them.
func (a *app) settingFlags(c *cobra.Command, flags ...string) (load func() (*Config, error)) {
	texts := map[string]string{
		"grpc": "address the api listens on", "http": "address of health and profiles",
		"nats": "NATS server to use instead of the embedded one", "nats-listen": "address the embedded NATS server listens on",
		"keys-dir":  "directory of the NATS passwords (default: DATA-DIR/keys)",
		"warehouse": "ClickHouse to use instead of the embedded engine", "database": "database in it", "password-file": "file with the password of its user",
		"engine-lib": "the engine's library (default: the user cache)", "engine-memory": "memory the engine may use, e.g. 3GiB",
		"agent-name": "name of the agent and its spool", "spool-max": "largest spool, e.g. 2GiB",
		"page":      "address of the sign-off page for the crew, e.g. 10.0.0.9:7730 (default: none)",
		"log-level": "debug, info, warn or error", "log-format": "text or json",
		"batch-events": "events in one insert, at most (default: 100000)",
		"web":          "loopback address of the pages in a browser (default 127.0.0.1:7714; empty: none)",
		"metrics":      "loopback address of metrics, health and profiles (default: none)",
	}
	flags = append(flags, "log-level", "log-format", "metrics")
	values := map[string]*string{}
	for _, name := range flags {
		values[name] = c.Flags().String(name, "", texts[name])
	}
	return func() (*Config, error) {
		given := map[string]string{}
		for name, value := range values {
			if c.Flags().Changed(name) {
				given[flagKeys[name]] = *value
			}
		}
		return a.loadConfig(given)
	}
}

// flagOf names the flag that sets a key.
func flagOf(key string) string {
	for flag, k := range flagKeys {
		if k == key {
			return flag
		}
	}
	return strings.ReplaceAll(key, "_", "-")
}

// envSettings reads DOWNWEB_DATA_DIR and every DOWNWEB_SECTION__KEY. Other names that begin with DOWNWEB_ are
// none of ours: a cluster sets DOWNWEB_PORT and the like for a service called downweb.
func envSettings(environ []string) (values map[string]any, names map[string]string, err error) {
	values, names = map[string]any{}, map[string]string{}
	for _, e := range environ {
		name, value, _ := strings.Cut(e, "=")
		rest, ok := strings.CutPrefix(name, "DOWNWEB_")
		if !ok || !strings.Contains(rest, "__") && rest != "DATA_DIR" {
			continue
		}
		key := strings.ToLower(strings.ReplaceAll(rest, "__", "."))
		names[key] = name
		values[key] = value
		if _, list := defaults("")[key].([]any); list {
			var items []any
			if strings.HasPrefix(strings.TrimSpace(value), "[") {
				if e := yaml.Unmarshal([]byte(value), &items); e != nil {
					err = errors.Join(err, fmt.Errorf("%s: not a list: %s", name, oneLine(e.Error())))
				}
			} else {
				for item := range strings.SplitSeq(value, ",") {
					if item = strings.TrimSpace(item); item != "" {
						items = append(items, item)
					}
				}
			}
			values[key] = items
		}
	}
	return values, names, err
}

// fileSettings reads a YAML file into flat keys with the line of each. A missing file is empty unless it was
// asked for.
func fileSettings(file string, must bool) (values map[string]any, lines map[string]int, err error) {
	values, lines = map[string]any{}, map[string]int{}
	text, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) && !must {
		return values, lines, nil
	}
	if err != nil {
		return values, lines, err
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return values, lines, fmt.Errorf("%s: %s", file, oneLine(strings.TrimPrefix(err.Error(), "yaml: ")))
	}
	if len(doc.Content) == 0 {
		return values, lines, nil
	}
	err = flatten(file, "", doc.Content[0], values, lines)
	return values, lines, err
}

func flatten(file, prefix string, n *yaml.Node, values map[string]any, lines map[string]int) error {
	if n.Kind != yaml.MappingNode {
		return fmt.Errorf("%s:%d: want keys and values", file, n.Line)
	}
	var problems []error
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := prefix+n.Content[i].Value, n.Content[i+1]
		if _, twice := lines[key]; twice {
			problems = append(problems, fmt.Errorf("%s:%d: key %q stands twice", file, n.Content[i].Line, key))
		}
		lines[key] = n.Content[i].Line
		switch {
		case value.Kind == yaml.MappingNode && isSection(key):
			problems = append(problems, flatten(file, key+".", value, values, lines))
		case value.Kind == yaml.ScalarNode && value.Tag == "!!null" && isSection(key):
			// a section without keys
		case value.Kind == yaml.ScalarNode && value.Tag != "!!null":
			values[key] = value.Value
		case value.Kind == yaml.ScalarNode:
			values[key] = ""
		default:
			var v any
			if err := value.Decode(&v); err != nil {
				problems = append(problems, fmt.Errorf("%s:%d: %s: %s", file, value.Line, key, oneLine(err.Error())))
			}
			values[key] = v
		}
	}
	return errors.Join(problems...)
}

func isSection(key string) bool {
	for k := range defaults("") {
		if strings.HasPrefix(k, key+".") {
			return true
		}
	}
	return false
}
