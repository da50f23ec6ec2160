package agent_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	bolt "go.etcd.io/bbolt"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// sink stands where ingest will: it takes frames off the real stream, keeps
// events by identity, and answers for the mark.
type sink struct {
	mu     sync.Mutex
	events map[string]map[uint64]*pb.Event // press/epoch -> seq
	mark   map[string]uint64
	differ int // same identity, other content
	twice  int
	hold   bool // answer with mark 0
	silent bool // no answer
	ahead  time.Duration
	lost   map[string][]*pb.LostRange
	clone  uint64 // an epoch that is set aside
	// seen, where set, is told of each event as it comes.
	seen func(e *pb.Event)
}

// advance the mark over what is stored and what is lost. s.mu is held.
func (s *sink) advance(k string) {
	for again := true; again; {
		again = false
		for s.events[k][s.mark[k]+1] != nil {
			s.mark[k]++
		}
		for _, r := range s.lost[k] {
			if r.FirstSeq <= s.mark[k]+1 && s.mark[k] < r.LastSeq {
				s.mark[k], again = r.LastSeq, true
			}
		}
	}
}

func startSink(t *testing.T, env *eventlogtest.Env) *sink {
	t.Helper()
	s := &sink{events: map[string]map[uint64]*pb.Event{}, mark: map[string]uint64{}, lost: map[string][]*pb.LostRange{}}
	ctx, cancel := context.WithCancel(context.Background())
	cons, err := eventlog.Consumer(ctx, env.JS, 1)
	if err != nil {
		t.Fatal(err)
	}
	// What was on its way when the server stopped comes again soon.
	fast := cons.CachedInfo().Config
	fast.AckWait = 500 * time.Millisecond
	if _, err := env.JS.UpdateConsumer(ctx, eventlog.StreamPress, fast); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		for ctx.Err() == nil {
			s.pull(ctx, t, env)
		}
	})
	sub, err := eventlog.ServeMarks(env.Core, func(plant, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.silent {
			return nil, nil
		}
		quarantined := s.clone != 0 && r.Epoch == s.clone
		if k := id(plant, press, r.Epoch); len(r.Lost) > 0 {
			s.lost[k] = append(s.lost[k], r.Lost...)
			s.advance(k)
		}
		m := &pb.MarkReply{Epoch: r.Epoch, WarehouseId: 1, FrameVersion: eventlog.FrameVersion, ServerMs: time.Now().Add(s.ahead).UnixMilli(), Quarantined: quarantined}
		if !s.hold {
			m.Mark = s.mark[id(plant, press, r.Epoch)]
		}
		return m, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		_ = sub.Unsubscribe()
		wg.Wait()
	})
	return s
}

func id(plant, press string, epoch uint64) string {
	return fmt.Sprintf("%s/%s/%016x", plant, press, epoch)
}

func (s *sink) pull(ctx context.Context, t *testing.T, env *eventlogtest.Env) {
	short, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	c, err := env.JS.Consumer(short, eventlog.StreamPress, fmt.Sprintf("ingest-%016x", 1))
	if err != nil {
		time.Sleep(20 * time.Millisecond)
		return
	}
	b, err := c.Fetch(100, jetstream.FetchMaxWait(200*time.Millisecond))
	if err != nil {
		time.Sleep(20 * time.Millisecond)
		return
	}
	for m := range b.Messages() {
		f, err := eventlog.DecodeFrame(m.Data())
		if err != nil {
			t.Error(err)
			continue
		}
		s.mu.Lock()
		for _, e := range f.Events {
			k := id(e.Plant, e.Press, e.Epoch)
			if s.events[k] == nil {
				s.events[k] = map[uint64]*pb.Event{}
			}
			if old := s.events[k][e.Seq]; old != nil {
				s.twice++
				if !proto.Equal(old, e) {
					s.differ++
				}
			}
			s.events[k][e.Seq] = e
			s.advance(k)
			if s.seen != nil {
				s.seen(e)
			}
		}
		s.mu.Unlock()
		_ = m.Ack()
	}
}

