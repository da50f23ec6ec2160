package registry

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// MaxYAML is the largest document that is read, bytes.
const MaxYAML = 8 << 20

// ParseYAML reads one plant document. Keys are the field names of
// registry.proto; enum values may be written in full (CADENCE_STARTUP) or short
// (startup, start-up). Unknown and repeated keys, wrong types, aliases and a
// second document are problems, each with its line and column; the plant holds
// whatever could be read, and is nil only if nothing could. It does not check
// what the values mean: see ValidateYAML.
func ParseYAML(data []byte) (*pb.Plant, []Problem) {
	p, problems, _ := parse(data)
	return p, problems
}

// ValidateYAML is ParseYAML followed by Validate, the problems of both with
// line and column. The plant is nil when there are problems.
func ValidateYAML(data []byte) (*pb.Plant, []Problem) {
	p, problems, at := parse(data)
	if len(problems) > 0 {
		return nil, problems
	}
	problems = Validate(p)
	for i := range problems {
		problems[i].Line, problems[i].Column = at.find(problems[i].Field)
	}
	if len(problems) > 0 {
		return nil, problems
	}
	return p, nil
}

type position struct{ line, column int }

// positions says where each field path stands in the text.
type positions map[string]position

// find is the position of a path, or of the nearest part of the document that
// holds it.
func (p positions) find(path string) (line, column int) {
	for {
		if at, ok := p[path]; ok {
			return at.line, at.column
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			at := p[""]
			return at.line, at.column
		}
		path = path[:i]
	}
}

type parser struct {
	problems []Problem
	at       positions
}

func (p *parser) problem(n *yaml.Node, field, format string, args ...any) {
	p.problems = append(p.problems, Problem{n.Line, n.Column, field, fmt.Sprintf(format, args...)})
}

var yamlLine = regexp.MustCompile(`^yaml: (?:line (\d+): )?(.*)$`)

func syntaxProblem(err error) Problem {
	m := yamlLine.FindStringSubmatch(err.Error())
	if m == nil {
		return Problem{Line: 1, Column: 1, Reason: err.Error()}
	}
	line, _ := strconv.Atoi(m[1])
	return Problem{Line: max(line, 1), Column: 1, Reason: "not YAML: " + m[2]}
}

