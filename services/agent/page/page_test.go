package page_test

import (
	"bufio"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// kinds of events in words.
func kinds(evs []*pb.Event) string {
	var out []string
	for _, e := range evs {
		switch b := e.Body.(type) {
		case *pb.Event_CleaningOpened:
			out = append(out, "open")
		case *pb.Event_CleaningClosed:
			out = append(out, "close")
		case *pb.Event_StationSignedOff:
			out = append(out, "sign "+b.StationSignedOff.Task)
		case *pb.Event_StationSkipped:
			out = append(out, "skip "+b.StationSkipped.Task)
		case *pb.Event_ReasonNoted:
			out = append(out, "why "+b.ReasonNoted.Reason)
		case *pb.Event_Voided:
			out = append(out, fmt.Sprint("void ", b.Voided.FirstSeq))
		default:
			out = append(out, "?")
		}
	}
	return strings.Join(out, ", ")
}

var today = time.Now().UTC().Format(time.DateOnly)

var undoKey = regexp.MustCompile(`name="key" value="([^"]+)"`)

func keyIn(t *testing.T, html, row string) string {
	t.Helper()
	_, rest, ok := strings.Cut(html, `id="row-`+row+`"`)
	m := undoKey.FindStringSubmatch(rest)
	if !ok || m == nil {
		t.Fatalf("no undo at %s in\n%s", row, html)
	}
	return m[1]
}

// A session from badge to hand-back, as a tablet without script does it.
func TestSession(t *testing.T) {
	s := newShop(t)
	v := s.visitor()
	html := v.get("/" + pressID)
	// What can hurt most comes first, then working order; what is not due is
	// folded away.
	var order []string
	for _, m := range regexp.MustCompile(`<li id="row-([a-z0-9-]+)"`).FindAllStringSubmatch(html, -1) {
		order = append(order, m[1])
	}
	if want := []string{"corona-wipe", "web-cleaner-clean", "heads-wipe", "camera-lens", "anilox-wash", "uv-1-clean", "filter-change"}; !slices.Equal(order, want) {
		t.Errorf("order %q, want %q", order, want)
	}
	if strings.Contains(html, `action="/linden/p1/sign"`) {
		t.Error("a task can be signed before a session is begun")
	}
	if got := v.act("sign", "task", "corona-wipe", "duty", "startup-"+today); !strings.Contains(got, "Touch what you are cleaning for first") {
		t.Error("a sign-off without a session is not answered")
	}
	const badge = "B-990417"
	html = v.act("who", "badge", badge)
	if !strings.Contains(html, "Badge taken") || strings.Contains(html, badge) {
		t.Errorf("the badge is not taken, or stands in the page")
	}
	html = v.act("open", "occasion", "1")
	if !strings.Contains(html, "Start-up") || !strings.Contains(html, "data-since=") || !strings.Contains(html, "Badge taken") {
		t.Error("the session is not shown")
	}
	v.act("sign", "task", "corona-wipe", "duty", "startup-"+today)
	v.act("sign", "task", "web-cleaner-clean", "duty", "startup-"+today, "found", "2", "outcome", "2", "note", " a <b>note</b> ")
	html = v.act("skip", "task", "camera-lens", "duty", "startup-"+today, "reason", "no-time")
	if !strings.Contains(html, "No time") || !strings.Contains(html, "Inspected, was clean") || strings.Contains(html, "<b>note") {
		t.Error("what was signed is not shown")
	}
	// Twice is once.
	if html = v.act("sign", "task", "corona-wipe", "duty", "startup-"+today); !strings.Contains(html, "Was signed already") {
		t.Error("a second touch is not known")
	}
	// Undo, and sign again: a new sign-off.
	key := keyIn(t, html, "corona-wipe")
	html = v.act("undo", "key", key)
	if v.act("undo", "key", key); !strings.Contains(html, `id="row-corona-wipe" class="row"`) {
		t.Error("the undone task is not open again")
	}
	v.act("sign", "task", "corona-wipe", "duty", "startup-"+today)
	v.act("reason", "from", fmt.Sprint(s.sheets[pressID].Stops[0].From.AsTime().UnixMilli()), "reason", "web-break")
	// Hand back: what is not stated is asked about once.
	html = v.get("/" + pressID + "/close")
	session := regexp.MustCompile(`name="session" value="([^"]+)"`).FindStringSubmatch(html)[1]
	if !strings.Contains(html, "Print heads") || strings.Contains(html, "Hand back all the same") {
		t.Error("the hand-back does not name what is open")
	}
	html = v.act("close", "session", session, "check_tools", "yes")
	if !strings.Contains(html, "Hand back all the same") || !strings.Contains(html, `<input type="checkbox" name="check_tools" value="yes" checked>`) {
		t.Error("what is not stated is not asked about")
	}
	html = v.act("close", "session", session, "check_tools", "yes", "check_guards", "yes", "anyway", "yes")
	if !strings.Contains(html, "What are you cleaning for?") || strings.Contains(html, "Badge taken") {
		t.Error("the session does not end")
	}

	evs := s.stored()
	if got, want := kinds(evs), "open, sign corona-wipe, sign web-cleaner-clean, skip camera-lens, void 2, sign corona-wipe, why web-break, close"; got != want {
		t.Fatalf("events %s, want %s", got, want)
	}
	crew := evs[0].GetCleaningOpened().Crew
	if len(crew) != 10 || evs[1].GetStationSignedOff().Crew != crew || evs[3].GetStationSkipped().Crew != crew || evs[7].GetCleaningClosed().Crew != crew {
		t.Errorf("one badge is not one pseudonym: %v", evs)
	}
	if x := evs[1].GetStationSignedOff(); x.Session != session || x.Outcome != pb.Outcome_OUTCOME_CLEANED || x.ConditionFound != nil || x.Station != "corona" {
		t.Errorf("%v", x)
	}
	if x := evs[2].GetStationSignedOff(); x.GetConditionFound() != 2 || x.Outcome != pb.Outcome_OUTCOME_INSPECTED_CLEAN || x.Note != "a <b>note</b>" {
		t.Errorf("%v", x)
	}
	if x := evs[7].GetCleaningClosed(); !x.ToolsCountedOut || !x.GuardsRestored || x.IsolationRemoved {
		t.Errorf("%v", x)
	}
	if x := evs[6].GetReasonNoted(); x.Kind != pb.NoteKind_NOTE_KIND_STOP || !x.From.AsTime().Equal(s.sheets[pressID].Stops[0].From.AsTime()) || !x.To.AsTime().Equal(s.sheets[pressID].Stops[0].To.AsTime()) {
		t.Errorf("%v", x)
	}
	// The badge is nowhere: not in the files, not in the log of the program, not
	// in a cookie.
	if at := filesHold(t, s.dir, badge); len(at) > 0 {
		t.Errorf("the badge stands in %q", at)
	}
	if strings.Contains(s.logs.String(), badge) {
		t.Error("the badge stands in the log")
	}
	if strings.Contains(fmt.Sprint(evs), badge) {
		t.Error("the badge stands in an event")
	}
}

// A plan that allows one outcome gets it by one touch, and no other.
func TestOutcomes(t *testing.T) {
	s := newShop(t)
	v := s.visitor()
	v.act("open", "occasion", "4")
	if html := v.act("sign", "task", "filter-change", "duty", "extra", "outcome", "1"); !strings.Contains(html, "Not kept") {
		t.Error("an outcome that the plan does not allow is taken")
	}
	v.act("sign", "task", "filter-change", "duty", "extra")
	for _, bad := range [][]string{{"sign", "task", "nothing"}, {"skip", "task", "corona-wipe", "reason", "no-such"}, {"reason", "from", "17", "reason", "web-break"}, {"open", "occasion", "9"}, {"undo", "key", "x"}} {
		v.act(bad[0], bad[1:]...)
	}
	evs := s.stored()
	if got := kinds(evs); got != "open, sign filter-change" || evs[1].GetStationSignedOff().Outcome != pb.Outcome_OUTCOME_REPLACED_PART || evs[1].GetStationSignedOff().Crew != "" {
		t.Errorf("%s %v", got, evs)
	}
}

// Two tablets: both touch every task at the same time; each is signed once. What
// one does the other is told of within two seconds.
func TestTwoTablets(t *testing.T) {
	s := newShop(t)
	a, b := s.visitor(), s.visitor()
	both := func(f func(v *visitor)) {
		var wait sync.WaitGroup
		for _, v := range []*visitor{a, b} {
			wait.Go(func() { f(v) })
		}
		wait.Wait()
	}
	both(func(v *visitor) { v.act("open", "occasion", "2") })
	for _, task := range []string{"corona-wipe", "web-cleaner-clean", "camera-lens"} {
		both(func(v *visitor) { v.act("sign", "task", task, "duty", "startup-"+today) })
	}
	both(func(v *visitor) { v.act("skip", "task", "heads-wipe", "duty", "clock", "reason", "no-time") })
	if got, want := kinds(s.stored()), "open, sign corona-wipe, sign web-cleaner-clean, sign camera-lens, skip heads-wipe"; got != want {
		t.Errorf("events %s, want %s", got, want)
	}
	// The stream.
	r, err := a.client.Get(s.url + "/" + pressID + "/live")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Body.Close() }()
	lines := bufio.NewScanner(r.Body)
	next := func() string {
		for lines.Scan() {
			if v, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				return v
			}
		}
		t.Fatal("the stream ends")
		return ""
	}
	before := next()
	b.act("undo", "key", keyIn(t, b.get("/"+pressID), "camera-lens"))
	began := time.Now()
	if after := next(); after == before || time.Since(began) > 2*time.Second {
		t.Errorf("told %q after %q, %v later", after, before, time.Since(began))
	}
	if html := a.get("/" + pressID); !strings.Contains(html, `id="row-camera-lens" class="row"`) {
		t.Error("the other tablet still shows the task as signed")
	}
	// Each tablet has its own badge; the second joins the session.
	a.act("who", "badge", "17")
	b.act("who", "badge", "18")
	a.act("sign", "task", "camera-lens", "duty", "startup-"+today)
	b.act("sign", "task", "uv-1-clean", "duty", "shutdown-"+today)
	evs := s.stored()
	x, y := evs[len(evs)-2].GetStationSignedOff(), evs[len(evs)-1].GetStationSignedOff()
	if x.Session != y.Session || x.Crew == y.Crew || len(x.Crew) != 10 || len(y.Crew) != 10 {
		t.Errorf("%v %v", x, y)
	}
}