// check that exactly n events are stored, without hole or contradiction.
func (s *sink) check(t *testing.T, n int) []*pb.Event {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []*pb.Event
	for k, m := range s.events {
		if uint64(len(m)) != s.mark[k] {
			t.Errorf("%s: %d events, mark %d", k, len(m), s.mark[k])
		}
		for seq := uint64(1); seq <= s.mark[k]; seq++ {
			if v := eventlog.Validate(m[seq]); v != nil {
				t.Errorf("%s/%d: %v", k, seq, v)
			}
			all = append(all, m[seq])
		}
	}
	if len(all) != n || s.differ != 0 {
		t.Fatalf("%d events stored, want %d; %d identities with two contents", len(all), n, s.differ)
	}
	return all
}

const day0 = 1_781_496_000 // 2026-06-15T04:00:00Z

// sliceLine is minute i of press p1.
func sliceLine(i int) string {
	from := time.Unix(int64(day0+60*i), 0).UTC()
	return fmt.Sprintf(`{"plant":"rhein","press":"p1","slice":{"from":%q,"to":%q,"state":"STATE_PRODUCTION","job":"J1","ratedMmPerMin":"100000","goodMm":"%d","wasteMm":"12"}}`+"\n",
		from.Format(time.RFC3339), from.Add(time.Minute).Format(time.RFC3339), 90_000+i)
}

func sliceLines(from, to int) string {
	var b strings.Builder
	for i := from; i < to; i++ {
		b.WriteString(sliceLine(i))
	}
	return b.String()
}

func config(t *testing.T, env *eventlogtest.Env, sources ...agent.Source) agent.Config {
	return agent.Config{Name: "a1", Presses: []string{"rhein/p1"}, Sources: sources, SpoolDir: t.TempDir(),
		URL: env.Server.URL(), Password: eventlogtest.PressPassword, MarkDelay: 100 * time.Millisecond}
}

func run(t *testing.T, cfg agent.Config) *agent.Agent {
	t.Helper()
	a := agent.New(cfg)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := a.Run(ctx); err != nil {
		t.Fatal(err)
	}
	if ctx.Err() != nil {
		t.Fatalf("not done within a minute: %+v", a.Status())
	}
	return a
}

func write(t *testing.T, path, text string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestThousandInThousandOut(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	file := write(t, filepath.Join(t.TempDir(), "in.ndjson"), sliceLines(0, 1000))
	cfg := config(t, env, agent.Source{Path: file})
	a := run(t, cfg)
	if st := a.Status(); st.Accepted != 1000 || st.Refused != 0 || st.Duplicates != 0 || st.Confirmed != 1000 || st.SpoolBytes != 0 {
		t.Fatalf("%+v", st)
	}
	evs := s.check(t, 1000)
	if g := evs[999].GetSlice().GoodMm; g != 90_999 {
		t.Fatalf("last event %v", evs[999])
	}
	// Again: nothing new to read. From a copy: everything is known.
	if st := run(t, cfg).Status(); st.Accepted != 0 || st.Duplicates != 0 {
		t.Fatalf("same file again: %+v", st)
	}
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(t.TempDir(), "copy.ndjson"), sliceLines(0, 1000))}}
	if st := run(t, cfg).Status(); st.Accepted != 0 || st.Duplicates != 1000 || st.Refused != 0 {
		t.Fatalf("copy: %+v", st)
	}
	s.check(t, 1000)
}

