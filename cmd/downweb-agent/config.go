package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/agent/page"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/enrol"
)

// config is what an agent needs of the config that all roles share.
type config struct {
	dataDir, natsURL, natsListen, keysDir, natsCA, name, page, metrics, logFormat string

	plaintext   bool
	presses     []string
	sources     []agent.Source
	pageNames   []string
	spoolMax    int64
	futureLimit time.Duration
	level       slog.Level
}

// defaults is every key that an agent reads, with its value when nothing is
// said. A test holds it equal to that of command downweb.
func defaults() map[string]any {
	return map[string]any{
		"data_dir": "", "nats.url": "", "nats.listen": "127.0.0.1:7712", "nats.keys_dir": "", "nats.tls.ca": "", "nats.plaintext": "false", "ingest.future_limit": "10m",
		"agent.name": "a1", "agent.presses": []any{}, "agent.sources": []any{}, "agent.spool_max": "2GiB", "agent.page": "", "agent.page_names": []any{},
		"log.level": "info", "log.format": "text", "metrics.listen": "",
	}
}

// sections of the config that belong to other roles; their keys are passed
// over.
var others = []string{"api", "nats", "warehouse", "engine", "ingest", "web"}

// flagKeys are the flags that set a key.
var flagKeys = map[string]string{
	"agent-name": "agent.name", "spool-max": "agent.spool_max", "page": "agent.page", "nats": "nats.url", "keys-dir": "nats.keys_dir",
	"log-level": "log.level", "log-format": "log.format", "metrics": "metrics.listen",
}

// loadConfig merges defaults < file < environment < flags, and reports all
// mistakes at once. given are the flags' settings by key.
func loadConfig(environ []string, file string, given map[string]string) (*config, error) {
	values, from := defaults(), map[string]string{}
	var problems []error
	layer := func(in map[string]any, where func(key string) string) {
		for key, v := range in {
			_, known := values[key]
			section, _, _ := strings.Cut(key, ".")
			switch {
			case known:
				values[key], from[key] = v, where(key)
			case !slices.Contains(others, section):
				problems = append(problems, fmt.Errorf("%s: unknown key %q", where(key), key))
			}
		}
	}
	env, names, err := envSettings(environ)
	problems = append(problems, err)
	dir := given["data_dir"]
	if d, ok := env["data_dir"].(string); ok && dir == "" {
		dir = d
	}
	if dir == "" {
		if dir, err = stateDir(environ); err != nil {
			return nil, usageError{err}
		}
	}
	values["data_dir"] = dir
	must := file != ""
	if !must {
		file = filepath.Join(dir, "downweb.yaml")
	}
	inFile, err := fileSettings(file, must)
	problems = append(problems, err)
	layer(inFile, func(string) string { return file })
	layer(env, func(key string) string { return names[key] })
	flags := map[string]any{}
	for key, v := range given {
		flags[key] = v
	}
	layer(flags, func(string) string { return "command line" })
	c, err := decode(values, from)
	if err := errors.Join(append(problems, err)...); err != nil {
		return nil, usageError{err}
	}
	return c, nil
}

