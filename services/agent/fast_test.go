package agent

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

const plainLine = `{"plant":"rhein","press":"p1","occurredAt":"2026-06-15T04:00:00Z","recordedAt":"2026-06-15T04:01:00.250Z","slice":{"from":"2026-06-15T04:00:00Z","to":"2026-06-15T04:01:00Z","state":"STATE_PRODUCTION","reason":"reel","station":"print-1","job":"J1","ratedMmPerMin":"100000","goodMm":"98000","wasteMm":"120"}}`

// same fails the test where the fast path accepts what protojson does not, or
// makes something else of it. It reports whether the fast path accepted.
func same(t interface{ Fatalf(string, ...any) }, f *fastLine, line []byte) bool {
	e := f.decode(line)
	if e == nil {
		return false
	}
	want := &pb.Event{}
	if err := protojson.Unmarshal(line, want); err != nil {
		t.Fatalf("%q: accepted, protojson says %v", line, err)
	}
	if !proto.Equal(e, want) {
		t.Fatalf("%q:\n got %v\nwant %v", line, e, want)
	}
	return true
}

// many checks a property fifty times as often as rapid does by itself.
func many(t *testing.T, f func(*rapid.T)) {
	t.Helper()
	for range 50 {
		rapid.Check(t, f)
	}
}

func TestFastEqualsProtojson(t *testing.T) {
	f := newFastLine()
	accepted := 0
	many(t, func(t *rapid.T) {
		ts := func(l string) *timestamppb.Timestamp {
			if rapid.IntRange(0, 4).Draw(t, l+" no") == 0 {
				return nil
			}
			s := rapid.Int64Range(-86_400, 8_000_000_000).Draw(t, l)
			n := rapid.SampledFrom([]int32{0, 0, 1e6, 250e6, 999e6, 120e6, 0, 0, 1000}).Draw(t, l+" n")
			return &timestamppb.Timestamp{Seconds: s, Nanos: n}
		}
		text := func(l string) string {
			return rapid.SampledFrom([]string{"", "a", "rhein", "p-1", "x", "y", "z", "J1", "J2", "J 3", "J \"1\"", "ü", "\\"}).Draw(t, l)
		}
		num := func(l string) int64 {
			return rapid.SampledFrom([]int64{0, 1, 9, 10, 98_000, 120, 1e17, 100, 7, -1, 1<<63 - 1}).Draw(t, l)
		}
		s := &pb.Slice{From: ts("from"), To: ts("to"), State: pb.State(rapid.Int32Range(0, 9).Draw(t, "state")), Reason: text("r"), Station: text("st"), Job: text("j"), GoodMm: num("g"), WasteMm: num("w")}
		if rapid.Bool().Draw(t, "rated") {
			s.RatedMmPerMin = proto.Int64(num("rated mm"))
		}
		e := &pb.Event{Plant: text("plant"), Press: text("press"), OccurredAt: ts("o"), RecordedAt: ts("rec"), Body: &pb.Event_Slice{Slice: s}}
		b, err := protojson.MarshalOptions{UseProtoNames: rapid.Bool().Draw(t, "snake"), EmitUnpopulated: rapid.Bool().Draw(t, "all"), Multiline: rapid.Bool().Draw(t, "lines")}.Marshal(e)
		if err != nil {
			t.Skip("no JSON")
		}
		if same(t, f, b) {
			accepted++
		}
	})
	if accepted == 0 {
		t.Fatal("the fast path accepted nothing")
	}
	if !same(t, f, []byte(plainLine)) || !same(t, f, []byte(strings.ReplaceAll(plainLine, ":\"", " : \"")+" \r")) {
		t.Fatal("the plain line is not accepted")
	}
	// Each day of 1970 to 2199 is counted as the time package does.
	for d := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2200; d = d.AddDate(0, 0, 1) {
		if got := daysSince1970(d.Year(), int(d.Month()), d.Day()); got != d.Unix()/86400 {
			t.Fatalf("%v: day %d", d, got)
		}
	}
}

func FuzzFastLine(f *testing.F) {
	f.Add([]byte(plainLine))
	f.Add([]byte(`{"slice":{"from":"2026-02-29T04:00:00.1Z","good_mm":1e3}}`))
	f.Add([]byte(`{"slice":{"good_mm":01},"slice":{}}`))
	f.Add([]byte(`{"slice":{"state":"STATE_OFF","waste_mm":"0"}} x`))
	f.Fuzz(func(t *testing.T, line []byte) {
		if bytes.ContainsRune(line, '\n') {
			return
		}
		same(t, newFastLine(), line)
	})
}

