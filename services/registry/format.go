package registry

import (
	"bytes"
	"fmt"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// FormatYAML writes a document in its one canonical form: fields in the order
// of registry.proto, short enum spellings, nothing that is unset. ParseYAML
// reads it back to the same document.
func FormatYAML(p *pb.Plant) ([]byte, error) {
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(messageNode(p.ProtoReflect())); err != nil {
		return nil, fmt.Errorf("write plant as YAML: %w", err)
	}
	if err := enc.Close(); err != nil {
		return nil, fmt.Errorf("write plant as YAML: %w", err)
	}
	return b.Bytes(), nil
}

// inFlow are the messages short enough for one line.
var inFlow = map[protoreflect.Name]bool{"Break": true, "Trigger": true, "Hands": true, "Station": true,
	"Closure": true, "LabourRate": true, "WebRate": true, "PressRate": true, "MaintenanceWindow": true}

func messageNode(m protoreflect.Message) *yaml.Node {
	n := &yaml.Node{Kind: yaml.MappingNode, Tag: "!!map"}
	if inFlow[m.Descriptor().Name()] || !anySet(m) {
		n.Style = yaml.FlowStyle
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if !m.Has(fd) {
			continue
		}
		n.Content = append(n.Content, textNode(string(fd.Name())), fieldNode(fd, m.Get(fd)))
	}
	return n
}

func anySet(m protoreflect.Message) bool {
	set := false
	m.Range(func(protoreflect.FieldDescriptor, protoreflect.Value) bool { set = true; return false })
	return set
}

func fieldNode(fd protoreflect.FieldDescriptor, v protoreflect.Value) *yaml.Node {
	switch {
	case fd.IsMap():
		n := &yaml.Node{Kind: yaml.MappingNode, Tag: "!!map"}
		var keys []string
		v.Map().Range(func(k protoreflect.MapKey, _ protoreflect.Value) bool {
			keys = append(keys, k.String())
			return true
		})
		sort.Strings(keys)
		for _, k := range keys {
			n.Content = append(n.Content, textNode(k), textNode(v.Map().Get(protoreflect.ValueOfString(k).MapKey()).String()))
		}
		return n
	case fd.IsList():
		n := &yaml.Node{Kind: yaml.SequenceNode, Tag: "!!seq"}
		if fd.Kind() != protoreflect.MessageKind {
			n.Style = yaml.FlowStyle
		}
		for i := range v.List().Len() {
			n.Content = append(n.Content, valueNode(fd, v.List().Get(i)))
		}
		return n
	}
	return valueNode(fd, v)
}

func valueNode(fd protoreflect.FieldDescriptor, v protoreflect.Value) *yaml.Node {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		if ts, ok := v.Message().Interface().(*timestamppb.Timestamp); ok {
			return plainNode(ts.AsTime().Format(time.RFC3339Nano))
		}
		return messageNode(v.Message())
	case protoreflect.StringKind:
		return textNode(v.String())
	case protoreflect.EnumKind:
		return plainNode(enumName(fd.Enum(), v.Enum()))
	case protoreflect.DoubleKind:
		return plainNode(strconv.FormatFloat(v.Float(), 'f', -1, 64))
	}
	return plainNode(fmt.Sprint(v.Interface()))
}

func plainNode(s string) *yaml.Node { return &yaml.Node{Kind: yaml.ScalarNode, Value: s} }

// asWritten are values that stay themselves without quotes, since text is read
// as written: dates and decimals.
var asWritten = regexp.MustCompile(`^(\d{4}-\d\d-\d\d|[1-9]\d{0,9}(\.\d{1,6})?|0\.\d{1,6}|[a-z][a-z0-9-]*)$`)

// words that YAML or its older readers take for something else.
var reserved = map[string]bool{"true": true, "false": true, "null": true, "yes": true, "no": true, "on": true, "off": true, "y": true, "n": true}

func textNode(s string) *yaml.Node {
	if asWritten.MatchString(s) && !reserved[s] {
		return plainNode(s)
	}
	n := &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: s}
	odd := strings.ContainsFunc(s, func(r rune) bool {
		return r < 0x20 || r == 0x7f || r > 0x7e && r < 0xa0 || r == 0x2028 || r == 0x2029 || r >= 0xd800
	})
	if odd || s == "" || strings.TrimSpace(s) != s || strings.ContainsAny(s, ":#{}[],&*!|>'\"%@`\\?-<=~") {
		n.Style = yaml.DoubleQuotedStyle
	}
	return n
}