// Without a server, and over a restart of the agent without a server: the sheet
// with its age, what was signed since, undo and hand-back; later everything
// arrives once.
func TestOffline(t *testing.T) {
	s := newShop(t)
	v := s.visitor()
	v.act("open", "occasion", "1")
	v.act("sign", "task", "corona-wipe", "duty", "startup-"+today)
	s.stored()
	s.env.Stop()
	s.within("the page says so", func() bool { return strings.Contains(v.get("/"+pressID), "SERVER NOT REACHED") })
	v.act("sign", "task", "web-cleaner-clean", "duty", "startup-"+today)
	s.stop()
	s.start()
	s.ahead.Store(int64(90 * time.Second))
	html := v.get("/" + pressID)
	for _, want := range []string{"SERVER NOT REACHED", "1 min old", "Corona treater", `id="row-corona-wipe" class="row over"`, `id="row-web-cleaner-clean" class="row over"`, "Start-up", "Hand the press back"} {
		if !strings.Contains(html, want) {
			t.Errorf("after a restart without server: no %q", want)
		}
	}
	v.act("sign", "task", "corona-wipe", "duty", "startup-"+today) // known
	v.act("undo", "key", keyIn(t, html, "web-cleaner-clean"))
	v.act("skip", "task", "web-cleaner-clean", "duty", "startup-"+today, "reason", "no-access")
	if st := s.agent.Status(); st.Last != 5 || st.Confirmed > 2 {
		t.Errorf("without server: %+v", st)
	}
	s.env.Restart()
	if got, want := kinds(s.stored()), "open, sign corona-wipe, sign web-cleaner-clean, void 3, skip web-cleaner-clean"; got != want {
		t.Errorf("events %s, want %s", got, want)
	}
	s.within("the server is back", func() bool { return !strings.Contains(v.get("/"+pressID), "SERVER NOT REACHED") })
	// A new sheet knows of the sign-off: the duty is gone from it, and what was
	// done in the session stays to be seen.
	s.mu.Lock()
	sheet := s.sheets[pressID]
	sheet.Due.Duties = slices.DeleteFunc(sheet.Due.Duties, func(d *pb.DueDuty) bool { return d.Task == "corona-wipe" })
	sheet.Due.Frontier = timestamppb.Now()
	s.mu.Unlock()
	time.Sleep(time.Second)
	if html = v.get("/" + pressID); !strings.Contains(html, `id="row-corona-wipe" class="row over"`) {
		t.Error("what was signed in the session is gone with the new sheet")
	}
	// A book that was cut off in the middle of a line costs that line.
	s.stop()
	book := filepath.Join(s.dir, "page", "linden.p1.book")
	text, err := os.ReadFile(book)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(book, text[:len(text)-20], 0o600); err != nil {
		t.Fatal(err)
	}
	s.start()
	if html = v.get("/" + pressID); !strings.Contains(html, `id="row-web-cleaner-clean" class="row"`) || !strings.Contains(html, `id="row-corona-wipe" class="row over"`) {
		t.Error("the book's end is not dropped alone")
	}
	v.act("skip", "task", "web-cleaner-clean", "duty", "startup-"+today, "reason", "no-access")
	if html = v.get("/" + pressID); !strings.Contains(html, `id="row-web-cleaner-clean" class="row over"`) || len(s.stored()) != 5 {
		t.Error("a touch that the agent knows is not one to it")
	}
	// Without the sheet and the book: nothing is lost, and it begins anew.
	s.stop()
	if err := os.RemoveAll(filepath.Join(s.dir, "page")); err != nil {
		t.Fatal(err)
	}
	s.start()
	s.within("a sheet again", func() bool { return strings.Contains(v.get("/"+pressID), "Web cleaner") })
}

