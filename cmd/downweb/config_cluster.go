package main

import (
	"errors"
	"net"
	"strconv"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/logserver"
)

// validateCluster says what cannot work in nats.cluster.
func (c *Config) validateCluster() error {
	var problems []error
	bad := func(key, format string, a ...any) {
		problems = append(problems, c.problem("nats.cluster."+key, format, a...))
	}
	n := c.NATS.Cluster
	if n.Replicas != 1 && n.Replicas != 3 && n.Replicas != 5 {
		bad("replicas", "%d: want 1, 3 or 5", n.Replicas)
	}
	address := func(key, addr string) {
		host, port, err := net.SplitHostPort(addr)
		if p, e := strconv.Atoi(port); err != nil || e != nil || p < 1 || p > 65535 || key != "listen" && host == "" {
			bad(key, "%q is not host:port", addr)
		}
	}
	for _, r := range n.Routes {
		address("routes", r)
	}
	if n.Listen == "" {
		if len(n.Routes) > 0 || n.Node != "" || n.Advertise != "" {
			bad("listen", "is empty, but other keys of the cluster are set")
		}
		return errors.Join(problems...)
	}
	address("listen", n.Listen)
	if n.Advertise != "" {
		address("advertise", n.Advertise)
	}
	if n.Listen == c.NATS.Listen {
		bad("listen", "%s is also nats.listen", n.Listen)
	}
	if !slug.MatchString(n.Name) {
		bad("name", "%q: want a-z, 0-9 and -, at most 40", n.Name)
	}
	if !slug.MatchString(n.Node) || n.Node == "downweb" {
		bad("node", "%q: want a name of this server's own, a-z, 0-9 and -, at most 40", n.Node)
	}
	if len(n.Routes) == 0 {
		bad("routes", "is empty: name the other servers")
	}
	return errors.Join(problems...)
}

// cluster is the part of the configuration that the embedded server needs. Its password is made when it is missing,
// so copy the keys of the first machine to the others before they start.
func (c *Config) cluster() (logserver.Cluster, error) {
	n := c.NATS.Cluster
	if n.Listen == "" {
		return logserver.Cluster{}, nil
	}
	secret, err := password(c.keysDir(), keyCluster)
	if err != nil {
		return logserver.Cluster{}, err
	}
	return logserver.Cluster{Name: n.Name, Listen: n.Listen, Advertise: n.Advertise, Routes: n.Routes, Password: secret}, nil
}

// streams are the settings of the streams.
func (c *Config) streams() eventlog.StreamOptions {
	return eventlog.StreamOptions{Replicas: c.NATS.Cluster.Replicas}
}

// keyCluster is the password by which NATS servers of a cluster know each other.
const keyCluster = "cluster.password"
