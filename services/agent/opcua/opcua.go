package opcua

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"regexp"
	"strings"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"github.com/downweb/downweb/services/agent/machine"
)

// Client reads one server.
type Client struct {
	cfg   Settings
	nodes []string
}

// New client of a mapping's section and addresses; it does nothing until Run.
// An address is a node id, ns=2;s=Line.Speed, or with the namespace's URI
// instead of its number, nsu=http://example.org/press/;s=Line.Speed: numbers
// may change when the server's software does.
func New(m *machine.Mapping) (*Client, error) {
	c := &Client{nodes: m.Addresses()}
	if err := m.Section(&c.cfg); err != nil {
		return nil, err
	}
	errs := []error{c.cfg.check()}
	for _, n := range c.nodes {
		if _, _, err := splitNode(n); err != nil {
			errs = append(errs, err)
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	if c.cfg.Interval == 0 {
		c.cfg.Interval = 250 * time.Millisecond
	}
	return c, nil
}

// identifier begins a node id's second part.
var identifier = regexp.MustCompile(`;[isgb]=`)

// splitNode takes a namespace's URI off a node id; uri "" where it has a
// number. rest is a node id of namespace 0 then.
func splitNode(text string) (uri, rest string, err error) {
	rest = text
	if t, ok := strings.CutPrefix(text, "nsu="); ok {
		// A semicolon inside the URI is written %3B (OPC 10000-6, 5.1.12).
		at := identifier.FindStringIndex(t)
		if at == nil || at[0] == 0 {
			return "", "", fmt.Errorf("opcua: node %q: no identifier after the namespace", text)
		}
		uri, rest = strings.ReplaceAll(t[:at[0]], "%3B", ";"), t[at[0]+1:]
	}
	if _, err := ua.ParseNodeID(rest); err != nil {
		return "", "", fmt.Errorf("opcua: node %q: %w", text, err)
	}
	return uri, rest, nil
}

const (
	firstPause = 500 * time.Millisecond
	lastPause  = 30 * time.Second
	// lookEvery is how often a server that tells no change is asked whether it
	// lives, and how long it may take to answer.
	lookEvery = 2 * time.Second
	answerIn  = 4 * time.Second
)

// Run subscribes until ctx ends.
func (c *Client) Run(ctx context.Context, give func([]machine.Value), lost func(error)) error {
	if c.cfg.Security != "none" {
		if err := c.cfg.ensureCertificate(); err != nil {
			return fmt.Errorf("opcua: certificate: %w", err)
		}
	}
	pause := firstPause
	for ctx.Err() == nil {
		worked, err := c.session(ctx, give)
		if ctx.Err() != nil {
			return nil
		}
		lost(fmt.Errorf("opcua %s: %w", c.cfg.Endpoint, err))
		if worked {
			pause = firstPause
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause/2 + rand.N(pause)):
		}
		pause = min(2*pause, lastPause)
	}
	return nil
}

func (c *Client) options(ctx context.Context) ([]opcua.Option, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	eps, err := opcua.GetEndpoints(ctx, c.cfg.Endpoint)
	if err != nil {
		return nil, fmt.Errorf("endpoints: %w", err)
	}
	ep, err := opcua.SelectEndpoint(eps, policies[c.cfg.Security], c.cfg.mode())
	if err != nil || ep == nil || ep.SecurityPolicyURI != policies[c.cfg.Security] || ep.SecurityMode != c.cfg.mode() {
		return nil, fmt.Errorf("the server does not offer security %s with this mode", c.cfg.Security)
	}
	opts := []opcua.Option{
		opcua.AutoReconnect(false), opcua.ApplicationName("downweb agent"), opcua.RequestTimeout(10 * time.Second), opcua.DialTimeout(5 * time.Second),
	}
	auth := ua.UserTokenTypeAnonymous
	if c.cfg.Security != "none" {
		if err := c.cfg.trusted(ep.ServerCertificate, time.Now()); err != nil {
			return nil, err
		}
		opts = append(opts, opcua.CertificateFile(c.cfg.Certificate), opcua.PrivateKeyFile(c.cfg.Key))
	}
	if c.cfg.User != "" {
		password, err := c.cfg.password()
		if err != nil {
			return nil, err
		}
		auth = ua.UserTokenTypeUserName
		opts = append(opts, opcua.AuthUsername(c.cfg.User, password))
	} else {
		opts = append(opts, opcua.AuthAnonymous())
	}
	return append(opts, opcua.SecurityFromEndpoint(ep, auth)), nil
}

// session lives as long as the server answers; worked says whether it told
// anything.
func (c *Client) session(ctx context.Context, give func([]machine.Value)) (worked bool, err error) {
	opts, err := c.options(ctx)
	if err != nil {
		return false, err
	}
	client, err := opcua.NewClient(c.cfg.Endpoint, opts...)
	if err != nil {
		return false, err
	}
	up, cancelUp := context.WithTimeout(ctx, 15*time.Second)
	defer cancelUp()
	if err := client.Connect(up); err != nil {
		return false, fmt.Errorf("connect: %w", err)
	}
	defer func() { // not bound to ctx, which may have ended
		down, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		_ = client.Close(down) // it is over either way
	}()
	ids, err := c.resolve(up, client)
	if err != nil {
		return false, err
	}
	news := make(chan *opcua.PublishNotificationData, 64)
	sub, err := client.Subscribe(up, &opcua.SubscriptionParameters{Interval: c.cfg.Interval}, news)
	if err != nil {
		return false, fmt.Errorf("subscribe: %w", err)
	}
	items := make([]*ua.MonitoredItemCreateRequest, len(ids))
	for i, n := range ids {
		items[i] = opcua.NewMonitoredItemCreateRequestWithDefaults(n, ua.AttributeIDValue, uint32(i))
		items[i].RequestedParameters.SamplingInterval = float64(c.cfg.Interval.Milliseconds())
	}
	made, err := sub.Monitor(up, ua.TimestampsToReturnBoth, items...)
	if err != nil {
		return false, fmt.Errorf("monitor: %w", err)
	}
	for i, r := range made.Results {
		if r.StatusCode != ua.StatusOK {
			return false, fmt.Errorf("monitor %s: %w", c.nodes[i], r.StatusCode)
		}
	}
	return c.listen(ctx, client, news, give)
}

// resolve turns the addresses into node ids of this server.
func (c *Client) resolve(ctx context.Context, client *opcua.Client) ([]*ua.NodeID, error) {
	var out []*ua.NodeID
	for _, text := range c.nodes {
		uri, rest, err := splitNode(text)
		if err != nil {
			return nil, err
		}
		if uri != "" {
			ns, err := client.FindNamespace(ctx, uri)
			if err != nil {
				return nil, fmt.Errorf("namespace %s: %w", uri, err)
			}
			rest = fmt.Sprintf("ns=%d;%s", ns, rest)
		}
		n, err := ua.ParseNodeID(rest)
		if err != nil {
			return nil, fmt.Errorf("node %q: %w", text, err)
		}
		out = append(out, n)
	}
	return out, nil
}

func (c *Client) listen(ctx context.Context, client *opcua.Client, news <-chan *opcua.PublishNotificationData, give func([]machine.Value)) (worked bool, err error) {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return worked, nil
		case n := <-news:
			if n.Error != nil {
				return worked, n.Error
			}
			switch x := n.Value.(type) {
			case *ua.DataChangeNotification:
				if values := c.values(x); len(values) > 0 {
					worked = true
					give(values)
				}
			case *ua.StatusChangeNotification:
				return worked, fmt.Errorf("subscription: %w", x.Status)
			}
		case <-look.C:
			if client.State() != opcua.Connected {
				return worked, errors.New("connection closed")
			}
			if err := alive(ctx, client); err != nil {
				return worked, err
			}
		}
	}
}