func parse(data []byte) (*pb.Plant, []Problem, positions) {
	if len(data) > MaxYAML {
		return nil, []Problem{{Line: 1, Column: 1, Reason: fmt.Sprintf("larger than %d bytes", MaxYAML)}}, nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc yaml.Node
	if err := dec.Decode(&doc); errors.Is(err, io.EOF) {
		return nil, []Problem{{Line: 1, Column: 1, Reason: "the document is empty"}}, nil
	} else if err != nil {
		return nil, []Problem{syntaxProblem(err)}, nil
	}
	p := &parser{at: positions{}}
	plant := &pb.Plant{}
	p.message(doc.Content[0], plant.ProtoReflect(), "")
	var next yaml.Node
	if err := dec.Decode(&next); err == nil {
		p.problem(&next, "", "a second document: one file holds one plant")
	} else if !errors.Is(err, io.EOF) {
		p.problems = append(p.problems, syntaxProblem(err))
	}
	return plant, p.problems, p.at
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" }

// message reads a mapping into m.
func (p *parser) message(n *yaml.Node, m protoreflect.Message, path string) {
	p.at[path] = position{n.Line, n.Column}
	if !p.kind(n, yaml.MappingNode, path) {
		return
	}
	fields := m.Descriptor().Fields()
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, val := n.Content[i], n.Content[i+1]
		at := join(path, key.Value)
		if key.Kind != yaml.ScalarNode {
			p.problem(key, path, "a key must be a word")
			continue
		}
		fd := fields.ByName(protoreflect.Name(key.Value))
		if fd == nil {
			p.problem(key, at, "unknown key%s", suggest(key.Value, fields))
			continue
		}
		if seen[key.Value] {
			p.problem(key, at, "given twice")
			continue
		}
		seen[key.Value] = true
		p.at[at] = position{key.Line, key.Column}
		if isNull(val) {
			continue
		}
		switch {
		case fd.IsMap():
			p.stringMap(val, m.Mutable(fd).Map(), at)
		case fd.IsList():
			p.list(val, m.Mutable(fd).List(), fd, at)
		default:
			if v, ok := p.value(val, fd, at, m.NewField); ok {
				m.Set(fd, v)
			}
		}
	}
}

// kind reports anything but a node of the wanted kind.
func (p *parser) kind(n *yaml.Node, want yaml.Kind, path string) bool {
	if n.Kind == want {
		return true
	}
	if n.Kind == yaml.AliasNode {
		p.problem(n, path, "aliases are not read: write the value out")
		return false
	}
	names := map[yaml.Kind]string{yaml.MappingNode: "a mapping (key: value)", yaml.SequenceNode: "a list", yaml.ScalarNode: "a single value"}
	p.problem(n, path, "must be %s, not %s", names[want], names[n.Kind])
	return false
}

func (p *parser) list(n *yaml.Node, l protoreflect.List, fd protoreflect.FieldDescriptor, path string) {
	if !p.kind(n, yaml.SequenceNode, path) {
		return
	}
	for i, item := range n.Content {
		at := fmt.Sprintf("%s[%d]", path, i)
		p.at[at] = position{item.Line, item.Column}
		v, ok := p.value(item, fd, at, func(protoreflect.FieldDescriptor) protoreflect.Value { return l.NewElement() })
		if !ok { // keep the places of the others
			v = l.NewElement()
		}
		l.Append(v)
	}
}

func (p *parser) stringMap(n *yaml.Node, m protoreflect.Map, path string) {
	if !p.kind(n, yaml.MappingNode, path) {
		return
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, val := n.Content[i], n.Content[i+1]
		at := join(path, key.Value)
		if !p.kind(key, yaml.ScalarNode, path) || !p.kind(val, yaml.ScalarNode, at) {
			continue
		}
		p.at[at] = position{key.Line, key.Column}
		k := protoreflect.ValueOfString(key.Value).MapKey()
		if m.Has(k) {
			p.problem(key, at, "given twice")
			continue
		}
		if s, ok := p.text(val, at); ok {
			m.Set(k, protoreflect.ValueOfString(s))
		}
	}
}

func (p *parser) text(n *yaml.Node, path string) (string, bool) {
	switch n.ShortTag() {
	case "!!str", "!!int", "!!float", "!!bool", "!!timestamp":
		return n.Value, true // as written: 180.00 stays 180.00
	case "!!null":
		return "", true
	}
	p.problem(n, path, "must be text, not %s", n.ShortTag())
	return "", false
}

// value reads one scalar or message.
func (p *parser) value(n *yaml.Node, fd protoreflect.FieldDescriptor, path string,
	make func(protoreflect.FieldDescriptor) protoreflect.Value) (v protoreflect.Value, ok bool) {
	if fd.Kind() == protoreflect.MessageKind {
		if fd.Message().FullName() == "google.protobuf.Timestamp" {
			return p.timestamp(n, path)
		}
		v = make(fd)
		p.message(n, v.Message(), path)
		return v, true
	}
	if !p.kind(n, yaml.ScalarNode, path) {
		return v, false
	}
	plain := n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) == 0
	number := strings.ReplaceAll(n.Value, "_", "")
	switch fd.Kind() {
	case protoreflect.StringKind:
		s, ok := p.text(n, path)
		return protoreflect.ValueOfString(s), ok
	case protoreflect.BoolKind:
		switch {
		case plain && strings.EqualFold(n.Value, "true"):
			return protoreflect.ValueOfBool(true), true
		case plain && strings.EqualFold(n.Value, "false"):
			return protoreflect.ValueOfBool(false), true
		}
		p.problem(n, path, "must be true or false, not %q", n.Value)
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		bits := 64
		if fd.Kind() == protoreflect.Int32Kind {
			bits = 32
		}
		i, err := strconv.ParseInt(number, 10, bits)
		if err != nil || !plain {
			p.problem(n, path, "must be a whole number, not %q", n.Value)
			return v, false
		}
		if bits == 32 {
			return protoreflect.ValueOfInt32(int32(i)), true
		}
		return protoreflect.ValueOfInt64(i), true
	case protoreflect.DoubleKind:
		f, err := strconv.ParseFloat(number, 64)
		if err != nil || !plain || math.IsNaN(f) || math.IsInf(f, 0) {
			p.problem(n, path, "must be a number, not %q", n.Value)
			return v, false
		}
		return protoreflect.ValueOfFloat64(f), true
	case protoreflect.EnumKind:
		if num, ok := enumNumber(fd.Enum(), n.Value); ok {
			return protoreflect.ValueOfEnum(num), true
		}
		p.problem(n, path, "%q is none of %s", n.Value, strings.Join(enumShort(fd.Enum()), ", "))
	default:
		p.problem(n, path, "is of a kind that this program cannot read")
	}
	return v, false
}

func (p *parser) timestamp(n *yaml.Node, path string) (v protoreflect.Value, ok bool) {
	if !p.kind(n, yaml.ScalarNode, path) {
		return v, false
	}
	t, err := time.Parse(time.RFC3339Nano, n.Value)
	if err != nil {
		p.problem(n, path, "must be an instant like 2026-06-15T04:00:00Z, not %q", n.Value)
		return v, false
	}
	return protoreflect.ValueOfMessage(timestamppb.New(t).ProtoReflect()), true
}