// Nothing is left running after Run, whatever ended it.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// TestRestartMidFile: the agent is stopped while it reads a growing file, and
// goes on exactly where it was.
func TestRestartMidFile(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	path := filepath.Join(t.TempDir(), "in.ndjson")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	cfg := config(t, env, agent.Source{Path: path, Follow: true})
	const rounds, per = 5, 400
	var accepted, duplicates uint64
	for r := range rounds {
		text := sliceLines(r*per, (r+1)*per)
		// Half a line stays at the end until the next round.
		cut := len(text) - 30
		if r > 0 {
			text = sliceLine(r*per - 1)[len(sliceLine(r*per-1))-30:] + text
			cut += 30
		}
		if r == rounds-1 {
			cut = len(text)
		}
		if _, err := f.WriteString(text[:cut]); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		a := agent.New(cfg)
		done := make(chan error, 1)
		go func() { done <- a.Run(ctx) }()
		want := uint64(min((r+1)*per-1, rounds*per-1))
		if r == rounds-1 {
			want++
		}
		within(t, 20*time.Second, "lines accepted", func() bool { return accepted+a.Status().Accepted >= want })
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		accepted += a.Status().Accepted
		duplicates += a.Status().Duplicates
	}
	if accepted != rounds*per || duplicates != 0 {
		t.Fatalf("%d accepted, %d read twice", accepted, duplicates)
	}
	cfg.Sources = []agent.Source{{Path: path}}
	run(t, cfg)
	s.check(t, rounds*per)
}

func within(t *testing.T, d time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("%s: not within %v", what, d)
}

// TestBadLines: each is named by line and field; its neighbours are stored.
func TestBadLines(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	slice := func(f string, v ...any) string {
		return fmt.Sprintf(`{"plant":"rhein","press":"p1","slice":{`+f+`}}`, v...)
	}
	future := time.Now().Add(time.Hour).UTC().Truncate(time.Minute)
	bad := []struct{ line, field, reason string }{
		{`{"plant":"rhein","press":"p1","slice":{`, "", "not valid JSON"},
		{`not json`, "", "not valid JSON"},
		{`{"plant":"rhein","press":"p9","slice":{"from":"2026-06-14T04:00:00Z","to":"2026-06-14T04:01:00Z","state":"STATE_DOWN"}}`, "press", "rhein/p9 is not a press"},
		{slice(`"from":"2026-06-14T04:00:00Z","to":"2026-06-14T04:01:01Z","state":"STATE_DOWN"`), "slice.to", "more than 60 s"},
		{slice(`"from":"2026-06-14T04:00:30Z","to":"2026-06-14T04:01:10Z","state":"STATE_DOWN"`), "slice.to", "another UTC minute"},
		{slice(`"from":"2026-06-14T04:00:00Z","to":"2026-06-14T04:01:00Z","state":"STATE_PRODUCTION","goodMm":"-5"`), "slice.good_mm", "negative"},
		{slice(`"from":"2026-06-14T04:00:00.0001Z","to":"2026-06-14T04:01:00Z","state":"STATE_DOWN"`), "slice.from", "whole milliseconds"},
		{slice(`"from":%q,"to":%q,"state":"STATE_DOWN"`, future.Format(time.RFC3339), future.Add(time.Minute).Format(time.RFC3339)), "occurred_at", "after the agent's clock"},
		{`{"note":"` + strings.Repeat("x", 10<<20) + `"}`, "", "longer than 1048576"},
		{slice(`"from":"2026-06-14T04:00:00Z","to":"2026-06-14T04:01:00Z","state":"STATE_DOWN","color":"red"`), "color", "unknown field"},
		{`{"plant":"rhein","press":"p1","kind":"slice"}`, "kind", "unknown field"},
		{slice(`"from":"2026-06-14T04:00:00Z","to":"2026-06-14T04:01:00Z","state":"STATE_PRODUCTION","ratedMmPerMin":"0"`), "slice.rated_mm_per_min", "above 0"},
		{slice(`"from":"2026-06-14T04:00:00Z","to":"2026-06-14T04:01:00Z","state":"STATE_DANCING"`), "state", "invalid value"},
		{`{"plant":"rhein","press":"p1","occurredAt":"2026-06-14T04:00:00Z","voided":{"targetSourceKey":"nobody"}}`, "voided.target_source_key", "was not accepted"},
		{`{"plant":"rhein","press":"p1","occurredAt":"2026-06-14T04:00:00Z"}`, "body", "required"},
		{`{"plant":"rhein","press":"p1","seq":"7","occurredAt":"2026-06-14T04:00:00Z","jobEnded":{"job":"J"}}`, "seq", "given by the agent"},
		{slice(`"from":"2026-06-15T04:00:30Z","to":"2026-06-15T04:00:40Z","goodMm":1,"goodMm":2,"state":"STATE_DOWN"`), "goodMm", "duplicate"},
	}
	var text strings.Builder
	for i, b := range bad {
		text.WriteString(sliceLine(2*i) + b.line + "\r\n\n")
	}
	// Covered time: the same slice again is known, a part of one not covered whole is refused.
	text.WriteString(sliceLine(0))
	text.WriteString(slice(`"from":"2026-06-15T03:59:59.500Z","to":"2026-06-15T04:00:00.000Z","state":"STATE_DOWN"`) + "\n")
	text.WriteString(slice(`"from":"2026-06-15T03:59:59.000Z","to":"2026-06-15T03:59:59.600Z","state":"STATE_DOWN"`) + "\n")
	var got []agent.Refusal
	cfg := config(t, env, agent.Source{Reader: strings.NewReader(text.String()), Name: "mixed"})
	cfg.Refused = func(r agent.Refusal) { got = append(got, r) }
	st := run(t, cfg).Status()
	if st.Accepted != uint64(len(bad)+1) || st.Refused != uint64(len(bad)+1) || st.Duplicates != 1 {
		t.Fatalf("%+v\n%v", st, got)
	}
	for i, b := range bad {
		if r := got[i]; r.Line != 3*i+2 || r.Field != b.field || !strings.Contains(r.Reason, b.reason) || r.Source != "mixed" {
			t.Errorf("line %.60s\n got %v\nwant line %d %s: %s", b.line, r, 3*i+2, b.field, b.reason)
		}
	}
	if r := got[len(bad)]; r.Field != "slice.from" || !strings.Contains(r.Reason, "partly covered") {
		t.Errorf("overlap: %v", r)
	}
	s.check(t, len(bad)+1)

	// The same by `agent check`, but for what depends on lines before.
	var lines []int
	ok, wrong, err := agent.CheckFile(strings.NewReader(text.String()), []string{"rhein/p1"}, func(line int, _, _ string) { lines = append(lines, line) })
	if err != nil || wrong != len(bad)-1 || ok != len(bad)+4 {
		t.Errorf("check: %d ok, %d wrong, %v, %v", ok, wrong, lines, err)
	}
}