// alive asks for the server's state: a server that hangs tells nothing, and so
// does one whose press stands still.
func alive(ctx context.Context, client *opcua.Client) error {
	ctx, cancel := context.WithTimeout(ctx, answerIn)
	defer cancel()
	_, err := client.Read(ctx, &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{
		{NodeID: ua.NewNumericNodeID(0, id.Server_ServerStatus_State), AttributeID: ua.AttributeIDValue}}})
	if err != nil {
		return fmt.Errorf("no answer: %w", err)
	}
	return nil
}

func (c *Client) values(x *ua.DataChangeNotification) []machine.Value {
	var out []machine.Value
	for _, item := range x.MonitoredItems {
		if int(item.ClientHandle) >= len(c.nodes) || item.Value == nil {
			continue
		}
		v := machine.Value{Address: c.nodes[item.ClientHandle], At: item.Value.SourceTimestamp}
		// The severity is in the two highest bits; 0 is good (OPC 10000-4, 7.39).
		if item.Value.Status>>30 != 0 || item.Value.Value == nil {
			v.Bad, v.Why = true, item.Value.Status.Error()
		} else if v.Value, v.Bad = plain(item.Value.Value.Value()); v.Bad {
			v.Why = fmt.Sprintf("a value of type %T", item.Value.Value.Value())
		}
		out = append(out, v)
	}
	return out
}

// plain is a variant's value in one of the forms of machine.Value.
func plain(v any) (any, bool) {
	switch v := v.(type) {
	case bool, string, int64, uint64, float64:
		return v, false
	case int8:
		return int64(v), false
	case int16:
		return int64(v), false
	case int32:
		return int64(v), false
	case uint8:
		return uint64(v), false
	case uint16:
		return uint64(v), false
	case uint32:
		return uint64(v), false
	case float32:
		return float64(v), false
	case *ua.LocalizedText:
		if v != nil {
			return v.Text, false
		}
	}
	return nil, true
}
