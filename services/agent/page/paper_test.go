package page_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// codes on a printed sheet, by task name as printed.
func codesOn(html string) map[string]string {
	out := map[string]string{}
	for _, m := range regexp.MustCompile(`<td class="code">([A-Z0-9]{3})</td><td><strong>([^<]+)</strong>`).FindAllStringSubmatch(html, -1) {
		out[m[2]] = m[1]
	}
	return out
}

// Printed, filled in by hand, keyed in later: true times, marked, once.
func TestPaper(t *testing.T) {
	s := newShop(t)
	v := s.visitor()
	html := v.get("/" + pressID + "/paper")
	codes := codesOn(html)
	if len(codes) != 7 {
		t.Fatalf("codes %v", codes)
	}
	if codesOn(v.get("/" + pressID + "/paper?day=2026-06-16"))["Corona treater"] != codes["Corona treater"] {
		t.Error("codes differ from day to day")
	}
	// A plan that changes between printing and keying in moves no code.
	s.mu.Lock()
	plan := s.sheets[pressID].Tasks
	s.sheets[pressID].Tasks = append([]*pb.Task{{Slug: "new-first", Station: "uv-1", StandardMinutes: 1}}, plan...)
	s.mu.Unlock()
	s.within("the new plan", func() bool {
		return len(codesOn(v.get("/"+pressID+"/paper"))) >= 7 && strings.Count(v.get("/"+pressID+"/paper"), `<td class="code">`) == 10
	})
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	day := time.Now().In(berlin).AddDate(0, 0, -1)
	form := func() []string {
		return []string{"day", day.Format(time.DateOnly), "badge", "B-77", "occasion", "2", "began", "21:50", "ended", "22:20", "check_tools", "yes", "check_guards", "yes", "check_isolation", "yes",
			"code0", strings.ToLower(codes["Corona treater"]), "time0", "22:01", "found0", "3", "what0", "1",
			"code1", codes["UV unit 1"], "time1", "22:15", "what1", "skip:no-time"}
	}
	for name, bad := range map[string][]string{
		"code":    append(form(), "code2", "ZZZ", "time2", "22:02"),
		"time":    append(form(), "code2", codes["Web cleaner"], "time2", "25:61"),
		"outside": append(form(), "code2", codes["Web cleaner"], "time2", "22:59"),
		"reason":  append(form(), "code2", codes["Web cleaner"], "time2", "22:02", "what2", "skip:whatever"),
		"half":    {"day", day.Format(time.DateOnly), "began", "21:50", "code0", codes["Web cleaner"], "time0", "22:00"},
		"empty":   {"day", day.Format(time.DateOnly)},
		"old":     {"day", "2020-01-01", "code0", codes["Web cleaner"], "time0", "22:00"},
		"future":  {"day", time.Now().AddDate(0, 0, 2).Format(time.DateOnly), "code0", codes["Web cleaner"], "time0", "22:00"},
	} {
		if html := v.act("later", bad...); !strings.Contains(html, `id="bad"`) || strings.Contains(html, "B-77") {
			t.Errorf("%s is not refused", name)
		}
	}
	if n := s.agent.Status().Last; n != 0 {
		t.Fatalf("%d events of refused forms", n)
	}
	for range 2 { // sent twice, kept once
		if html := v.act("later", form()...); !strings.Contains(html, "2 lines are kept") {
			t.Errorf("not kept: %s", html)
		}
	}
	evs := s.stored()
	if got := kinds(evs); got != "open, sign corona-wipe, skip uv-1-clean, close" {
		t.Fatal(got)
	}
	at := func(h, m int) time.Time { return time.Date(day.Year(), day.Month(), day.Day(), h, m, 0, 0, berlin) }
	for i, want := range []time.Time{at(21, 50), at(22, 1), at(22, 15), at(22, 20)} {
		if got := evs[i].OccurredAt.AsTime(); !got.Equal(want) || evs[i].RecordedAt.AsTime().Sub(got) < time.Hour {
			t.Errorf("event %d at %v, want %v, recorded %v", i, got, want, evs[i].RecordedAt.AsTime())
		}
	}
	if x := evs[1].GetStationSignedOff(); x.Note != "entered from paper" || x.GetConditionFound() != 3 || len(x.Crew) != 10 || x.Session != evs[0].GetCleaningOpened().Session {
		t.Errorf("%v", x)
	}
	if x := evs[3].GetCleaningClosed(); !x.ToolsCountedOut || !x.GuardsRestored || !x.IsolationRemoved {
		t.Errorf("%v", x)
	}
	// It opens no session on the tablet.
	if html := v.get("/" + pressID); !strings.Contains(html, "What are you cleaning for?") {
		t.Error("a session of paper is open on the page")
	}
}