// TestKeysVoidsCrew: a key counts once, a void by key finds its target, a
// badge never reaches the log.
func TestKeysVoidsCrew(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	text := `
{"occurredAt":"2026-06-15T04:00:00Z","sourceKey":"k1","cleaningOpened":{"session":"s1","occasion":"OCCASION_STARTUP","crew":"badge-17"}}
{"occurred_at":"2026-06-15T04:05:00Z","source_key":"k2","station_signed_off":{"session":"s1","task":"anilox","station":"print-1","outcome":"OUTCOME_CLEANED","crew":"badge-17"}}
{"occurredAt":"2026-06-15T04:05:00Z","sourceKey":"k1","cleaningOpened":{"session":"s1","occasion":"OCCASION_STARTUP","crew":"badge-17"}}
{"occurredAt":"2026-06-15T05:00:00Z","sourceKey":"k3","reasonNoted":{"from":"2026-06-15T03:00:00Z","to":"2026-06-15T03:10:00Z","kind":"NOTE_KIND_STOP","reason":"reel","crew":"badge-18"}}
{"occurredAt":"2026-06-15T06:00:00Z","voided":{"targetSourceKey":"k3","why":"wrong press"}}
`
	cfg := config(t, env, agent.Source{Path: write(t, filepath.Join(t.TempDir(), "in"), text)})
	if st := run(t, cfg).Status(); st.Accepted != 4 || st.Duplicates != 1 || st.Refused != 0 {
		t.Fatalf("%+v", st)
	}
	evs := s.check(t, 4)
	c1, c2, c3 := evs[0].GetCleaningOpened().Crew, evs[1].GetStationSignedOff().Crew, evs[2].GetReasonNoted().Crew
	if len(c1) != 10 || c1 != c2 || c1 == c3 || strings.Contains(c1+c2+c3, "badge") {
		t.Errorf("crews %q %q %q", c1, c2, c3)
	}
	v := evs[3].GetVoided()
	if v.Epoch != evs[2].Epoch || v.FirstSeq != 3 || v.LastSeq != 3 || v.Earliest.AsTime() != time.Date(2026, 6, 15, 3, 0, 0, 0, time.UTC) {
		t.Errorf("void %v", v)
	}
	// The next run knows the keys from disk.
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(t.TempDir(), "again"), text+`
{"occurredAt":"2026-06-15T07:00:00Z","voided":{"targetSourceKey":"k2"}}
`)}}
	if st := run(t, cfg).Status(); st.Accepted != 2 || st.Duplicates != 4 { // the unkeyed void counts again
		t.Fatalf("again: %+v", st)
	}
	evs = s.check(t, 6)
	if v := evs[5].GetVoided(); v.FirstSeq != 2 {
		t.Errorf("void %v", v)
	}
	keys, err := filepath.Glob(filepath.Join(cfg.SpoolDir, "keys", "rhein-2026-06.key"))
	if err != nil || len(keys) != 1 {
		t.Fatalf("key files %v, %v", keys, err)
	}
	if fi, err := os.Stat(keys[0]); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("key file %v, %v", fi.Mode(), err)
	}
}

