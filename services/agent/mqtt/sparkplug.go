package mqtt

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"github.com/downweb/downweb/services/agent/machine"
)

// SparkplugSettings are the section "sparkplug" of a mapping.
type SparkplugSettings struct {
	Broker `yaml:",inline"`
	// Group, Node and Device, as in the topics spBv1.0/GROUP/…/NODE/DEVICE.
	// Without a device the node's own metrics are read.
	Group  string `yaml:"group"`
	Node   string `yaml:"node"`
	Device string `yaml:"device"`
	// NoRebirth: never ask the node to tell its metrics again, but wait until
	// it does by itself.
	NoRebirth bool `yaml:"no_rebirth"`
}

// Sparkplug reads the metrics of one device of one edge node. An address is a
// metric's name; node:NAME is one of the node itself.
type Sparkplug struct {
	cfg  SparkplugSettings
	want map[key]string // metric to address
}

type key struct {
	node bool
	name string
}

// NewSparkplug reads a mapping; it does nothing until Run.
func NewSparkplug(m *machine.Mapping) (*Sparkplug, error) {
	s := &Sparkplug{want: map[key]string{}}
	if err := m.Section(&s.cfg); err != nil {
		return nil, err
	}
	errs := []error{s.cfg.check()}
	for name, v := range map[string]string{"group": s.cfg.Group, "node": s.cfg.Node, "device": s.cfg.Device} {
		if strings.ContainsAny(v, "+#/") || v == "" && name != "device" {
			errs = append(errs, fmt.Errorf("sparkplug: %s %q is no name in a topic", name, v))
		}
	}
	for _, a := range m.Addresses() {
		name, node := strings.CutPrefix(a, "node:")
		k := key{node || s.cfg.Device == "", name}
		if other, ok := s.want[k]; ok && other != a {
			errs = append(errs, fmt.Errorf("sparkplug: %q and %q are the same metric: write it one way", other, a))
		}
		s.want[k] = a
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return s, nil
}

// rebirthEvery is how often a node is asked at most.
const rebirthEvery = 5 * time.Second

// Run reads until ctx ends.
func (s *Sparkplug) Run(ctx context.Context, give func([]machine.Value), lost func(error)) error {
	// The devices that are not read take part in the node's sequence too.
	filter := "spBv1.0/" + s.cfg.Group + "/+/" + s.cfg.Node
	filters := []string{filter, filter + "/+"}
	return forever(ctx, s.cfg.Broker.Broker, lost, func() (worked bool, err error) {
		n := &node{s: s, lost: func(err error) { lost(fmt.Errorf("sparkplug %s/%s: %w", s.cfg.Group, s.cfg.Node, err)) }}
		var asked time.Time
		err = s.cfg.session(ctx, filters, func(c paho.Client, m message) error {
			return n.message(m, func(vs []machine.Value) { worked = true; give(vs) }, func() error {
				if s.cfg.NoRebirth || time.Since(asked) < rebirthEvery {
					return nil
				}
				asked = time.Now()
				t := c.Publish("spBv1.0/"+s.cfg.Group+"/NCMD/"+s.cfg.Node, 0, false, rebirthPayload(uint64(asked.UnixMilli())))
				if err := wait(ctx, t); err != nil {
					return fmt.Errorf("ask for a rebirth: %w", err)
				}
				return nil
			})
		})
		return worked, err
	})
}

// node is what is known of the edge node in one session.
type node struct {
	s    *Sparkplug
	lost func(error)

	born, deviceBorn bool
	bdSeq            any
	next             uint64
	aliases          map[bool]map[uint64]birth // node metrics, device metrics
}

// birth is what a birth said of a metric: data messages may leave it out.
type birth struct {
	name     string
	datatype uint64
}

// message takes one in. rebirth asks the node to tell everything again.
func (n *node) message(m message, give func([]machine.Value), rebirth func() error) error {
	parts := strings.Split(m.topic, "/")
	if len(parts) < 4 || len(parts) > 5 || m.retained {
		return nil // births and data are never retained
	}
	kind, device := parts[2], ""
	if len(parts) == 5 {
		device = parts[4]
	}
	switch kind {
	case "NBIRTH", "NDEATH", "NDATA", "DBIRTH", "DDEATH", "DDATA":
	default:
		return nil // commands, and what others may add
	}
	p, err := parsePayload(m.payload)
	if err != nil {
		n.forget(fmt.Errorf("%s: %w", kind, err))
		return rebirth()
	}
	if kind == "NDEATH" {
		// The will of an older session must not end this one.
		if n.born && bdSeq(p) == n.bdSeq {
			n.forget(errors.New("the node has died"))
		}
		return nil
	}
	if !p.hasSeq || p.seq > 255 {
		n.forget(fmt.Errorf("%s without a sequence number", kind))
		return rebirth()
	}
	if kind == "NBIRTH" {
		if p.seq != 0 {
			n.forget(fmt.Errorf("a birth with sequence number %d", p.seq))
			return rebirth()
		}
		if n.born {
			n.lost(errors.New("the node was born again"))
		}
		*n = node{s: n.s, lost: n.lost, born: true, bdSeq: bdSeq(p), next: 1, aliases: map[bool]map[uint64]birth{true: {}, false: {}}}
		n.learn(p, true)
		n.give(p, true, give)
		return nil
	}
	if !n.born {
		return rebirth() // in the middle of a session that began before this one
	}
	if p.seq != n.next {
		n.forget(fmt.Errorf("sequence number %d where %d was to come", p.seq, n.next))
		return rebirth()
	}
	n.next = (n.next + 1) % 256
	mine := device == n.s.cfg.Device && device != ""
	switch kind {
	case "DBIRTH":
		if mine {
			if n.deviceBorn {
				n.lost(errors.New("the device was born again"))
			}
			n.deviceBorn, n.aliases[false] = true, map[uint64]birth{}
			n.learn(p, false)
			n.give(p, false, give)
		}
	case "DDEATH":
		if mine && n.deviceBorn {
			n.deviceBorn = false
			n.lost(errors.New("the device has died"))
		}
	case "DDATA":
		if mine && !n.deviceBorn {
			return rebirth()
		}
		if mine && !n.give(p, false, give) {
			n.forget(errors.New("a metric that no birth named"))
			return rebirth()
		}
	case "NDATA":
		if !n.give(p, true, give) {
			n.forget(errors.New("a metric that no birth named"))
			return rebirth()
		}
	}
	return nil
}

func (n *node) forget(why error) {
	if n.born {
		n.lost(why)
	}
	n.born, n.deviceBorn = false, false
}

// learn the names and types behind aliases.
func (n *node) learn(p payload, ofNode bool) {
	for _, m := range p.metrics {
		if m.hasAlias {
			n.aliases[ofNode][m.alias] = birth{m.name, m.datatype}
		}
	}
}

// give the values that are wanted; false: a metric has no name.
func (n *node) give(p payload, ofNode bool, give func([]machine.Value)) bool {
	var out []machine.Value
	for _, m := range p.metrics {
		name, typ := m.name, m.datatype
		if name == "" {
			b, ok := n.aliases[ofNode][m.alias]
			if !m.hasAlias || !ok {
				return false
			}
			if name = b.name; typ == 0 {
				typ = b.datatype
			}
		}
		at, ok := n.s.want[key{ofNode, name}]
		if !ok || m.historical { // what was kept back while offline is no present value
			continue
		}
		v := machine.Value{Address: at, Value: signed(m.value, typ)}
		if m.timestamp > 0 && m.timestamp < 1<<53 {
			v.At = time.UnixMilli(int64(m.timestamp))
		}
		if m.null || v.Value == nil {
			v.Value, v.Bad, v.Why = nil, true, "the metric has no value"
		}
		out = append(out, v)
	}
	if len(out) > 0 {
		give(out)
	}
	return true
}

// bdSeq ties a death to its birth.
func bdSeq(p payload) any {
	for _, m := range p.metrics {
		if m.name == "bdSeq" {
			return signed(m.value, 8) // whichever integer type it came in
		}
	}
	return nil
}
