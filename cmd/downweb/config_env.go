package main

import (
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

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
		"api.grpc": c.API.GRPC, "api.http": c.API.HTTP, "api.day_memory": strconv.FormatInt(c.API.DayMemory, 10),
		"nats.url": c.NATS.URL, "nats.listen": c.NATS.Listen, "nats.keys_dir": c.NATS.KeysDir,
		"nats.tls.cert": c.NATS.TLS.Cert, "nats.tls.key": c.NATS.TLS.Key, "nats.tls.ca": c.NATS.TLS.CA,
		"nats.plaintext": strconv.FormatBool(c.NATS.Plaintext), "nats.shared_user": strconv.FormatBool(c.NATS.SharedUser),
		"nats.cluster.name": c.NATS.Cluster.Name, "nats.cluster.node": c.NATS.Cluster.Node, "nats.cluster.listen": c.NATS.Cluster.Listen,
		"nats.cluster.advertise": c.NATS.Cluster.Advertise, "nats.cluster.routes": list(c.NATS.Cluster.Routes), "nats.cluster.replicas": strconv.Itoa(c.NATS.Cluster.Replicas),
		"warehouse.dsn": c.Warehouse.DSN, "warehouse.database": c.Warehouse.Database, "warehouse.password_file": c.Warehouse.PasswordFile,
		"engine.lib": c.Engine.Lib, "engine.max_memory": strconv.FormatInt(c.Engine.MaxMemory, 10),
		"ingest.batch_events": strconv.Itoa(c.Ingest.BatchEvents), "ingest.batch_wait": c.Ingest.BatchWait.String(),
		"ingest.future_limit": c.Ingest.FutureLimit.String(), "ingest.past_limit": c.Ingest.PastLimit.String(),
		"agent.name": c.Agent.Name, "agent.presses": list(c.Agent.Presses), "agent.sources": list(c.Agent.Sources),
		"agent.spool_max": strconv.FormatInt(c.Agent.SpoolMax, 10), "agent.page": c.Agent.Page, "agent.page_names": list(c.Agent.PageNames),
		"log.level": c.Log.Level.String(), "log.format": c.Log.Format,
		"web.listen": c.Web.Listen, "web.names": list(c.Web.Names),
		"metrics.listen": c.Metrics.Listen,
	}
	var out []string
	for key, value := range env {
		out = append(out, "DOWNWEB_"+strings.ToUpper(strings.ReplaceAll(key, ".", "__"))+"="+value)
	}
	slices.Sort(out)
	return out
}