// TestServerRestartsUnderLoad: the log server goes away and comes back again
// and again while lines flow; nothing is lost or doubled.
func TestServerRestartsUnderLoad(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	pr, pw := io.Pipe()
	const n = 20_000
	cfg := config(t, env, agent.Source{Reader: pr, Name: "load"})
	a := agent.New(cfg)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	for i := 0; i < n; i += 500 {
		if _, err := io.WriteString(pw, sliceLines(i, i+500)); err != nil {
			t.Fatal(err)
		}
		if i%5000 == 2500 {
			env.Restart()
		}
	}
	_ = pw.Close()
	if err := <-done; err != nil || ctx.Err() != nil {
		t.Fatalf("%v, %+v", err, a.Status())
	}
	s.check(t, n)
}

// TestStreamLost: the stream is deleted after it acknowledged events that
// nobody had stored; they are sent again from the mark.
func TestStreamLost(t *testing.T) {
	env := eventlogtest.Start(t)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cfg := config(t, env, agent.Source{Path: write(t, filepath.Join(t.TempDir(), "in"), sliceLines(0, 3000)), Follow: true})
	cfg.RepublishAfter = 300 * time.Millisecond
	a := agent.New(cfg)
	done := make(chan error, 1)
	runCtx, stop := context.WithCancel(ctx)
	go func() { done <- a.Run(runCtx) }()
	within(t, 20*time.Second, "acknowledged", func() bool { return a.Status().Published == 3000 })
	if err := env.JS.DeleteStream(ctx, eventlog.StreamPress); err != nil {
		t.Fatal(err)
	}
	if err := eventlog.EnsureStreams(ctx, env.JS, eventlog.StreamOptions{LeaseTTL: eventlogtest.LeaseTTL}); err != nil {
		t.Fatal(err)
	}
	s := startSink(t, env)
	within(t, 30*time.Second, "confirmed", func() bool { return a.Status().Confirmed == 3000 })
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	s.check(t, 3000)
}

// TestFullSpool: while nothing is confirmed a small spool stops the reading
// and says so; once the mark moves the rest is taken. Nothing is dropped.
func TestFullSpool(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	s.hold = true
	const n = 30_000
	cfg := config(t, env, agent.Source{Reader: strings.NewReader(sliceLines(0, n)), Name: "big"})
	cfg.SpoolMax = 400 << 10
	a := agent.New(cfg)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	within(t, 20*time.Second, "full", func() bool { return a.Status().Full })
	if st := a.Status(); st.SpoolBytes > st.SpoolMax || st.Accepted == 0 || st.Accepted == n {
		t.Fatalf("%+v", st)
	}
	s.mu.Lock()
	s.hold = false
	s.mu.Unlock()
	if err := <-done; err != nil || ctx.Err() != nil {
		t.Fatalf("%v, %+v", err, a.Status())
	}
	s.check(t, n)
}