// Undo ends after five minutes, and a session that nobody touched for a shift
// is over.
func TestTimes(t *testing.T) {
	s := newShop(t)
	v := s.visitor()
	v.act("open", "occasion", "1")
	html := v.act("sign", "task", "corona-wipe", "duty", "startup-"+today)
	key := keyIn(t, html, "corona-wipe")
	s.ahead.Store(int64(5*time.Minute + time.Second))
	if html = v.get("/" + pressID); strings.Contains(html, key) || !strings.Contains(html, "row over") {
		t.Error("undo is offered after five minutes")
	}
	if html = v.act("undo", "key", key); !strings.Contains(html, "More than five minutes ago") {
		t.Error("a late undo is not answered")
	}
	if got := kinds(s.stored()); got != "open, sign corona-wipe" {
		t.Error(got)
	}
	s.ahead.Store(int64(9 * time.Hour))
	html = v.get("/" + pressID)
	if !strings.Contains(html, "never handed back") || !strings.Contains(html, "What are you cleaning for?") {
		t.Error("a session that was left is still open")
	}
	if !strings.Contains(html, `id="row-corona-wipe" class="row over"`) {
		t.Error("the sign-off of this production day is forgotten with its session")
	}
	s.ahead.Store(int64(24 * time.Hour))
	if html = v.get("/" + pressID); !strings.Contains(html, `id="row-corona-wipe" class="row"`) {
		t.Error("yesterday's sign-off stands for today's duty")
	}
}

