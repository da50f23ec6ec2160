package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// studyDifference is one thing in which two studies differ.
type studyDifference struct {
	Part string `json:"part"` // spec, data, result
	What string `json:"what"` // field, or station and figure
	A    string `json:"a"`
	B    string `json:"b"`
}

func (a *app) studyCompare() *cobra.Command {
	c := &cobra.Command{Use: "compare ID ID", Short: "two studies side by side: what of spec, data and results differs", Args: exactly(2),
		Example: "  downweb study compare ID ID    # IDs as \"downweb study list\" shows them"}
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.ask(func(conn *grpc.ClientConn) error {
			var two [2]*pb.Study
			for i, id := range args {
				r, err := pb.NewStudyServiceClient(conn).GetStudy(c.Context(), &pb.GetStudyRequest{Id: id})
				if err != nil {
					return err
				}
				if two[i] = r.GetStudy(); two[i].GetState() != pb.StudyState_STUDY_STATE_DONE {
					return fmt.Errorf("study %s has no result: it is %s", id, enumWord(two[i].GetState().String(), "STUDY_STATE_"))
				}
			}
			diffs, err := studyDifferences(two[0], two[1])
			if err != nil {
				return err
			}
			if a.format == "json" {
				e := json.NewEncoder(a.out)
				e.SetIndent("", "  ")
				return e.Encode(map[string]any{"a": args[0], "b": args[1], "differences": diffs})
			}
			printComparison(a.out, two[0], two[1], diffs)
			return nil
		})
	}
	a.outputFlag(c, "table", "json")
	return c
}

// studyDifferences lists what differs, spec first, then data, then results by station.
func studyDifferences(a, b *pb.Study) ([]studyDifference, error) {
	out := []studyDifference{}
	add := func(part, what, x, y string) {
		if x != y {
			out = append(out, studyDifference{part, what, x, y})
		}
	}
	fields := func(s *pb.Study) (map[string]string, error) {
		text, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(s.GetSpec())
		if err != nil {
			return nil, err
		}
		m := map[string]any{}
		if err := json.Unmarshal(text, &m); err != nil {
			return nil, err
		}
		flat := map[string]string{}
		leavesOf("", m, flat)
		return flat, nil
	}
	x, err := fields(a)
	if err != nil {
		return nil, err
	}
	y, err := fields(b)
	if err != nil {
		return nil, err
	}
	var names []string
	for n := range x {
		names = append(names, n)
	}
	for n := range y {
		if _, ok := x[n]; !ok {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	for _, n := range names {
		add("spec", n, x[n], y[n])
	}
	add("data", "SHA-256", a.GetDataSha256(), b.GetDataSha256())
	add("data", "insert", grouped(int64(a.GetAsOf().GetPos())), grouped(int64(b.GetAsOf().GetPos())))
	add("data", "registry revision", strconv.FormatUint(a.GetAsOf().GetRegistryRev(), 10), strconv.FormatUint(b.GetAsOf().GetRegistryRev(), 10))
	add("data", "notes", strings.Join(a.GetDataNotes(), " "), strings.Join(b.GetDataNotes(), " "))
	add("data", "program version", a.GetVersion(), b.GetVersion())
	add("result", "SHA-256", a.GetResultSha256(), b.GetResultSha256())
	method := func(s *pb.Study) string {
		var r struct {
			Method string `json:"method"`
		}
		_ = json.Unmarshal([]byte(s.GetResultJson()), &r) // no method is shown then
		return r.Method
	}
	add("result", "method", method(a), method(b))
	for _, n := range bothStations(a, b) {
		p, q := findingOf(a, n), findingOf(b, n)
		if p == nil || q == nil {
			add("result", n, presence(p), presence(q))
			continue
		}
		add("result", n+", difference in m", interval(p.GetMeters(), 1), interval(q.GetMeters(), 1))
		add("result", n+", p adjusted", pValue(p.GetPAdjusted()), pValue(q.GetPAdjusted()))
		add("result", n+", grade", strconv.Itoa(int(p.GetGrade())), strconv.Itoa(int(q.GetGrade())))
		add("result", n+", runs not cleaned", grouped(p.GetNotCleanedRows()), grouped(q.GetNotCleanedRows()))
		add("result", n+", presses", grouped(p.GetPresses()), grouped(q.GetPresses()))
	}
	return out, nil
}

// leavesOf names every leaf of a JSON value by its path.
func leavesOf(path string, v any, out map[string]string) {
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			p := k
			if path != "" {
				p = path + "." + k
			}
			leavesOf(p, x, out)
		}
	case []any:
		var parts []string
		for _, x := range v {
			text, _ := json.Marshal(x) // what was JSON is JSON
			parts = append(parts, strings.Trim(string(text), `"`))
		}
		out[path] = strings.Join(parts, ", ")
	default:
		out[path] = fmt.Sprint(v)
	}
}

func bothStations(a, b *pb.Study) (names []string) {
	for _, s := range []*pb.Study{a, b} {
		for _, f := range s.GetFindings() {
			if !slices.Contains(names, f.GetStation()) {
				names = append(names, f.GetStation())
			}
		}
	}
	slices.Sort(names)
	return names
}

func findingOf(s *pb.Study, station string) *pb.StationFinding {
	for _, f := range s.GetFindings() {
		if f.GetStation() == station {
			return f
		}
	}
	return nil
}

func presence(f *pb.StationFinding) string {
	if f == nil {
		return "not in this study"
	}
	return "in this study"
}

func printComparison(w io.Writer, a, b *pb.Study, diffs []studyDifference) {
	fmt.Fprintf(w, "a  %s  %s\nb  %s  %s\n", a.GetId(), a.GetSpec().GetTitle(), b.GetId(), b.GetSpec().GetTitle())
	for _, part := range []string{"spec", "data", "result"} {
		var own []studyDifference
		for _, d := range diffs {
			if d.Part == part {
				own = append(own, d)
			}
		}
		if len(own) == 0 {
			fmt.Fprintf(w, "\n%s: the same\n", part)
			continue
		}
		fmt.Fprintf(w, "\n%s:\n", part)
		for _, d := range own {
			wrapped(w, "  "+d.What+": ", "    ", orNone(d.A)+" | "+orNone(d.B))
		}
	}
	fmt.Fprintln(w)
	g := newGrid("station", ">a: difference in m (95 %)", ">grade", ">b: difference in m (95 %)", ">grade")
	for _, n := range bothStations(a, b) {
		cells := []string{clip(n, 16)}
		for _, s := range []*pb.Study{a, b} {
			f := findingOf(s, n)
			if f == nil {
				cells = append(cells, "-", "-")
				continue
			}
			cells = append(cells, interval(f.GetMeters(), 1), strconv.Itoa(int(f.GetGrade())))
		}
		g.row(cells...)
	}
	g.print(w)
	wrapped(w, "", "  ", "Two intervals that overlap are no test that the two differ.")
	wrapped(w, "! ", "  ", safetyLine)
}

func orNone(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