// TestDirectory: files in name order, new ones and growth while following.
func TestDirectory(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "b.ndjson"), sliceLines(10, 20))
	write(t, filepath.Join(dir, "a.ndjson"), sliceLines(0, 10))
	write(t, filepath.Join(dir, ".hidden"), "rubbish\n")
	cfg := config(t, env, agent.Source{Path: dir, Follow: true})
	a := agent.New(cfg)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	within(t, 20*time.Second, "first files", func() bool { return a.Status().Confirmed == 20 })
	write(t, filepath.Join(dir, "c.ndjson"), sliceLines(20, 25))
	write(t, filepath.Join(dir, "a.ndjson"), sliceLines(0, 10)+sliceLines(30, 33))
	within(t, 20*time.Second, "new lines", func() bool { return a.Status().Confirmed == 28 })
	// Another file under a known name is read from its start.
	write(t, filepath.Join(dir, "b.ndjson"), sliceLines(40, 42))
	within(t, 20*time.Second, "replaced file", func() bool { return a.Status().Confirmed == 30 })
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if st := a.Status(); st.Duplicates != 0 || st.Refused != 0 {
		t.Errorf("%+v", st)
	}
	for i, e := range s.check(t, 30)[:20] {
		if e.GetSlice().GoodMm != int64(90_000+i) {
			t.Fatalf("event %d: %v", i, e)
		}
	}
}

// resumable is a reader of known bytes that can go on in the middle.
type resumable struct {
	*bytes.Reader
	at int64
}

func (r *resumable) Resume(off int64) error {
	r.at = off
	_, err := r.Seek(off, io.SeekStart)
	return err
}

