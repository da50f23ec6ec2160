package main

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/downweb/downweb/services/agent/page"
)

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
	hostName = regexp.MustCompile(`^(?i)([a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*|\[[0-9a-f:]+\])(:[0-9]{1,5})?$`)
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
	}{{"api.grpc", c.API.GRPC, false}, {"api.http", c.API.HTTP, true}, {"web.listen", c.Web.Listen, true}, {"nats.listen", c.NATS.Listen, c.NATS.URL != ""}} {
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
	if c.Web.Listen != "" && !loopback(c.Web.Listen) {
		bad("web.listen", "%s is not a loopback address: the pages have no sign-in, so another machine reaches them by a proxy that has one", c.Web.Listen)
	}
	for _, name := range c.Web.Names {
		if !hostName.MatchString(name) {
			bad("web.names", "%q is not a host, with or without :port", name)
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
	if (c.NATS.TLS.Cert == "") != (c.NATS.TLS.Key == "") {
		bad("nats.tls", "cert and key go together")
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
		if (s.Path == "") == (s.Machine == "") {
			bad("agent.sources", "source %d has neither a path nor a machine, or both", i+1)
		}
	}
	if c.Agent.Page != "" {
		if _, err := page.ListenAddress(c.Agent.Page); err != nil {
			bad("agent.page", "%w", err)
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