// FuzzLines: no input panics; an item is refused, a slice or another event.
func FuzzLines(f *testing.F) {
	f.Add([]byte(plainLine + "\n{}\nx\n"))
	f.Add([]byte(`{"plant":"rhein","press":"p1","occurredAt":"2026-06-15T04:00:00Z","voided":{"targetSourceKey":"x"}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		p := newParser([]string{"rhein/p1"}, time.Minute, time.Now)
		for _, it := range p.lines(data, 1) {
			n := 0
			for _, is := range []bool{it.bad != nil, it.record != nil, it.ev != nil} {
				if is {
					n++
				}
			}
			if n != 1 {
				t.Fatalf("%+v", it)
			}
		}
	})
}

// TestChunker: whatever the reads, the lines come out whole, numbered and at
// their offsets; too long ones are named.
func TestChunker(t *testing.T) {
	long := strings.Repeat("y", MaxLine+7)
	var lines []string
	for i := range 3000 {
		switch {
		case i%1000 == 500:
			lines = append(lines, long)
		default:
			lines = append(lines, strings.Repeat("x", i%300))
		}
	}
	text := strings.Join(lines, "\n") // the last without a line end
	for name, r := range map[string]io.Reader{
		"whole": strings.NewReader(text), "halves": iotest.HalfReader(strings.NewReader(text)), "data with EOF": iotest.DataErrReader(strings.NewReader(text)),
	} {
		c := newChunker(r, 0, 1)
		n, off := 0, int64(0)
		for {
			ch, err := c.next(true)
			if ch != nil {
				if ch.line != n+1 {
					t.Fatalf("%s: chunk says line %d, want %d", name, ch.line, n+1)
				}
				if ch.tooLong > 0 {
					if lines[n] != long || ch.tooLong != len(long) {
						t.Fatalf("%s: line %d of %d bytes is called too long (%d)", name, n+1, len(lines[n]), ch.tooLong)
					}
					off += int64(len(long) + 1)
					n++
				} else {
					for _, l := range bytes.Split(bytes.TrimSuffix(ch.data, []byte("\n")), []byte("\n")) {
						if string(l) != lines[n] {
							t.Fatalf("%s: line %d differs", name, n+1)
						}
						n++
					}
					off += int64(len(ch.data))
				}
				if ch.end != off {
					t.Fatalf("%s: offset %d, want %d", name, ch.end, off)
				}
			}
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if n != len(lines) {
			t.Fatalf("%s: %d lines, want %d", name, n, len(lines))
		}
	}
}

// TestExample: the published example is accepted whole and holds every body.
func TestExample(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "agent", "example.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[byte]bool{}
	p := newParser([]string{"rhein/p1"}, time.Minute, func() time.Time { return time.Date(2026, 6, 20, 0, 0, 0, 0, time.UTC) })
	for _, it := range p.lines(text, 1) {
		switch {
		case it.bad != nil:
			t.Errorf("line %d: %v", it.line, it.bad)
		case it.record != nil:
			kinds[10] = true
		default:
			kinds[bodyKind(it.ev)] = true
		}
	}
	// Every body of event.proto, so that a new one is not forgotten here.
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		// A period is signed through the api, for a plant and not for a press.
		if n := fields.Get(i).Number(); !kinds[byte(n)] && fields.Get(i).Name() != "period_closed" {
			t.Errorf("no example of %s", fields.Get(i).Name())
		}
	}
	if ok, bad, err := CheckFile(bytes.NewReader(text), []string{"rhein/p1"}, func(line int, f, r string) { t.Errorf("%d: %s: %s", line, f, r) }); err != nil || bad != 0 || ok == 0 {
		t.Errorf("check: %d, %d, %v", ok, bad, err)
	}
}

func benchLines() []byte {
	var b bytes.Buffer
	from := time.Date(2026, 6, 15, 4, 0, 0, 0, time.UTC)
	for i := range 1000 {
		at := from.Add(time.Duration(i) * time.Minute)
		fmt.Fprintf(&b, `{"plant":"rhein","press":"p1","recordedAt":%q,"slice":{"from":%q,"to":%q,"state":"STATE_PRODUCTION","job":"J%d","ratedMmPerMin":"100000","goodMm":"%d","wasteMm":"120"}}`+"\n",
			at.Add(time.Minute).Format(time.RFC3339), at.Format(time.RFC3339), at.Add(time.Minute).Format(time.RFC3339), i/100, 98_000+i)
	}
	return b.Bytes()
}

// BenchmarkLines is the whole way from line to record; BenchmarkProtojson the
// library's decoding of the same lines alone.
func BenchmarkLines(b *testing.B) {
	data := benchLines()
	p := newParser([]string{"rhein/p1"}, time.Minute, time.Now)
	b.ReportAllocs()
	for b.Loop() {
		for _, it := range p.lines(data, 1) {
			if it.bad != nil {
				b.Fatal(it.bad)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1000, "ns/event")
}

func BenchmarkFastLine(b *testing.B) {
	lines := bytes.Split(bytes.TrimSpace(benchLines()), []byte("\n"))
	f := newFastLine()
	b.ReportAllocs()
	for b.Loop() {
		for _, l := range lines {
			if f.decode(l) == nil {
				b.Fatal("refused")
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1000, "ns/event")
}

func BenchmarkProtojson(b *testing.B) {
	lines := bytes.Split(bytes.TrimSpace(benchLines()), []byte("\n"))
	b.ReportAllocs()
	for b.Loop() {
		for _, l := range lines {
			if err := protojson.Unmarshal(l, &pb.Event{}); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1000, "ns/event")
}

// TestFastMutated: lines that are nearly plain.
func TestFastMutated(t *testing.T) {
	f := newFastLine()
	pieces := []string{"", "0", "9", "-", ".", "e", "\"", "\\", "{", "}", ",", ":", " ", "\t", "null", "true", "[]", "Z", "+", "\x00", "\u00e9", "\xff", "00", "60", "31",
		"goodMm", "good_mm", "slice", "STATE_OFF", `"plant":"a",`, `,"wasteMm":1`, "1e2", "2026-06-31", "T24", "+02:00"}
	accepted := 0
	many(t, func(t *rapid.T) {
		line := []byte(plainLine)
		for range rapid.IntRange(1, 3).Draw(t, "edits") {
			at := rapid.IntRange(0, len(line)).Draw(t, "at")
			cut := rapid.IntRange(0, min(3, len(line)-at)).Draw(t, "cut")
			piece := rapid.SampledFrom(pieces).Draw(t, "piece")
			line = append(line[:at:at], append([]byte(piece), line[at+cut:]...)...)
		}
		if same(t, f, line) {
			accepted++
		}
	})
	if accepted == 0 {
		t.Fatal("no mutated line was accepted")
	}
}
