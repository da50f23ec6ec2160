//go:build unix

package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// testScopes is T16, scoping: whatever method that takes a scope is asked with whatever scope, no answer
// names a press or a plant outside it. Methods are found by reflection, so that a new one is tested with the others.
func testScopes(t *testing.T, conn *grpc.ClientConn, plants []*pb.Plant, first, last string) {
	type named struct{ id, plant, kind string }
	var fleet []named
	plantSet, kindSet := map[string]bool{}, map[string]bool{}
	for _, p := range plants {
		plantSet[p.GetPlant()] = true
		for _, x := range p.GetPresses() {
			fleet = append(fleet, named{p.GetPlant() + "/" + x.GetPress(), p.GetPlant(), x.GetKind()})
			kindSet[x.GetKind()] = true
		}
	}
	plantNames, kinds := slices.Sorted(maps.Keys(plantSet)), slices.Sorted(maps.Keys(kindSet))
	var ids []string
	for _, n := range fleet {
		ids = append(ids, n.id)
	}
	if len(plantNames) < 2 || len(ids) < 4 || len(kinds) < 2 {
		t.Fatalf("a fleet too small to say anything: %v %v %v", plantNames, ids, kinds)
	}

	type method struct {
		path    string
		in, out protoreflect.MessageType
	}
	var methods []method
	protoregistry.GlobalFiles.RangeFilesByPackage("downweb.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				m := s.Methods().Get(j)
				scope := m.Input().Fields().ByName("scope")
				if scope == nil || scope.Message() == nil || scope.Message().Name() != "Scope" || m.IsStreamingServer() || m.IsStreamingClient() {
					continue
				}
				if name := string(m.Name()); !strings.HasPrefix(name, "Get") && !strings.HasPrefix(name, "List") && !strings.HasPrefix(name, "Compare") && !strings.HasPrefix(name, "Explain") {
					continue // it does something
				}
				in, err1 := protoregistry.GlobalTypes.FindMessageByName(m.Input().FullName())
				out, err2 := protoregistry.GlobalTypes.FindMessageByName(m.Output().FullName())
				if err1 != nil || err2 != nil {
					t.Fatal(err1, err2)
				}
				methods = append(methods, method{fmt.Sprintf("/%s/%s", s.FullName(), m.Name()), in, out})
			}
		}
		return true
	})
	slices.SortFunc(methods, func(a, b method) int { return strings.Compare(a.path, b.path) })

	answered, names := map[string]int{}, 0
	subset := func(rt *rapid.T, what string, of []string) []string {
		if rapid.Bool().Draw(rt, what+" given") {
			return rapid.SliceOfNDistinct(rapid.SampledFrom(of), 1, min(3, len(of)), rapid.ID).Draw(rt, what)
		}
		return nil
	}
	hiddenFrom := func(sc *pb.Scope) map[string]bool { // names that no answer may hold
		has := func(list []string, x string) bool { return len(list) == 0 || slices.Contains(list, x) }
		hidden := map[string]bool{}
		for _, p := range plantNames {
			hidden[p] = true
		}
		for _, n := range fleet {
			if has(sc.Plants, n.plant) && has(sc.Presses, n.id) && has(sc.Kinds, n.kind) {
				delete(hidden, n.plant)
			} else {
				hidden[n.id] = true
			}
		}
		return hidden
	}
	ask := func(t failer, m method, sc *pb.Scope, group int, leaf string) {
		in, out := m.in.New(), m.out.New()
		in.Set(m.in.Descriptor().Fields().ByName("scope"), protoreflect.ValueOfMessage(sc.ProtoReflect()))
		if f := m.in.Descriptor().Fields().ByName("period"); f != nil {
			in.Set(f, protoreflect.ValueOfMessage((&pb.Period{FirstDay: first, LastDay: last}).ProtoReflect()))
		}
		if f := m.in.Descriptor().Fields().ByName("group_by"); f != nil && f.Kind() == protoreflect.EnumKind && !f.IsList() {
			values := f.Enum().Values()
			in.Set(f, protoreflect.ValueOfEnum(values.Get(group%values.Len()).Number()))
		}
		if f := m.in.Descriptor().Fields().ByName("leaf"); f != nil {
			in.Set(f, protoreflect.ValueOfString(leaf))
		}
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := conn.Invoke(ctx, m.path, in.Interface(), out.Interface()); err != nil {
			if c := status.Code(err); c != codes.InvalidArgument && c != codes.ResourceExhausted && c != codes.Unimplemented {
				t.Fatalf("%s %v: %v", m.path, sc, err)
			}
			return
		}
		answered[m.path]++
		names += leaks(t, m.path, sc, hiddenFrom(sc), out)
	}
	leaves := []string{"setup", "waiting", "unbooked_waste"}
	for _, m := range methods { // a scope that each method can answer, before those drawn
		ask(t, m, &pb.Scope{Plants: plantNames[:1]}, 1, leaves[0])
	}
	asked := 0
	rapid.Check(t, func(rt *rapid.T) {
		if asked++; asked > 2*len(methods) { // a question takes a while
			return
		}
		sc := &pb.Scope{Plants: subset(rt, "plants", plantNames), Presses: subset(rt, "presses", ids), Kinds: subset(rt, "kinds", kinds)}
		ask(rt, methods[asked%len(methods)], sc, rapid.IntRange(0, 31).Draw(rt, "group"), rapid.SampledFrom(leaves).Draw(rt, "leaf"))
	})
	t.Logf("answered %v; %d names of presses and plants looked at", answered, names)
	for _, m := range methods {
		if answered[m.path] == 0 {
			t.Errorf("%s never answered: its scoping is not tested", m.path)
		}
	}
	if names < 100 {
		t.Errorf("only %d names were looked at", names)
	}

	// The check can fail: an answer about all, looked at as if one plant had been asked for.
	all := &pb.GetStatusResponse{}
	if err := conn.Invoke(t.Context(), "/downweb.v1.StatusService/GetStatus", &pb.GetStatusRequest{}, all); err != nil {
		t.Fatal(err)
	}
	found := &leakFinder{}
	leaks(found, "GetStatus", nil, map[string]bool{ids[0]: true}, all.ProtoReflect())
	if found.n == 0 {
		t.Errorf("an answer that names %s is not seen", ids[0])
	}
}