// decode turns settings into a config, naming what cannot be read or work.
func decode(values map[string]any, from map[string]string) (*config, error) {
	c := &config{}
	var problems []error
	bad := func(key, format string, v ...any) {
		err := fmt.Errorf(key+": "+format, v...)
		if where := from[key]; where != "" {
			err = fmt.Errorf("%s: %w", where, err)
		}
		problems = append(problems, err)
	}
	text := func(key string) string {
		switch v := values[key].(type) {
		case string:
			return strings.TrimSpace(v)
		case nil:
			return ""
		case []any, map[string]any:
			bad(key, "want one value, not a list")
			return ""
		default:
			return fmt.Sprint(v)
		}
	}
	var err error
	if c.dataDir, err = filepath.Abs(text("data_dir")); err != nil {
		bad("data_dir", "%w", err)
	}
	c.natsURL, c.natsListen, c.keysDir = text("nats.url"), text("nats.listen"), text("nats.keys_dir")
	c.natsCA = text("nats.tls.ca")
	switch text("nats.plaintext") {
	case "true":
		c.plaintext = true
	case "false":
	default:
		bad("nats.plaintext", "%q: want true or false", text("nats.plaintext"))
	}
	c.name, c.metrics, c.logFormat = text("agent.name"), text("metrics.listen"), text("log.format")
	if c.page = text("agent.page"); c.page != "" {
		if _, err := page.ListenAddress(c.page); err != nil {
			bad("agent.page", "%w", err)
		}
	}
	if c.keysDir == "" {
		c.keysDir = filepath.Join(c.dataDir, "keys")
	}
	if c.presses, err = textList(values["agent.presses"]); err != nil {
		bad("agent.presses", "%w", err)
	}
	if c.pageNames, err = textList(values["agent.page_names"]); err != nil {
		bad("agent.page_names", "%w", err)
	}
	if c.sources, err = sourceList(values["agent.sources"]); err != nil {
		bad("agent.sources", "%w", err)
	}
	if c.spoolMax, err = parseBytes(text("agent.spool_max")); err != nil || c.spoolMax < 16<<20 {
		bad("agent.spool_max", "%q is not a size of at least 16MiB", text("agent.spool_max"))
	}
	if c.futureLimit, err = parseSpan(text("ingest.future_limit")); err != nil || c.futureLimit <= 0 {
		bad("ingest.future_limit", "%q is not a time span such as 10m", text("ingest.future_limit"))
	}
	if err := c.level.UnmarshalText([]byte(text("log.level"))); err != nil {
		bad("log.level", "%q: want debug, info, warn or error", text("log.level"))
	}
	if c.logFormat != "text" && c.logFormat != "json" {
		bad("log.format", "%q: want text or json", c.logFormat)
	}
	for part := range strings.SplitSeq(c.natsURL, ",") {
		u, err := url.Parse(strings.TrimSpace(part))
		if part != "" && (err != nil || u.Host == "" || !slices.Contains([]string{"nats", "tls", "ws", "wss"}, u.Scheme)) {
			bad("nats.url", "%q is not a nats:// address", part)
		}
	}
	if c.metrics != "" {
		host, port, err := net.SplitHostPort(c.metrics)
		ip := net.ParseIP(host)
		if n, e := strconv.Atoi(port); err != nil || e != nil || n < 0 || n > 65535 || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			bad("metrics.listen", "%q is not host:port of a loopback address", c.metrics)
		}
	}
	return c, errors.Join(problems...)
}

// server is the log server: the one configured, else the one that runs in the
// data directory, else the usual address.
func (c *config) server() string {
	if c.natsURL != "" {
		return c.natsURL
	}
	var e struct {
		NATS string `json:"nats"`
	}
	if text, err := os.ReadFile(filepath.Join(c.dataDir, "run", "endpoints.json")); err == nil && json.Unmarshal(text, &e) == nil && e.NATS != "" {
		return e.NATS
	}
	return "nats://" + c.natsListen
}

// login fills in how the agent reaches the log server and who it is there: by
// the key that was enrolled, else by the password that agents share.
func (c *config) login(ac *agent.Config) error {
	ac.URL = c.server()
	ac.TLS = eventlog.TLS{CAFile: c.natsCA, Required: eventlog.Remote(ac.URL) && !c.plaintext}
	if c.natsCA == "" {
		pins, err := eventlog.Fingerprints(filepath.Join(c.keysDir, "nats.crt"))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		ac.TLS.Pins = pins
	}
	i, err := enrol.Load(c.keysDir)
	if errors.Is(err, os.ErrNotExist) {
		ac.Password, err = c.password()
		return err
	}
	if err != nil {
		return err
	}
	ac.Seed = []byte(i.Seed)
	if c.natsURL == "" && i.Server != "" {
		ac.URL = i.Server
		ac.TLS.Required = ac.TLS.Required || i.TLS().Required
		if !eventlog.Remote(ac.URL) || i.Plain {
			ac.TLS.Required = i.TLS().Required
		}
	}
	if len(i.Pins) > 0 && c.natsCA == "" {
		ac.TLS.Pins = i.Pins
	}
	return nil
}

// password of the log's user for agents.
func (c *config) password() (string, error) {
	file := filepath.Join(c.keysDir, "press.password")
	text, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("this device has no key yet: make a token with \"downweb enrol PRESS\" on the server and give it to \"downweb-agent enrol TOKEN\" here (nor is there a shared password: %w)", err)
	}
	if p := strings.TrimSpace(string(text)); p != "" {
		return p, nil
	}
	return "", fmt.Errorf("the password file %s is empty", file)
}

