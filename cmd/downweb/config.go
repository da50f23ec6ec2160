package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
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
	}
	NATS struct {
		URL     string // NATS servers elsewhere, separated by commas; empty: the embedded one
		Listen  string // host:port of the embedded one
		KeysDir string // where the passwords are; empty: DataDir/keys. All machines of a cluster need the same ones
		Cluster struct {
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
		SpoolMax int64 // bytes
	}
	Log struct {
		Level  slog.Level
		Format string // text or json
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
	Path   string `yaml:"path" json:"path"` // a file, a directory, or "-"
	Follow bool   `yaml:"follow" json:"follow"`
}

// defaults is every key with its value when nothing is said, as text or as a list.
func defaults(dataDir string) map[string]any {
	return map[string]any{
		"data_dir": dataDir,
		"api.grpc": "127.0.0.1:7710", "api.http": "127.0.0.1:7711",
		"nats.url": "", "nats.listen": "127.0.0.1:7712", "nats.keys_dir": "",
		"nats.cluster.name": "downweb", "nats.cluster.node": "", "nats.cluster.listen": "", "nats.cluster.advertise": "",
		"nats.cluster.routes": []any{}, "nats.cluster.replicas": "1",
		"warehouse.dsn": "", "warehouse.database": "downweb", "warehouse.password_file": "",
		"engine.lib": "", "engine.max_memory": "3GiB",
		"ingest.batch_events": "100000", "ingest.batch_wait": "200ms", "ingest.future_limit": "10m", "ingest.past_limit": "10y",
		"agent.name": "a1", "agent.presses": []any{}, "agent.sources": []any{}, "agent.spool_max": "2GiB",
		"log.level": "info", "log.format": "text",
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
	"agent-name": "agent.name", "spool-max": "agent.spool_max",
	"log-level": "log.level", "log-format": "log.format",
	"metrics": "metrics.listen", "batch-events": "ingest.batch_events",
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
		"log-level": "debug, info, warn or error", "log-format": "text or json",
		"batch-events": "events in one insert, at most (default: 100000)",
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

// decode turns the merged settings into a Config, naming key and origin of what cannot be read.
func decode(k *koanf.Koanf, origin map[string]string) (*Config, error) {
	c := &Config{origin: origin}
	var problems []error
	bad := func(key string, err error) { problems = append(problems, c.problem(key, "%w", err)) }
	text := func(key string, to *string) {
		switch v := k.Get(key).(type) {
		case string:
			*to = strings.TrimSpace(v)
		default:
			bad(key, fmt.Errorf("want one value, not a list"))
		}
	}
	size := func(key string, to *int64) {
		var err error
		if *to, err = parseBytes(k.String(key)); err != nil {
			bad(key, err)
		}
	}
	span := func(key string, to *time.Duration) {
		var err error
		if *to, err = parseSpan(k.String(key)); err != nil {
			bad(key, err)
		}
	}
	text("data_dir", &c.DataDir)
	text("api.grpc", &c.API.GRPC)
	text("api.http", &c.API.HTTP)
	text("nats.url", &c.NATS.URL)
	text("nats.listen", &c.NATS.Listen)
	text("nats.keys_dir", &c.NATS.KeysDir)
	text("nats.cluster.name", &c.NATS.Cluster.Name)
	text("nats.cluster.node", &c.NATS.Cluster.Node)
	text("nats.cluster.listen", &c.NATS.Cluster.Listen)
	text("nats.cluster.advertise", &c.NATS.Cluster.Advertise)
	text("warehouse.dsn", &c.Warehouse.DSN)
	text("warehouse.database", &c.Warehouse.Database)
	text("warehouse.password_file", &c.Warehouse.PasswordFile)
	text("engine.lib", &c.Engine.Lib)
	size("engine.max_memory", &c.Engine.MaxMemory)
	var err error
	if c.NATS.Cluster.Routes, err = stringList(k.Get("nats.cluster.routes")); err != nil {
		bad("nats.cluster.routes", err)
	}
	if c.NATS.Cluster.Replicas, err = strconv.Atoi(k.String("nats.cluster.replicas")); err != nil {
		bad("nats.cluster.replicas", fmt.Errorf("%q is not a whole number", k.String("nats.cluster.replicas")))
	}
	if c.Ingest.BatchEvents, err = strconv.Atoi(k.String("ingest.batch_events")); err != nil {
		bad("ingest.batch_events", fmt.Errorf("%q is not a whole number", k.String("ingest.batch_events")))
	}
	span("ingest.batch_wait", &c.Ingest.BatchWait)
	span("ingest.future_limit", &c.Ingest.FutureLimit)
	span("ingest.past_limit", &c.Ingest.PastLimit)
	text("agent.name", &c.Agent.Name)
	size("agent.spool_max", &c.Agent.SpoolMax)
	if c.Agent.Presses, err = stringList(k.Get("agent.presses")); err != nil {
		bad("agent.presses", err)
	}
	if c.Agent.Sources, err = sourceList(k.Get("agent.sources")); err != nil {
		bad("agent.sources", err)
	}
	if err := c.Log.Level.UnmarshalText([]byte(k.String("log.level"))); err != nil {
		bad("log.level", fmt.Errorf("%q: want debug, info, warn or error", k.String("log.level")))
	}
	text("log.format", &c.Log.Format)
	text("metrics.listen", &c.Metrics.Listen)
	if c.DataDir != "" {
		if c.DataDir, err = filepath.Abs(c.DataDir); err != nil {
			bad("data_dir", err)
		}
	}
	return c, errors.Join(problems...)
}

func stringList(v any) ([]string, error) {
	items, ok := v.([]any)
	if !ok {
		return nil, errors.New("want a list")
	}
	var list []string
	for _, item := range items {
		s, ok := item.(string)
		if !ok {
			return nil, fmt.Errorf("%v: want a text", item)
		}
		list = append(list, s)
	}
	return list, nil
}

func sourceList(v any) ([]Source, error) {
	items, ok := v.([]any)
	if !ok {
		return nil, errors.New("want a list of {path, follow}")
	}
	var list []Source
	for _, item := range items {
		switch item := item.(type) {
		case string:
			list = append(list, Source{Path: item})
		case map[string]any:
			var s Source
			for key, value := range item {
				var ok bool
				switch key {
				case "path":
					s.Path, ok = value.(string)
				case "follow":
					s.Follow, ok = value.(bool)
				default:
					return nil, fmt.Errorf("unknown key %q", key)
				}
				if !ok {
					return nil, fmt.Errorf("%s: %v is not of the right kind", key, value)
				}
			}
			list = append(list, s)
		default:
			return nil, fmt.Errorf("%v: want {path, follow}", item)
		}
	}
	return list, nil
}

// problem is a mistake in one key, with where it was made.
func (c *Config) problem(key, format string, a ...any) error {
	err := fmt.Errorf(key+": "+format, a...)
	if from := c.origin[key]; from != "" {
		return fmt.Errorf("%s: %w", from, err)
	}
	return err
}

var (
	slug     = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	database = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]{0,62}$`)
)

// Validate says everything that cannot work, with key and reason.
func (c *Config) Validate() error {
	var problems []error
	bad := func(key, format string, a ...any) { problems = append(problems, c.problem(key, format, a...)) }
	if c.DataDir == "" {
		bad("data_dir", "is empty")
	}
	addrs := map[string]string{}
	for _, l := range []struct {
		key, addr string
		optional  bool
	}{{"api.grpc", c.API.GRPC, false}, {"api.http", c.API.HTTP, true}, {"nats.listen", c.NATS.Listen, c.NATS.URL != ""}} {
		if l.addr == "" && l.optional {
			continue
		}
		_, port, err := net.SplitHostPort(l.addr)
		if n, e := strconv.Atoi(port); err != nil || e != nil || n < 0 || n > 65535 {
			bad(l.key, "%q is not host:port", l.addr)
		} else if other, twice := addrs[l.addr]; twice && n != 0 {
			bad(l.key, "%s is also %s", l.addr, other)
		} else {
			addrs[l.addr] = l.key
		}
	}
	if c.Metrics.Listen != "" {
		host, port, err := net.SplitHostPort(c.Metrics.Listen)
		ip := net.ParseIP(host)
		if n, e := strconv.Atoi(port); err != nil || e != nil || n < 0 || n > 65535-len(metricsPorts) {
			bad("metrics.listen", "%q is not host:port", c.Metrics.Listen)
		} else if host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			bad("metrics.listen", "%s is not a loopback address: metrics and profiles are for this machine alone", c.Metrics.Listen)
		}
	}
	if c.NATS.URL != "" {
		for part := range strings.SplitSeq(c.NATS.URL, ",") {
			if u, err := url.Parse(strings.TrimSpace(part)); err != nil || u.Host == "" || !slices.Contains([]string{"nats", "tls", "ws", "wss"}, u.Scheme) {
				bad("nats.url", "%q is not a nats:// address", part)
			}
		}
	}
	problems = append(problems, c.validateCluster())
	if c.Warehouse.DSN != "" {
		if u, err := url.Parse(c.Warehouse.DSN); err != nil || u.Host == "" || !slices.Contains([]string{"clickhouse", "tcp", "http", "https"}, u.Scheme) {
			bad("warehouse.dsn", "is not a clickhouse://, http:// or https:// address")
		}
	}
	if !database.MatchString(c.Warehouse.Database) {
		bad("warehouse.database", "%q: want letters, digits and _", c.Warehouse.Database)
	}
	if c.Engine.MaxMemory < 256<<20 {
		bad("engine.max_memory", "less than 256MiB is too little for the engine")
	}
	if c.Ingest.BatchEvents < 1 || c.Ingest.BatchEvents > 1_000_000 {
		bad("ingest.batch_events", "%d: want 1 to 1000000", c.Ingest.BatchEvents)
	}
	if c.Ingest.BatchWait <= 0 || c.Ingest.BatchWait > time.Minute {
		bad("ingest.batch_wait", "%v: want more than 0 and at most 1m", c.Ingest.BatchWait)
	}
	if c.Ingest.FutureLimit <= 0 {
		bad("ingest.future_limit", "want more than 0")
	}
	if c.Ingest.PastLimit <= 0 {
		bad("ingest.past_limit", "want more than 0")
	}
	if !slug.MatchString(c.Agent.Name) {
		bad("agent.name", "%q: want a-z, 0-9 and -, at most 40", c.Agent.Name)
	}
	for _, p := range c.Agent.Presses {
		if plant, press, ok := strings.Cut(p, "/"); !ok || !slug.MatchString(plant) || !slug.MatchString(press) {
			bad("agent.presses", "%q is not plant/press", p)
		}
	}
	for i, s := range c.Agent.Sources {
		if s.Path == "" {
			bad("agent.sources", "source %d has no path", i+1)
		}
	}
	if c.Agent.SpoolMax < 16<<20 {
		bad("agent.spool_max", "less than 16MiB is too little for the spool")
	}
	if c.Log.Format != "text" && c.Log.Format != "json" {
		bad("log.format", "%q: want text or json", c.Log.Format)
	}
	return errors.Join(problems...)
}

var units = []struct {
	suffix string
	bytes  int64
}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"TiB", 1 << 40}, {"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}, {"B", 1}}

// parseBytes reads "3GiB", "500MB" or a number of bytes.
func parseBytes(text string) (int64, error) {
	number, unit := strings.TrimSpace(text), int64(1)
	for _, u := range units {
		if rest, ok := strings.CutSuffix(number, u.suffix); ok {
			number, unit = strings.TrimSpace(rest), u.bytes
			break
		}
	}
	n, err := strconv.ParseFloat(number, 64)
	if err != nil || n < 0 || n*float64(unit) > 1<<60 {
		return 0, fmt.Errorf("%q is not a size such as 3GiB", text)
	}
	return int64(n * float64(unit)), nil
}

// parseSpan reads a Go duration, or a number of days, weeks or years (of 365 days) such as 7d, 2w, 10y.
func parseSpan(text string) (time.Duration, error) {
	if d, err := time.ParseDuration(text); err == nil {
		return d, nil
	}
	for suffix, day := range map[string]int64{"d": 1, "w": 7, "y": 365} {
		if number, ok := strings.CutSuffix(text, suffix); ok {
			if n, err := strconv.ParseInt(number, 10, 64); err == nil && n >= 0 && n*day <= 100*365 {
				return time.Duration(n*day) * 24 * time.Hour, nil
			}
		}
	}
	return 0, fmt.Errorf("%q is not a time span such as 200ms, 10m, 7d or 10y", text)
}

// Env is the whole config as environment variables: what a supervised child is given instead of a file.
func (c *Config) Env() []string {
	list := func(v any) string {
		text, _ := yaml.Marshal(v)
		var n yaml.Node
		if yaml.Unmarshal(text, &n) == nil && len(n.Content) == 1 {
			n.Content[0].Style = yaml.FlowStyle
			text, _ = yaml.Marshal(&n)
		}
		return strings.TrimSpace(string(text))
	}
	env := map[string]string{
		"data_dir": c.DataDir,
		"api.grpc": c.API.GRPC, "api.http": c.API.HTTP,
		"nats.url": c.NATS.URL, "nats.listen": c.NATS.Listen, "nats.keys_dir": c.NATS.KeysDir,
		"nats.cluster.name": c.NATS.Cluster.Name, "nats.cluster.node": c.NATS.Cluster.Node, "nats.cluster.listen": c.NATS.Cluster.Listen,
		"nats.cluster.advertise": c.NATS.Cluster.Advertise, "nats.cluster.routes": list(c.NATS.Cluster.Routes), "nats.cluster.replicas": strconv.Itoa(c.NATS.Cluster.Replicas),
		"warehouse.dsn": c.Warehouse.DSN, "warehouse.database": c.Warehouse.Database, "warehouse.password_file": c.Warehouse.PasswordFile,
		"engine.lib": c.Engine.Lib, "engine.max_memory": strconv.FormatInt(c.Engine.MaxMemory, 10),
		"ingest.batch_events": strconv.Itoa(c.Ingest.BatchEvents), "ingest.batch_wait": c.Ingest.BatchWait.String(),
		"ingest.future_limit": c.Ingest.FutureLimit.String(), "ingest.past_limit": c.Ingest.PastLimit.String(),
		"agent.name": c.Agent.Name, "agent.presses": list(c.Agent.Presses), "agent.sources": list(c.Agent.Sources),
		"agent.spool_max": strconv.FormatInt(c.Agent.SpoolMax, 10),
		"log.level":       c.Log.Level.String(), "log.format": c.Log.Format,
		"metrics.listen": c.Metrics.Listen,
	}
	var out []string
	for key, value := range env {
		out = append(out, "DOWNWEB_"+strings.ToUpper(strings.ReplaceAll(key, ".", "__"))+"="+value)
	}
	slices.Sort(out)
	return out
}