type failer interface {
	Errorf(string, ...any)
	Fatalf(string, ...any)
}

type leakFinder struct{ n int }

func (l *leakFinder) Errorf(string, ...any) { l.n++ }

// leaks looks at every text of a message, and at every pair of plant and press; it says how many names it saw.
func leaks(t interface{ Errorf(string, ...any) }, path string, sc proto.Message, hidden map[string]bool, m protoreflect.Message) (names int) {
	look := func(field protoreflect.FieldDescriptor, text string) {
		if parts := strings.SplitN(text, "/", 3); len(parts) >= 2 { // plant/press, or an event's plant/press/epoch/seq
			text = parts[0] + "/" + parts[1]
			names++
		} else if field.Name() == "plant" {
			names++
		} else {
			return // a plant's name may be anybody's word elsewhere
		}
		if hidden[text] {
			t.Errorf("%s with scope %v names %s in %s", path, sc, text, field.FullName())
		}
	}
	var plant, press string
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		each := func(v protoreflect.Value) {
			switch f.Kind() {
			case protoreflect.StringKind:
				look(f, v.String())
				if !f.IsList() && f.Name() == "plant" {
					plant = v.String()
				}
				if !f.IsList() && f.Name() == "press" {
					press = v.String()
				}
			case protoreflect.MessageKind:
				names += leaks(t, path, sc, hidden, v.Message())
			}
		}
		switch {
		case f.IsMap():
			v.Map().Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
				if f.MapKey().Kind() == protoreflect.StringKind {
					look(f, k.String())
				}
				if f.MapValue().Kind() == protoreflect.MessageKind {
					names += leaks(t, path, sc, hidden, v.Message())
				}
				return true
			})
		case f.IsList():
			for i := range v.List().Len() {
				each(v.List().Get(i))
			}
		default:
			each(v)
		}
		return true
	})
	if plant != "" && press != "" && hidden[plant+"/"+press] {
		t.Errorf("%s with scope %v names %s/%s", path, sc, plant, press)
	}
	return names
}