// Nothing is changed by a GET, by another origin, or under another name.
func TestGuard(t *testing.T) {
	s := newShop(t)
	v := s.visitor()
	for _, origin := range []string{"none", "http://elsewhere.example", "null", "http://127.0.0.1:1", "https" + strings.TrimPrefix(s.url, "http") + ".example"} {
		v.origin = origin
		if html := v.act("open", "occasion", "1"); v.last.StatusCode != http.StatusForbidden || !strings.Contains(html, "another page") {
			t.Errorf("from %s: %d", origin, v.last.StatusCode)
		}
	}
	v.origin = ""
	for _, path := range []string{"open?occasion=1", "sign?task=corona-wipe", "skip", "undo", "reason", "who?badge=1"} {
		if v.get("/" + pressID + "/" + path); v.last.StatusCode != http.StatusNotFound && v.last.StatusCode != http.StatusMethodNotAllowed {
			t.Errorf("GET %s: %d", path, v.last.StatusCode)
		}
	}
	ask := func(host, site string) int {
		r, err := http.NewRequest(http.MethodPost, s.url+"/"+pressID+"/open", strings.NewReader("occasion=1"))
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		r.Header.Set("Origin", "http://"+host)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if site != "" {
			r.Header.Set("Sec-Fetch-Site", site)
		}
		c := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		resp, err := c.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		return resp.StatusCode
	}
	if got := ask("rebound.example", "same-origin"); got != http.StatusForbidden {
		t.Errorf("a name that was made to point here: %d", got)
	}
	if got := ask(strings.TrimPrefix(s.url, "http://"), "cross-site"); got != http.StatusForbidden {
		t.Errorf("another site: %d", got)
	}
	if st := s.agent.Status(); st.Last != 0 {
		t.Errorf("%d events", st.Last)
	}
	if got := ask(strings.TrimPrefix(s.url, "http://"), "same-origin"); got != http.StatusSeeOther || s.agent.Status().Last != 1 {
		t.Errorf("the page's own: %d", got)
	}
	if got := ask("Sheet.example:80", "same-origin"); got == http.StatusForbidden {
		t.Error("a name of the config is refused")
	}
	v.get("/" + pressID)
	h := v.last.Header
	if csp := h.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || h.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("headers %v", h)
	}
	// Foreign text is text.
	s.mu.Lock()
	s.sheets[pressID].Name = `<script>alert(1)</script>"'`
	s.mu.Unlock()
	s.within("the new name", func() bool { return strings.Contains(v.get("/"+pressID), "alert(1)") })
	if html := v.get("/" + pressID); strings.Contains(html, "<script>alert") {
		t.Error("a name of the registry becomes markup")
	}
	v.post("/lang", "lang", "de", "to", "//elsewhere.example/")
	if v.last.Request.URL.Host != strings.TrimPrefix(s.url, "http://") {
		t.Errorf("sent to %v", v.last.Request.URL)
	}
}

