package registry

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// Changes tells two documents apart: one line a changed field, in the order of
// the document. List items are named by what identifies them
// (presses[p1].stations[treater]), not by their place. A nil document is an
// empty one.
func Changes(old, new *pb.Plant) []string {
	if old == nil {
		old = &pb.Plant{}
	}
	if new == nil {
		new = &pb.Plant{}
	}
	var d differ
	d.message("", old.ProtoReflect(), new.ProtoReflect())
	return d.lines
}

type differ struct{ lines []string }

func (d *differ) line(format string, args ...any) {
	d.lines = append(d.lines, fmt.Sprintf(format, args...))
}

func (d *differ) message(path string, a, b protoreflect.Message) {
	fields := a.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		at := join(path, string(fd.Name()))
		switch {
		case fd.IsMap():
			d.stringMap(at, a.Get(fd).Map(), b.Get(fd).Map())
		case fd.IsList() && fd.Kind() == protoreflect.MessageKind:
			d.list(at, a.Get(fd).List(), b.Get(fd).List())
		default:
			x, y := show(fd, a), show(fd, b)
			if x != y {
				d.line("%s: %s -> %s", at, x, y)
			}
		}
	}
}

func (d *differ) stringMap(path string, a, b protoreflect.Map) {
	keys := map[string]bool{}
	collect := func(k protoreflect.MapKey, _ protoreflect.Value) bool { keys[k.String()] = true; return true }
	a.Range(collect)
	b.Range(collect)
	text := func(m protoreflect.Map, k string) string {
		if key := protoreflect.ValueOfString(k).MapKey(); m.Has(key) {
			return strconv.Quote(m.Get(key).String())
		}
		return "none"
	}
	for _, k := range sortedKeys(keys) {
		if x, y := text(a, k), text(b, k); x != y {
			d.line("%s.%s: %s -> %s", path, k, x, y)
		}
	}
}

func (d *differ) list(path string, a, b protoreflect.List) {
	ka, kb := listKeys(a), listKeys(b)
	inA, inB := index(ka), index(kb)
	for i, k := range ka {
		at := path + "[" + k + "]"
		if j, ok := inB[k]; ok {
			d.message(at, a.Get(i).Message(), b.Get(j).Message())
		} else {
			d.line("%s: removed", at)
		}
	}
	for _, k := range kb {
		if _, ok := inA[k]; !ok {
			d.line("%s[%s]: added", path, k)
		}
	}
	common := func(keys []string, other map[string]int) []string {
		return slices.DeleteFunc(slices.Clone(keys), func(k string) bool { _, ok := other[k]; return !ok })
	}
	if !slices.Equal(common(ka, inB), common(kb, inA)) {
		d.line("%s: order changed", path)
	}
}

func index(keys []string) map[string]int {
	m := make(map[string]int, len(keys))
	for i, k := range keys {
		m[k] = i
	}
	return m
}

// identity is the fields that name an item of a list, by message.
var identity = map[protoreflect.Name][]protoreflect.Name{
	"Calendar": {"valid_from", "presses"}, "Shift": {"name"}, "Break": {"start"},
	"Closure": {"first_day", "presses"}, "ExtraShift": {"day", "name", "presses"}, "MaintenanceWindow": {"from", "presses"},
	"Reason": {"slug"}, "SkipReason": {"slug"}, "Press": {"press"}, "Station": {"slug"}, "PressRate": {"valid_from"},
	"CleaningPlan": {"kind", "press", "valid_from"}, "Task": {"slug"}, "Trigger": {"cadence"},
	"LabourRate": {"valid_from"}, "WebRate": {"substrate", "valid_from"}, "Hands": {"occasion"},
}

// listKeys names the items; a name that repeats gets #2, #3, …
func listKeys(l protoreflect.List) []string {
	keys := make([]string, l.Len())
	seen := map[string]int{}
	for i := range keys {
		m := l.Get(i).Message()
		var parts []string
		for _, f := range identity[m.Descriptor().Name()] {
			fd := m.Descriptor().Fields().ByName(f)
			if m.Has(fd) {
				parts = append(parts, strings.ReplaceAll(show(fd, m), `"`, ""))
			}
		}
		k := strings.Join(parts, " ")
		if k == "" {
			k = "since ever"
		}
		seen[k]++
		if n := seen[k]; n > 1 {
			k += "#" + strconv.Itoa(n)
		}
		keys[i] = k
	}
	return keys
}

// show writes one field for people.
func show(fd protoreflect.FieldDescriptor, m protoreflect.Message) string {
	if !m.Has(fd) {
		return "none"
	}
	one := func(v protoreflect.Value) string {
		switch fd.Kind() {
		case protoreflect.EnumKind:
			return enumName(fd.Enum(), v.Enum())
		case protoreflect.StringKind:
			return strconv.Quote(v.String())
		case protoreflect.MessageKind:
			if ts, ok := v.Message().Interface().(*timestamppb.Timestamp); ok {
				return ts.AsTime().Format(time.RFC3339Nano)
			}
		}
		return fmt.Sprint(v.Interface())
	}
	v := m.Get(fd)
	if !fd.IsList() {
		return one(v)
	}
	var parts []string
	for i := range v.List().Len() {
		parts = append(parts, one(v.List().Get(i)))
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

// same compares resolved values; nil and empty are alike.
func same(a, b any) bool {
	va, vb := reflect.ValueOf(a), reflect.ValueOf(b)
	switch va.Kind() {
	case reflect.Slice, reflect.Map:
		if va.Len() == 0 && vb.Len() == 0 {
			return true
		}
	}
	return reflect.DeepEqual(a, b)
}
