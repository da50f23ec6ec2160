package logserver

import (
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// Cluster of embedded servers, each with the same two accounts. With three of
// them and three replicas one may be lost at any time: the streams and the
// lease go on. With two lost they stand still, and go on when one is back.
type Cluster struct {
	// Name of the cluster, the same on all of its servers.
	Name string
	// Listen is host:port for the other servers, on loopback unless they are on
	// other machines. Empty: no cluster.
	Listen string
	// Advertise is the host:port that others are told to reach this server at;
	// empty: the one listened on.
	Advertise string
	// Routes are the host:port of the cluster's servers; this one may be among
	// them. One that is away is tried for ever.
	Routes []string
	// Password of the routes, the same on all servers. Required.
	Password string
}

// userRoute is the name by which servers know each other.
const userRoute = "route"

// set the options of a clustered server. JetStream's cluster speaks in the
// system account, which the server makes by itself; no user is in it, so
// nobody can enter it. secret is the password as this server checks it.
func (c Cluster) set(opts *server.Options, secret string) error {
	switch {
	case c.Name == "":
		return errors.New("no name")
	case opts.ServerName == "downweb":
		return errors.New("the server needs a name of its own")
	case c.Password == "":
		return errors.New("no password")
	}
	host, port, err := listenAt(c.Listen)
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	opts.Cluster.Name, opts.Cluster.Host, opts.Cluster.Port = c.Name, host, port
	opts.Cluster.Advertise = c.Advertise
	opts.Cluster.Username, opts.Cluster.Password, opts.Cluster.AuthTimeout = userRoute, secret, 2
	// A dead peer is noticed in seconds, not minutes.
	opts.Cluster.PingInterval, opts.Cluster.MaxPingsOut = 2*time.Second, 2
	for _, r := range c.Routes {
		r = strings.TrimPrefix(strings.TrimSpace(r), "nats-route://")
		if _, _, err := listenAt(r); err != nil {
			return fmt.Errorf("route %q: %w", r, err)
		}
		opts.Routes = append(opts.Routes, &url.URL{Scheme: "nats-route", User: url.UserPassword(userRoute, c.Password), Host: r})
	}
	return nil
}