// stateDir is the data directory when none is given.
func stateDir(environ []string) (string, error) {
	if dir := lookup(environ, "XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "downweb", "main"), nil
	}
	if runtime.GOOS != "linux" {
		dir, err := os.UserConfigDir()
		return filepath.Join(dir, "downweb", "main"), err
	}
	home := lookup(environ, "HOME")
	if home == "" {
		return "", errors.New("neither XDG_STATE_HOME nor HOME is set: give --data-dir")
	}
	return filepath.Join(home, ".local", "state", "downweb", "main"), nil
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

// envSettings reads DOWNWEB_DATA_DIR and DOWNWEB_SECTION__KEY.
func envSettings(environ []string) (values map[string]any, names map[string]string, err error) {
	values, names = map[string]any{}, map[string]string{}
	for _, e := range environ {
		name, value, _ := strings.Cut(e, "=")
		rest, ok := strings.CutPrefix(name, "DOWNWEB_")
		if !ok || !strings.Contains(rest, "__") && rest != "DATA_DIR" {
			continue
		}
		key := strings.ToLower(strings.ReplaceAll(rest, "__", "."))
		names[key], values[key] = name, value
		if _, list := defaults()[key].([]any); !list {
			continue
		}
		items := []any{}
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
	return values, names, err
}

// fileSettings reads a YAML file into flat keys. A missing file is empty
// unless it was asked for.
func fileSettings(file string, must bool) (map[string]any, error) {
	text, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) && !must {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var doc map[string]any
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("%s: %s", file, oneLine(strings.TrimPrefix(err.Error(), "yaml: ")))
	}
	values := map[string]any{}
	var flatten func(prefix string, in map[string]any)
	flatten = func(prefix string, in map[string]any) {
		for key, v := range in {
			if m, ok := v.(map[string]any); ok {
				flatten(prefix+key+".", m)
			} else if v != nil || prefix != "" {
				values[prefix+key] = v
			}
		}
	}
	flatten("", doc)
	return values, nil
}

func textList(v any) ([]string, error) {
	items, ok := v.([]any)
	if !ok && v != nil {
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

func sourceList(v any) ([]agent.Source, error) {
	items, ok := v.([]any)
	if !ok && v != nil {
		return nil, errors.New("want a list of {path, follow} and {machine}")
	}
	var list []agent.Source
	for _, item := range items {
		s := agent.Source{}
		switch item := item.(type) {
		case string:
			s.Path = item
		case map[string]any:
			for key, value := range item {
				ok := false
				switch key {
				case "path":
					s.Path, ok = value.(string)
				case "follow":
					s.Follow, ok = value.(bool)
				case "machine":
					s.Machine, ok = value.(string)
				default:
					return nil, fmt.Errorf("unknown key %q", key)
				}
				if !ok {
					return nil, fmt.Errorf("%s: %v is not of the right kind", key, value)
				}
			}
		default:
			return nil, fmt.Errorf("%v: want {path, follow} or {machine}", item)
		}
		if (s.Path == "") == (s.Machine == "") {
			return nil, errors.New("a source has a path or a machine")
		}
		list = append(list, s)
	}
	return list, nil
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
	if err != nil || !(n >= 0) || n*float64(unit) > 1<<60 {
		return 0, fmt.Errorf("%q is not a size such as 3GiB", text)
	}
	return int64(n * float64(unit)), nil
}

// parseSpan reads a Go duration, or days, weeks or years (of 365 days).
func parseSpan(text string) (time.Duration, error) {
	if d, err := time.ParseDuration(text); err == nil {
		return d, nil
	}
	for suffix, day := range map[string]int64{"d": 1, "w": 7, "y": 365} {
		if number, ok := strings.CutSuffix(text, suffix); ok {
			if n, err := strconv.ParseInt(number, 10, 64); err == nil && n >= 0 && n <= 36_500/day {
				return time.Duration(n*day) * 24 * time.Hour, nil
			}
		}
	}
	return 0, fmt.Errorf("%q is not a time span such as 10m or 7d", text)
}
