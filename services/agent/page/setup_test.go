package page_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/agent/page"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// shop is a real agent with its page, a real log server, and in the server's
// place one that gives sheets and confirms what it takes off the stream.
type shop struct {
	t    *testing.T
	env  *eventlogtest.Env
	dir  string
	logs *lockedBuffer

	mu     sync.Mutex
	sheets map[string]*pb.PressSheet
	events []*pb.Event
	marks  map[string]uint64 // by press and epoch

	ahead atomic.Int64 // of the page's clock, ns
	agent *agent.Agent
	url   string
	stop  func()
}

type lockedBuffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

const pressID = "linden/p1"

// newShop runs everything. The sheet of press 1 is there from the start.
func newShop(t *testing.T) *shop {
	t.Helper()
	s := &shop{t: t, env: eventlogtest.Start(t), dir: t.TempDir(), logs: &lockedBuffer{}, sheets: map[string]*pb.PressSheet{}, marks: map[string]uint64{}}
	s.sheets[pressID] = daySheet(time.Now())
	ctx, cancel := context.WithCancel(context.Background())
	if _, err := eventlog.Consumer(ctx, s.env.JS, 1); err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	wait.Go(func() {
		for ctx.Err() == nil {
			s.pull(ctx)
		}
	})
	marks, err := eventlog.ServeMarks(s.env.Core, func(plant, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		return &pb.MarkReply{Epoch: r.Epoch, WarehouseId: 1, FrameVersion: eventlog.FrameVersion, ServerMs: time.Now().UnixMilli(), Mark: s.marks[markKey(plant, press, r.Epoch)]}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	sheets, err := eventlog.ServeSheets(ctx, s.env.Core, func(_ context.Context, plant, press string) (*pb.PressSheet, error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if x := s.sheets[plant+"/"+press]; x != nil {
			x = proto.CloneOf(x)
			x.MadeAt = timestamppb.New(time.Now())
			return x, nil
		}
		return nil, errors.New("press is not known")
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.stop()
		cancel()
		_, _ = marks.Unsubscribe(), sheets.Unsubscribe()
		wait.Wait()
	})
	s.start()
	s.within("the first sheet", func() bool { return strings.Contains(s.visitor().get("/"+pressID), "Corona treater") })
	return s
}

func markKey(plant, press string, epoch uint64) string {
	return fmt.Sprintf("%s/%s/%x", plant, press, epoch)
}

func (s *shop) pull(ctx context.Context) {
	short, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	c, err := s.env.JS.Consumer(short, eventlog.StreamPress, fmt.Sprintf("ingest-%016x", 1))
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
			s.t.Error(err)
			continue
		}
		s.mu.Lock()
		for _, e := range f.Events {
			if k := markKey(e.Plant, e.Press, e.Epoch); e.Seq == s.marks[k]+1 {
				s.marks[k]++
				s.events = append(s.events, e)
			}
		}
		s.mu.Unlock()
		_ = m.Ack()
	}
}

// start the agent and its page; again after stop: a restart.
func (s *shop) start() { s.t.Helper(); s.startAt(":0") }

func (s *shop) startAt(listen string) {
	s.t.Helper()
	log := slog.New(slog.NewTextHandler(s.logs, &slog.HandlerOptions{Level: slog.LevelDebug}))
	s.agent = agent.New(agent.Config{Name: "a1", Presses: []string{pressID, "linden/p2"}, ByHand: true, SpoolDir: s.dir, URL: s.env.Server.URL(), Password: eventlogtest.PressPassword,
		MarkDelay: 50 * time.Millisecond, Log: log})
	srv := page.New(page.Config{Listen: listen, Presses: []string{pressID, "linden/p2"}, Dir: filepath.Join(s.dir, "page"), TextsDir: filepath.Join(s.dir, "texts"), Names: []string{"sheet.example"}, Agent: s.agent,
		Every: 300 * time.Millisecond, Clock: func() time.Time { return time.Now().Add(time.Duration(s.ahead.Load())) }, Log: log})
	ctx, cancel := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	for name, run := range map[string]func(context.Context) error{"agent": s.agent.Run, "page": srv.Run} {
		wait.Go(func() {
			if err := run(ctx); err != nil {
				s.t.Errorf("%s: %v", name, err)
			}
		})
	}
	stopped := false
	s.stop = func() {
		if !stopped {
			stopped = true
			cancel()
			wait.Wait()
		}
	}
	select {
	case at := <-srv.Bound():
		s.url = "http://" + at
	case <-time.After(20 * time.Second):
		s.t.Fatal("the page is not served")
	}
	s.within("the spool", func() bool { return s.agent.Status().Epoch != 0 })
}