func TestResumableReader(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	text := sliceLines(0, 500)
	cfg := config(t, env, agent.Source{Reader: &resumable{Reader: bytes.NewReader([]byte(text[:len(text)/2]))}, Name: "sim"})
	run(t, cfg)
	// The first half ended inside a line, which the end of the reader made whole.
	second := &resumable{Reader: bytes.NewReader([]byte(text))}
	cfg.Sources = []agent.Source{{Reader: second, Name: "sim"}}
	run(t, cfg)
	if second.at != int64(len(text)/2) {
		t.Fatalf("resumed at %d", second.at)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.differ != 0 || len(s.events) != 1 {
		t.Fatalf("%d streams, %d differ", len(s.events), s.differ)
	}
}

func TestStopsWhileServerIsAway(t *testing.T) {
	pr, pw := io.Pipe()
	defer func() { _ = pw.Close() }()
	dir := t.TempDir()
	cfg := agent.Config{Name: "a1", Presses: []string{"rhein/p1"}, SpoolDir: dir, URL: "nats://127.0.0.1:1", Password: "x",
		Sources: []agent.Source{{Reader: pr, Name: "pipe"}}}
	a := agent.New(cfg)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	if _, err := io.WriteString(pw, sliceLines(0, 10)); err != nil {
		t.Fatal(err)
	}
	within(t, 10*time.Second, "accepted without a server", func() bool { return a.Status().Accepted == 10 })
	if err := agent.New(cfg).Run(ctx); err == nil {
		t.Error("two agents ran on one spool")
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

func TestConfigRefuses(t *testing.T) {
	good := agent.Config{Name: "a1", Presses: []string{"rhein/p1"}, SpoolDir: "x", URL: "nats://127.0.0.1:1", Sources: []agent.Source{{Path: "-"}}}
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]func(c *agent.Config){
		"name":     func(c *agent.Config) { c.Name = "A 1" },
		"press":    func(c *agent.Config) { c.Presses = []string{"p1"} },
		"twice":    func(c *agent.Config) { c.Presses = []string{"rhein/p1", "rhein/p1"} },
		"no press": func(c *agent.Config) { c.Presses = nil },
		"source":   func(c *agent.Config) { c.Sources = []agent.Source{{Path: "/does/not/exist"}} },
		"spool":    func(c *agent.Config) { c.SpoolDir = "" },
		"server":   func(c *agent.Config) { c.URL = "" },
		"reader":   func(c *agent.Config) { c.Sources = []agent.Source{{Reader: os.Stdin}} },
	} {
		c := good
		f(&c)
		if err := c.Validate(); err == nil || !strings.HasPrefix(err.Error(), "agent: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestDamagedBlock: a bit flipped on disk costs its block, is named, and the
// run does not end as if all were stored.
func TestDamagedBlock(t *testing.T) {
	env := eventlogtest.Start(t)
	file := write(t, filepath.Join(t.TempDir(), "in"), sliceLines(0, 3000))
	cfg := config(t, env, agent.Source{Path: file, Follow: true})
	cfg.URL = "nats://127.0.0.1:1" // nobody there yet
	a := agent.New(cfg)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	within(t, 20*time.Second, "accepted", func() bool { return a.Status().Accepted == 3000 })
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	db, err := bolt.Open(filepath.Join(cfg.SpoolDir, "a1.db"), 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	lost := uint64(0)
	err = db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("blocks")).Bucket([]byte("rhein/p1"))
		k, v := b.Cursor().First()
		v = bytes.Clone(v)
		v[len(v)/2] ^= 1
		k = bytes.Clone(k)
		if next, _ := b.Cursor().Seek(append(k, 0)); next != nil {
			lost = binary.BigEndian.Uint64(next) - binary.BigEndian.Uint64(k)
		}
		return b.Put(k, v)
	})
	if err = errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	s := startSink(t, env)
	cfg.URL, cfg.Sources[0].Follow = env.Server.URL(), false
	b := agent.New(cfg)
	ctx2, cancel2 := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel2()
	if err := b.Run(ctx2); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Fatalf("run: %v", err)
	}
	if st := b.Status(); lost == 0 || st.Lost != lost {
		t.Fatalf("lost %d, want %d", st.Lost, lost)
	}
	// The warehouse knows of it, so that the mark has passed and the next run
	// has nothing to say but the count.
	next := run(t, cfg).Status()
	if next.Lost != lost || next.Confirmed != 3000 {
		t.Fatalf("next run: %+v", next)
	}
	within(t, 10*time.Second, "the rest is stored", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		n := 0
		for _, m := range s.events {
			n += len(m)
		}
		return n == 3000-int(lost)
	})
}

// TestTwoPresses: the press may be left out only where there is one.
func TestTwoPresses(t *testing.T) {
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	one := `"occurredAt":"2026-06-15T04:00:00Z","jobEnded":{"job":"J1"}}` + "\n"
	text := `{"plant":"rhein","press":"p1",` + one + `{"plant":"rhein","press":"p2",` + one + `{"plant":"elbe","press":"p1",` + one +
		`{"plant":"rhein",` + one + `{` + one + `{"plant":"elbe","press":"p2",` + one
	cfg := config(t, env, agent.Source{Reader: strings.NewReader(text), Name: "x"})
	cfg.Presses = []string{"rhein/p1", "rhein/p2", "elbe/p1"}
	var fields []string
	cfg.Refused = func(r agent.Refusal) { fields = append(fields, fmt.Sprintf("%d %s", r.Line, r.Field)) }
	if st := run(t, cfg).Status(); st.Accepted != 3 || len(st.Presses) != 3 || st.Presses[2].Confirmed != 1 {
		t.Fatalf("%+v", st)
	}
	if got := strings.Join(fields, ", "); got != "4 press, 5 plant, 6 press" {
		t.Errorf("refused %s", got)
	}
	s.check(t, 3)
}