// The cautions are on every page, in every language, and no page speaks of
// cleaning while the web moves.
func TestCautions(t *testing.T) {
	s := newShop(t)
	s.visitor().act("open", "occasion", "1")
	for lang, want := range map[string][]string{
		"en": {"maker&#39;s manual comes first", "lock-out procedure", "trained people", "never commands the press", "The web stands still"},
		"de": {"Anleitung des Herstellers", "Freischaltverfahren", "unterwiesene Personen", "steuert die Maschine nie", "Die Bahn steht"},
	} {
		for _, path := range []string{"/", "/" + pressID, "/linden/p2", "/" + pressID + "/close", "/" + pressID + "/paper", "/" + pressID + "/later", "/nowhere"} {
			v := s.visitor()
			v.lang = lang
			html := v.get(path)
			for _, w := range want {
				if !strings.Contains(html, w) {
					t.Errorf("%s %s: no %q", lang, path, w)
				}
			}
			if strings.Contains(html, "http://") && !strings.Contains(path, "paper") || strings.Contains(html, "https://") {
				t.Errorf("%s %s: an address elsewhere", lang, path)
			}
		}
	}
	v := s.visitor()
	v.lang = "fr, de;q=0.5"
	if html := v.get("/" + pressID); !strings.Contains(html, `lang="de"`) || !strings.Contains(html, "Keine Zeit") {
		t.Error("the registry's reasons do not follow the language")
	}
	if html := v.post("/lang", "lang", "en", "to", "/"+pressID); !strings.Contains(html, `lang="en"`) {
		t.Error("the language is not kept")
	}
	if html := v.get("/linden/p2"); !strings.Contains(html, "No due list has come yet") {
		t.Error("a press without a sheet")
	}
	if html := v.get("/" + pressID + "/manifest.webmanifest"); !strings.Contains(html, `"start_url":"/linden/p1"`) {
		t.Errorf("manifest %s", html)
	}
}

// A language by file, beside those built in; what it leaves out is English.
func TestLanguageByFile(t *testing.T) {
	s := newShop(t)
	s.stop()
	dir := filepath.Join(s.dir, "texts")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "nl.yaml"), []byte("language: Nederlands\ndone: Klaar\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.start()
	v := s.visitor()
	v.lang = "nl-BE"
	if html := v.act("open", "occasion", "1"); !strings.Contains(html, ">Klaar<") || !strings.Contains(html, "Due now") || !strings.Contains(html, ">Nederlands<") {
		t.Error("the file's language is not used")
	}
}