func (s *shop) within(what string, ok func() bool) {
	s.t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if ok() {
			return
		}
	}
	s.t.Fatalf("%s: not within 20 s\n%s", what, s.logs)
}

// stored waits until the server has everything that the agent took, and gives
// it in order.
func (s *shop) stored() []*pb.Event {
	s.t.Helper()
	var out []*pb.Event
	s.within("everything stored", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		out = s.events
		return uint64(len(s.events)) == s.agent.Status().Last
	})
	return out
}

// visitor is a tablet without script.
type visitor struct {
	s      *shop
	client *http.Client
	lang   string
	origin string // "": the page's own
	last   *http.Response
}

func (s *shop) visitor() *visitor {
	jar, err := cookiejar.New(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	return &visitor{s: s, client: &http.Client{Jar: jar, Timeout: 15 * time.Second}, lang: "en"}
}

func (v *visitor) get(path string) string {
	v.s.t.Helper()
	r, err := http.NewRequest(http.MethodGet, v.s.url+path, nil)
	if err != nil {
		v.s.t.Fatal(err)
	}
	return v.do(r)
}

// post a form, pairs of name and value, and follow to the page that answers.
func (v *visitor) post(path string, pairs ...string) string {
	v.s.t.Helper()
	f := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		f.Add(pairs[i], pairs[i+1])
	}
	r, err := http.NewRequest(http.MethodPost, v.s.url+path, strings.NewReader(f.Encode()))
	if err != nil {
		v.s.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	switch v.origin {
	case "":
		r.Header.Set("Origin", v.s.url)
	case "none":
	default:
		r.Header.Set("Origin", v.origin)
	}
	return v.do(r)
}

func (v *visitor) do(r *http.Request) string {
	v.s.t.Helper()
	r.Header.Set("Accept-Language", v.lang)
	resp, err := v.client.Do(r)
	if err != nil {
		v.s.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		v.s.t.Fatal(err)
	}
	v.last = resp
	return string(b)
}

func (v *visitor) act(what string, pairs ...string) string {
	v.s.t.Helper()
	return v.post("/"+pressID+"/"+what, pairs...)
}

// daySheet is the sheet of an invented press at an instant. The plan is an
// example, not advice.
func daySheet(now time.Time) *pb.PressSheet {
	at := func(d time.Duration) *timestamppb.Timestamp {
		return timestamppb.New(now.Add(d).Truncate(time.Millisecond))
	}
	day := now.In(time.UTC).Format(time.DateOnly)
	text := func(en, de string) map[string]string { return map[string]string{"en": en, "de": de} }
	tasks := []*pb.Task{
		{Slug: "camera-lens", Station: "register-camera", Text: "Wipe lens and light", StandardMinutes: 3, Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_STARTUP}}},
		{Slug: "corona-wipe", Station: "corona", Text: "Wipe electrodes and roll", StandardMinutes: 8, Isolate: true, Safety: true,
			Hazards: []pb.Hazard{pb.Hazard_HAZARD_HIGH_VOLTAGE, pb.Hazard_HAZARD_OZONE, pb.Hazard_HAZARD_NIP}, Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_STARTUP}}},
		{Slug: "web-cleaner-clean", Station: "web-cleaner", Text: "Change the sheet, wipe the contact roll", StandardMinutes: 5, Isolate: true, Hazards: []pb.Hazard{pb.Hazard_HAZARD_NIP},
			Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_STARTUP}}},
		{Slug: "anilox-wash", Station: "anilox", Text: "Wash roll and chamber", StandardMinutes: 10, Isolate: true,
			Hazards: []pb.Hazard{pb.Hazard_HAZARD_SKIN_SENSITIZER, pb.Hazard_HAZARD_BLADE, pb.Hazard_HAZARD_NIP}, Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_JOB_CHANGE}}},
		{Slug: "heads-wipe", Station: "print-heads", Text: "Wipe the nozzle plates", StandardMinutes: 9, Hazards: []pb.Hazard{pb.Hazard_HAZARD_SOLVENT},
			Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_RUN_KM, Every: 60}}},
		{Slug: "uv-1-clean", Station: "uv-1", Text: "Clean window and reflector when cold", StandardMinutes: 10, Isolate: true,
			Hazards: []pb.Hazard{pb.Hazard_HAZARD_UV, pb.Hazard_HAZARD_HOT_SURFACE, pb.Hazard_HAZARD_OZONE}, Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_SHUTDOWN}}},
		{Slug: "filter-change", Station: "air-filter", Text: "Change the cabinet filter", StandardMinutes: 6, Outcomes: []pb.Outcome{pb.Outcome_OUTCOME_REPLACED_PART},
			Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_WEEKLY}}},
	}
	stations := []*pb.Station{{Slug: "corona", Name: "Corona treater"}, {Slug: "web-cleaner", Name: "Web cleaner"}, {Slug: "anilox", Name: "Anilox and chamber"}, {Slug: "print-heads", Name: "Print heads"},
		{Slug: "uv-1", Name: "UV unit 1"}, {Slug: "register-camera", Name: "Register camera"}, {Slug: "air-filter", Name: "Cabinet air filter"}}
	due := func(i int, c pb.Cadence, opens, at *timestamppb.Timestamp, overdue time.Duration, expected bool, risk int32) *pb.DueDuty {
		t := tasks[i]
		d := &pb.DueDuty{Task: t.Slug, Station: t.Station, Text: t.Text, Cadence: c, DueAt: at, OpensAt: opens, Expected: expected, OverdueMs: overdue.Milliseconds(), StandardMinutes: t.StandardMinutes,
			Hazards: t.Hazards, Isolate: t.Isolate, Safety: t.Safety, Order: int32(i + 1), Outcomes: t.Outcomes, Day: day, Risk: risk}
		for _, st := range stations {
			if st.Slug == t.Station {
				d.StationName = st.Name
			}
		}
		return d
	}
	return &pb.PressSheet{Press: pressID, Name: "Press 1", Zone: "Europe/Berlin", MadeAt: at(0), AsOf: &pb.AsOf{Pos: 1}, Cautions: []string{"…"},
		Due: &pb.PressDueDuties{Press: pressID, Name: "Press 1", Frontier: at(-time.Minute), Zone: "Europe/Berlin",
			Duties: []*pb.DueDuty{
				due(4, pb.Cadence_CADENCE_RUN_KM, nil, at(-40*time.Minute), 40*time.Minute, false, 3),
				due(0, pb.Cadence_CADENCE_STARTUP, at(-8*time.Hour), at(20*time.Minute), 0, false, 4),
				due(1, pb.Cadence_CADENCE_STARTUP, at(-8*time.Hour), at(20*time.Minute), 0, false, 1),
				due(2, pb.Cadence_CADENCE_STARTUP, at(-8*time.Hour), at(20*time.Minute), 0, false, 2),
				due(5, pb.Cadence_CADENCE_SHUTDOWN, at(9*time.Hour), at(11*time.Hour), 0, false, 2),
			},
			AtJobChange: []*pb.DueDuty{due(3, pb.Cadence_CADENCE_JOB_CHANGE, nil, nil, 0, false, 2)}},
		Tasks: tasks, Stations: stations,
		SkipReasons: []*pb.SkipReason{{Slug: "no-time", Text: text("No time", "Keine Zeit"), Class: pb.SkipClass_SKIP_CLASS_SKIPPED}, {Slug: "no-material", Text: text("No cloths or fluid", "Keine Tücher, kein Mittel"), Class: pb.SkipClass_SKIP_CLASS_SKIPPED},
			{Slug: "no-access", Text: text("No access", "Kein Zugang"), Class: pb.SkipClass_SKIP_CLASS_SKIPPED}, {Slug: "not-in-use", Text: text("Not in use on this job", "Bei diesem Auftrag nicht benutzt"), Class: pb.SkipClass_SKIP_CLASS_NOT_REQUIRED}},
		Reasons: []*pb.Reason{{Slug: "dirt-on-web", Text: text("Dirt on the web", "Schmutz auf der Bahn"), Class: pb.ReasonClass_REASON_CLASS_CONTAMINATION},
			{Slug: "mechanical", Text: text("Mechanical fault", "Mechanische Störung"), Class: pb.ReasonClass_REASON_CLASS_BREAKDOWN}, {Slug: "web-break", Text: text("Web break", "Bahnriss"), Class: pb.ReasonClass_REASON_CLASS_BREAKDOWN},
			{Slug: "no-material", Text: text("Waiting for material", "Warten auf Material"), Class: pb.ReasonClass_REASON_CLASS_MATERIAL}, {Slug: "reel-change", Text: text("Reel change", "Rollenwechsel"), Class: pb.ReasonClass_REASON_CLASS_REEL}},
		Stops: []*pb.OpenStop{{From: at(-12 * time.Minute), To: at(-4 * time.Minute)}, {From: at(-3 * time.Hour), To: at(-170 * time.Minute)}}}
}

// filesHold says which files under a directory hold a text.
func filesHold(t *testing.T, dir, text string) (names []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if err == nil && strings.Contains(string(b), text) {
			names = append(names, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}
