package main

import (
	"encoding/csv"
	"html"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// pagesOf looks at the pages of a line that runs: they say what the command line says.
func pagesOf(t *testing.T, l *testLine, lossCSV string) {
	e, err := dataDir(l.dir).readEndpoints()
	if err != nil || e.Web == "" {
		t.Fatalf("no address of the pages: %+v, %v", e, err)
	}
	tag := regexp.MustCompile(`<[^>]*>`)
	page := func(path string) (string, string) {
		t.Helper()
		resp, err := http.Get(strings.TrimSuffix(e.Web, "/") + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		plain := strings.Join(strings.Fields(html.UnescapeString(tag.ReplaceAllString(string(text), " "))), " ")
		if err != nil || resp.StatusCode != http.StatusOK || !strings.Contains(resp.Header.Get("Content-Security-Policy"), "default-src 'none'") {
			t.Errorf("%s: %s, %v: %.600s", path, resp.Status, err, plain)
		}
		return string(text), plain
	}
	const june = "?from=2026-06-22&to=2026-06-28"
	raw, text := page("/" + june)
	table := l.must("loss", "--from", "2026-06-22", "--to", "2026-06-28")
	first, _, _ := strings.Cut(table, "\n\n")
	if said := strings.Join(strings.Fields(first), " "); !strings.HasPrefix(said, "Maintenance cost the fleet") || !strings.Contains(strings.Join(strings.Fields(html.UnescapeString(tag.ReplaceAllString(raw, ""))), " "), said) {
		t.Errorf("the page does not say %q: %.800s", said, text)
	}
	rows, err := csv.NewReader(strings.NewReader(lossCSV)).ReadAll()
	if err != nil || len(rows) < 10 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, want := range []string{"planned cleaning", "cleaning overrun", "contamination stop", "valuable operating time"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %.800s", want, text)
		}
	}
	for path, want := range map[string]string{"/losses/leaf" + june + "&leaf=cleaning_overrun": "Every stretch that was booked to it", "/losses/compare" + june + "&scope=linden/p1&with=linden/p2": "What each factor contributes", "/losses/trend": "against usual variation",
		"/stations" + june: "Minutes a visit, against standard", "/duties" + june + "&scope=linden/p1": "Before any of this work", "/studies": "Ask for a study", "/fleet": "presses:"} {
		if _, text := page(path); !strings.Contains(text, want) {
			t.Errorf("%s does not say %q: %.600s", path, want, text)
		}
	}
	// A page of elsewhere that points its own name here gets nothing.
	req, err := http.NewRequest(http.MethodGet, e.Web, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Host = "elsewhere.example"
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("asked by another name: %s", resp.Status)
	}
}

// The state of a press is that of its newest slice, since the last slice of another state.
func TestPressStates(t *testing.T) {
	ctx := t.Context()
	db, err := warehouse.Open(ctx, warehouse.Config{DSN: warehousetest.DSN(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	begin := time.Date(2026, 6, 15, 6, 0, 0, 0, time.UTC)
	var evs []*pb.Event
	add := func(press string, from, to int, state pb.State, reason string) {
		evs = append(evs, &pb.Event{Plant: "rhein", Press: press, Epoch: 7, Seq: uint64(len(evs) + 1), OccurredAt: timestamppb.New(begin.Add(time.Duration(from) * time.Minute)), RecordedAt: timestamppb.New(begin.Add(time.Duration(to) * time.Minute)),
			Body: &pb.Event_Slice{Slice: &pb.Slice{From: timestamppb.New(begin.Add(time.Duration(from) * time.Minute)), To: timestamppb.New(begin.Add(time.Duration(to) * time.Minute)), State: state, Reason: reason, Job: "J1"}}})
	}
	for i := range 5 {
		add("p1", i, i+1, pb.State_STATE_PRODUCTION, "")
		add("p2", i, i+1, pb.State_STATE_WAITING, "material")
	}
	add("p1", 5, 6, pb.State_STATE_DOWN, "web-break")
	add("p1", 6, 7, pb.State_STATE_DOWN, "uv-dirt")
	add("old", -300, -299, pb.State_STATE_OFF, "")
	if err := db.InsertEvents(ctx, evs, 1); err != nil {
		t.Fatal(err)
	}
	got, err := db.PressStates(ctx, nil, begin.Add(-time.Hour).UnixMilli())
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]warehouse.PressState{"rhein/p1": {State: uint8(pb.State_STATE_DOWN), SinceMS: begin.Add(5 * time.Minute).UnixMilli(), Reason: "uv-dirt", Job: "J1"},
		"rhein/p2": {State: uint8(pb.State_STATE_WAITING), SinceMS: begin.UnixMilli(), AtLeast: true, Reason: "material", Job: "J1"}}
	if len(got) != len(want) {
		t.Errorf("%v", got)
	}
	for id, w := range want {
		if got[id] != w {
			t.Errorf("%s: %+v, want %+v", id, got[id], w)
		}
	}
	if one, err := db.PressStates(ctx, []string{"rhein/p2"}, begin.UnixMilli()); err != nil || len(one) != 1 || one["rhein/p2"] != want["rhein/p2"] {
		t.Errorf("of one press: %v, %v", one, err)
	}
}
