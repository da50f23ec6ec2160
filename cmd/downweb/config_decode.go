package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/knadh/koanf/v2"
)

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
	yes := func(key string, to *bool) {
		switch k.String(key) {
		case "true":
			*to = true
		case "false":
			*to = false
		default:
			bad(key, fmt.Errorf("%q: want true or false", k.String(key)))
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
	size("api.day_memory", &c.API.DayMemory)
	text("nats.url", &c.NATS.URL)
	text("nats.listen", &c.NATS.Listen)
	text("nats.keys_dir", &c.NATS.KeysDir)
	text("nats.tls.cert", &c.NATS.TLS.Cert)
	text("nats.tls.key", &c.NATS.TLS.Key)
	text("nats.tls.ca", &c.NATS.TLS.CA)
	yes("nats.plaintext", &c.NATS.Plaintext)
	yes("nats.shared_user", &c.NATS.SharedUser)
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
	text("agent.page", &c.Agent.Page)
	if c.Agent.Presses, err = stringList(k.Get("agent.presses")); err != nil {
		bad("agent.presses", err)
	}
	if c.Agent.PageNames, err = stringList(k.Get("agent.page_names")); err != nil {
		bad("agent.page_names", err)
	}
	if c.Agent.Sources, err = sourceList(k.Get("agent.sources")); err != nil {
		bad("agent.sources", err)
	}
	if err := c.Log.Level.UnmarshalText([]byte(k.String("log.level"))); err != nil {
		bad("log.level", fmt.Errorf("%q: want debug, info, warn or error", k.String("log.level")))
	}
	text("log.format", &c.Log.Format)
	text("web.listen", &c.Web.Listen)
	if c.Web.Names, err = stringList(k.Get("web.names")); err != nil {
		bad("web.names", err)
	}
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
		return nil, errors.New("want a list of {path, follow} and {machine}")
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
				case "machine":
					s.Machine, ok = value.(string)
				default:
					return nil, fmt.Errorf("unknown key %q", key)
				}
				if !ok {
					return nil, fmt.Errorf("%s: %v is not of the right kind", key, value)
				}
			}
			list = append(list, s)
		default:
			return nil, fmt.Errorf("%v: want {path, follow} or {machine}", item)
		}
	}
	return list, nil
}
