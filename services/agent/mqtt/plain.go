package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	paho "github.com/eclipse/paho.mqtt.golang"

	"github.com/downweb/downweb/services/agent/machine"
)

// PlainSettings are the section "mqtt" of a mapping.
type PlainSettings struct {
	Broker `yaml:",inline"`
	// Online is a topic that tells whether the machine is there (often its last
	// will), and Here its payload when it is; empty: the broker's connection is
	// all that is known.
	Online string `yaml:"online"`
	Here   string `yaml:"here"`
	// Retained messages are taken in at connecting; false leaves them out:
	// nothing says how old they are.
	Retained bool `yaml:"retained"`
}

// Plain reads topics.
type Plain struct {
	cfg    PlainSettings
	topics map[string][]address
}

// address of a value: a topic whose payload is it, or TOPIC#POINTER, a JSON
// pointer (RFC 6901) into a payload of JSON.
type address struct {
	text, topic string
	pointer     []string
	json        bool
}

func parseAddress(text string) (address, error) {
	a := address{text: text}
	topic, pointer, cut := strings.Cut(text, "#")
	a.topic = topic
	if topic == "" || strings.ContainsAny(topic, "+\x00") || len(topic) > 1000 {
		return a, fmt.Errorf("mqtt: address %q: %q is no topic of one value", text, topic)
	}
	if !cut {
		return a, nil
	}
	a.json = true
	if pointer != "" && pointer[0] != '/' {
		return a, fmt.Errorf("mqtt: address %q: a JSON pointer begins with /", text)
	}
	for _, p := range strings.Split(pointer, "/")[1:] {
		a.pointer = append(a.pointer, strings.ReplaceAll(strings.ReplaceAll(p, "~1", "/"), "~0", "~"))
	}
	return a, nil
}

// NewPlain reads a mapping with plain topics; it does nothing until Run.
func NewPlain(m *machine.Mapping) (*Plain, error) {
	p := &Plain{topics: map[string][]address{}}
	if err := m.Section(&p.cfg); err != nil {
		return nil, err
	}
	errs := []error{p.cfg.check()}
	if (p.cfg.Online == "") != (p.cfg.Here == "") {
		errs = append(errs, errors.New("mqtt: online and here go together"))
	}
	for _, text := range m.Addresses() {
		a, err := parseAddress(text)
		errs = append(errs, err)
		p.topics[a.topic] = append(p.topics[a.topic], a)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return p, nil
}

// Run reads until ctx ends.
func (p *Plain) Run(ctx context.Context, give func([]machine.Value), lost func(error)) error {
	var filters []string
	for t := range p.topics {
		filters = append(filters, t)
	}
	if p.cfg.Online != "" && !slices.Contains(filters, p.cfg.Online) {
		filters = append(filters, p.cfg.Online)
	}
	return forever(ctx, p.cfg.Broker.Broker, lost, func() (worked bool, err error) {
		err = p.cfg.session(ctx, filters, func(_ paho.Client, m message) error {
			if m.topic == p.cfg.Online && string(m.payload) != p.cfg.Here {
				lost(fmt.Errorf("mqtt %s: the machine is away (%.40q)", p.cfg.Broker.Broker, m.payload))
			}
			if m.retained && !p.cfg.Retained {
				return nil
			}
			if values := p.values(m); len(values) > 0 {
				worked = true
				give(values)
			}
			return nil
		})
		return worked, err
	})
}

func (p *Plain) values(m message) []machine.Value {
	var out []machine.Value
	var doc any
	var docErr error
	read := false
	for _, a := range p.topics[m.topic] {
		v := machine.Value{Address: a.text}
		if !a.json {
			if !utf8.Valid(m.payload) {
				v.Bad, v.Why = true, "the payload is no text"
			} else {
				v.Value = scalar(string(m.payload))
			}
			out = append(out, v)
			continue
		}
		if !read {
			d := json.NewDecoder(bytes.NewReader(m.payload))
			d.UseNumber()
			docErr, read = d.Decode(&doc), true
		}
		if docErr != nil {
			v.Bad, v.Why = true, "the payload is no JSON"
		} else if x, err := point(doc, a.pointer); err != nil {
			v.Bad, v.Why = true, err.Error()
		} else {
			v.Value = x
		}
		out = append(out, v)
	}
	return out
}

// point follows a JSON pointer to a plain value.
func point(doc any, pointer []string) (any, error) {
	for _, p := range pointer {
		switch x := doc.(type) {
		case map[string]any:
			v, ok := x[p]
			if !ok {
				return nil, fmt.Errorf("no %q in the payload", p)
			}
			doc = v
		case []any:
			i, err := strconv.Atoi(p)
			if err != nil || i < 0 || i >= len(x) {
				return nil, fmt.Errorf("no element %q in the payload", p)
			}
			doc = x[i]
		default:
			return nil, fmt.Errorf("nothing lies under %q in the payload", p)
		}
	}
	switch x := doc.(type) {
	case bool, string:
		return x, nil
	case json.Number:
		return scalar(x.String()), nil
	case nil:
		return nil, errors.New("the value is null")
	}
	return nil, errors.New("the value is no single one")
}

// scalar is a text as the number or truth it reads as, else as it is.
func scalar(s string) any {
	t := strings.TrimSpace(s)
	if i, err := strconv.ParseInt(t, 10, 64); err == nil {
		return i
	}
	if u, err := strconv.ParseUint(t, 10, 64); err == nil {
		return u
	}
	if f, err := strconv.ParseFloat(t, 64); err == nil && !strings.ContainsAny(t, "xXnNpP_") {
		return f
	}
	switch strings.ToLower(t) {
	case "true":
		return true
	case "false":
		return false
	}
	return s
}
