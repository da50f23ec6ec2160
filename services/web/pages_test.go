package web_test

import (
	"html"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func get(t testing.TB, h http.Handler, path string) (int, string, http.Header) {
	t.Helper()
	r := httptest.NewRequest("GET", "http://127.0.0.1:7714"+path, nil)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	body, _ := io.ReadAll(w.Result().Body)
	return w.Code, string(body), w.Result().Header
}

var (
	tags  = regexp.MustCompile(`(?s)<(script|style)\b.*?</(script|style)>|<[^>]*>`)
	hrefs = regexp.MustCompile(`(?:href|src|data-live)="([^"]*)"`)
	heads = regexp.MustCompile(`(?s)<h1[^>]*>(.*?)</h1>`)
)

// text is what a page says, without its tags.
func text(page string) string {
	return strings.Join(strings.Fields(html.UnescapeString(tags.ReplaceAllString(page, " "))), " ")
}

func head(page string) string {
	if m := heads.FindStringSubmatch(page); m != nil {
		return strings.Join(strings.Fields(html.UnescapeString(tags.ReplaceAllString(m[1], ""))), " ")
	}
	return ""
}

// everyPage is an address of every page.
var everyPage = []string{"/", "/?scope=rhein", "/?scope=rhein/p1,ohio&kind=flexo-430&by=day&scale=losses", "/losses/leaf?leaf=contamination_stop", "/losses/leaf?leaf=contamination_waste&scope=rhein/p1&from=2026-06-15&to=2026-06-15",
	"/losses/session?scope=rhein/p1&from=2026-06-15&to=2026-06-15&session=s-7", "/losses/events?scope=rhein/p1&from=2026-06-15&to=2026-06-15&begin=2026-06-15T14:08:00Z&end=2026-06-15T14:20:00Z",
	"/losses/trend", "/losses/compare", "/losses/compare?with=rhein/p2&scope=rhein/p1", "/stations", "/stations?by=press", "/stations?station=uv-1", "/duties", "/duties?scope=rhein/p1&outcome=skipped", "/studies", "/studies/" + studyID, "/studies/going", "/fleet"}

// Every page, whole, in every mood: it answers, has one heading, and holds nothing that the policy forbids.
func TestEveryPage(t *testing.T) {
	for _, mood := range []string{"", "long", "silent", "bare", "down"} {
		s, _ := newSite(t, mood)
		for _, path := range everyPage {
			code, page, header := get(t, s, path)
			want := http.StatusOK
			if mood == "down" {
				want = http.StatusServiceUnavailable
			}
			if code != want {
				t.Errorf("%s %s: status %d: %s", mood, path, code, head(page))
				continue
			}
			if n := strings.Count(page, "<h1"); n != 1 || head(page) == "" {
				t.Errorf("%s %s: %d headings, %q", mood, path, n, head(page))
			}
			for _, bad := range []string{" style=", "<style", "onclick", "javascript:", "<script>", "http://", "https://", "%!", "<no value>", "ZgotmplZ", "NaN", "Inf%"} {
				if strings.Contains(page, bad) {
					t.Errorf("%s %s holds %q", mood, path, bad)
				}
			}
			if csp := header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'; style-src 'self'") || strings.Contains(csp, "unsafe") {
				t.Errorf("%s: policy %q", path, csp)
			}
			if strings.Contains(page, "secret") {
				t.Errorf("%s shows a crew or a note", path)
			}
		}
	}
}

// What a reader is told where there is nothing, and where something is wrong.
func TestWordsOfEmptyAndWrong(t *testing.T) {
	for _, c := range []struct {
		mood, path string
		code       int
		want       string
	}{
		{"bare", "/", 200, "There is no plant yet"},
		{"silent", "/", 200, "Nothing was planned for the fleet"},
		{"silent", "/duties", 200, "Nothing was due of the fleet in these days."},
		{"silent", "/stations", 200, "No station of the fleet was signed off"},
		{"silent", "/studies", 200, "None has been asked yet."},
		{"silent", "/fleet", 200, "nothing is known yet"},
		{"silent", "/losses/trend", 200, "There is no whole step of time in these days."},
		{"silent", "/losses/compare", 200, "These cannot be compared."},
		{"silent", "/losses/leaf?leaf=setup", 200, "Nothing was booked to it."},
		{"down", "/", 503, "A part of the line does not answer"},
		{"long", "/duties", 200, "The heat map has more than 10000 cells"},
		{"", "/nothing", 404, "There is no page here"},
		{"", "/?from=2026-06-31", 400, `"2026-06-31" is no date`},
		{"", "/?from=2026-06-10&to=2026-06-01", 400, "The last day, 2026-06-01, is before the first, 2026-06-10."},
		{"", "/?scope=Rhein", 400, "names neither a plant nor a press"},
		{"", "/?last=0", 400, "want a number of days"},
		{"", "/?by=moon", 400, "cannot be divided"},
		{"", "/?scope=rhein/p99", 404, "rhein/p99 is not in the registry"},
		{"", "/losses/leaf", 400, "names no loss"},
		{"", "/losses/leaf?leaf=moon", 400, "is none of the ladder's"},
		{"", "/losses/session?session=s-none&scope=rhein/p1", 404, "There is no such session"},
		{"", "/losses/events?scope=rhein", 400, "of one press at a time"},
		{"", "/losses/events?scope=rhein/p1&begin=2026-06-01T00:00:00Z&end=2026-06-09T00:00:00Z", 400, "at most three days"},
		{"", "/studies/none", 404, "Study none is not kept"},
		{"", "/stations?station=/", 400, "names no station"},
	} {
		s, _ := newSite(t, c.mood)
		if code, page, _ := get(t, s, c.path); code != c.code || !strings.Contains(text(page), c.want) {
			t.Errorf("%s %s: %d, %s; want %d, %s", c.mood, c.path, code, text(page), c.code, c.want)
		}
	}
}

// Every link of every page leads somewhere, and carries presses and days along.
func TestEveryLinkLeads(t *testing.T) {
	s, _ := newSite(t, "")
	seen := map[string]bool{}
	list := []string{"/?scope=rhein/p1&from=2026-06-01&to=2026-06-28"}
	for i := 0; i < len(list) && i < 250; i++ {
		code, page, _ := get(t, s, list[i])
		if code != http.StatusOK {
			t.Errorf("%s: %d %s", list[i], code, head(page))
			continue
		}
		for _, m := range hrefs.FindAllStringSubmatch(page, -1) {
			to := html.UnescapeString(m[1])
			at, anchor, _ := strings.Cut(to, "#")
			if at == "" {
				if anchor != "" && !strings.Contains(page, `id="`+anchor+`"`) {
					t.Errorf("%s: nothing stands at #%s", list[i], anchor)
				}
				continue
			}
			if !strings.HasPrefix(at, "/") || strings.HasPrefix(at, "//") {
				t.Errorf("%s links to %s", list[i], to)
			}
			u, err := url.Parse(at)
			if err != nil {
				t.Errorf("%s: %v", list[i], err)
				continue
			}
			kind := u.Path + "|" + u.Query().Get("by") + u.Query().Get("leaf") + u.Query().Get("scope") + u.Query().Get("station")
			if strings.Contains(at, "/live") || seen[kind] {
				continue
			}
			seen[kind] = true
			list = append(list, at)
		}
	}
	if len(list) < 60 {
		t.Errorf("only %d addresses were followed", len(list))
	}
	t.Logf("%d addresses followed", len(list))
}

// The sentence is the api's own to the letter, and each of its parts is a link.
func TestSentence(t *testing.T) {
	s, f := newSite(t, "")
	_, page, _ := get(t, s, "/?scope=rhein")
	want, _ := f.GetLossSummary(t.Context(), &pb.GetLossSummaryRequest{})
	if got := head(page); got != want.Sentence {
		t.Errorf("%s\nwant %s", got, want.Sentence)
	}
	h := heads.FindString(page)
	if n := strings.Count(h, "<a "); n != 7 {
		t.Errorf("%d parts are links, want 7: %s", n, h)
	}
	for _, to := range []string{`"#ladder"`, `"#apart"`, `/stations?scope=rhein&amp;station=uv-1`, `/duties?scope=rhein`, `"#doubt"`, `/losses/trend?scope=rhein`} {
		if !strings.Contains(h, to) {
			t.Errorf("no part leads to %s: %s", to, h)
		}
	}
}

// Days: what an address leaves open ends at the newest data, in the plant's zone.
func TestDays(t *testing.T) {
	s, _ := newSite(t, "")
	for path, want := range map[string]string{"/": "1 to 28 June 2026", "/?last=7": "22 to 28 June 2026", "/?from=2026-06-20": "20 to 28 June 2026", "/?from=2026-06-20&to=2026-06-20": "Sat 20 June 2026", "/?to=2026-01-10": "14 December 2025 to 10 January 2026"} {
		if _, page, _ := get(t, s, path); !strings.Contains(text(page), "the fleet, "+want) {
			t.Errorf("%s: no %q", path, want)
		}
	}
}

// Only names of this machine, and only forms of these pages.
func TestGuard(t *testing.T) {
	s, f := newSite(t, "")
	s.Mount("/v1/", http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "{}") }))
	for host, want := range map[string]int{"127.0.0.1:7714": 200, "localhost:7714": 200, "[::1]:7714": 200, "LOCALHOST": 200, "127.0.0.2": 200, "evil.example:7714": 421, "127.0.0.1.evil.example": 421, "": 421, "10.0.0.5:7714": 421} {
		for _, path := range []string{"/", "/v1/status", "/assets/site.css"} {
			r := httptest.NewRequest("GET", path, nil)
			r.Host = host
			w := httptest.NewRecorder()
			s.ServeHTTP(w, r)
			if w.Code != want {
				t.Errorf("host %q %s: %d, want %d", host, path, w.Code, want)
			}
		}
	}
	form := url.Values{"title": {"t"}, "from": {"2026-01-01"}, "to": {"2026-06-28"}, "lag": {"14"}, "draws": {"99"}, "seed": {"7"}, "scope": {"rhein"}, "station": {"uv-1", "anilox"}}
	for _, c := range []struct {
		name, value string
		want        int
	}{{"Sec-Fetch-Site", "cross-site", 403}, {"Sec-Fetch-Site", "same-site", 403}, {"Origin", "http://evil.example", 403}, {"Origin", "null", 403}, {"Sec-Fetch-Site", "same-origin", 303}, {"Origin", "http://127.0.0.1:7714", 303}} {
		r := httptest.NewRequest("POST", "http://127.0.0.1:7714/studies", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set(c.name, c.value)
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		if w.Code != c.want {
			t.Errorf("%s %s: %d, want %d", c.name, c.value, w.Code, c.want)
		}
	}
	if len(f.made) != 2 {
		t.Fatalf("%d studies were asked, want 2", len(f.made))
	}
	if m := f.made[0]; m.Title != "t" || m.Seed != 7 || m.Permutations != 99 || m.GetMaxLag() != 14 || len(m.Stations) != 2 || m.Scope.Plants[0] != "rhein" || m.Period.FirstDay != "2026-01-01" {
		t.Errorf("asked for %v", m)
	}
}

// What is wrong in the form is said beside it, and what was given stays.
func TestStudyForm(t *testing.T) {
	s, f := newSite(t, "")
	post := func(change ...string) (int, string) {
		form := url.Values{"title": {"Waste & uv"}, "from": {"2026-01-01"}, "to": {"2026-06-28"}, "lag": {"14"}, "draws": {"99"}, "seed": {"7"}, "station": {"uv-1"}}
		for i := 0; i < len(change); i += 2 {
			form.Set(change[i], change[i+1])
		}
		r := httptest.NewRequest("POST", "http://127.0.0.1:7714/studies", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		return w.Code, w.Body.String()
	}
	for _, c := range [][3]string{{"title", " ", "needs a title"}, {"lag", "many", `"lag" wants a whole number from 0 to 60`}, {"draws", "0", `"draws" wants`}, {"seed", "-1", `"seed" wants`}, {"from", "2026-07-01", "is before first_day"}} {
		code, page := post(c[0], c[1])
		if code != 400 || !strings.Contains(text(page), c[2]) || c[0] != "title" && !strings.Contains(page, "Waste &amp; uv") || !strings.Contains(page, `value="uv-1" checked`) {
			t.Errorf("%s %q: %d, %s", c[0], c[1], code, text(page))
		}
	}
	if code, _ := post(); code != 303 || len(f.made) != 1 {
		t.Errorf("%d, %d studies", code, len(f.made))
	}
}

// The rows of the fleet are sent when they change, and only then.
func TestFleetLive(t *testing.T) {
	s, f := newSite(t, "")
	srv := httptest.NewServer(s)
	defer srv.Close()
	resp, err := http.Get(srv.URL + "/fleet/live")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if got := resp.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Fatal(got)
	}
	said := make(chan string, 16)
	go func() {
		var b [64 << 10]byte
		for {
			n, err := resp.Body.Read(b[:])
			if err != nil {
				return
			}
			said <- string(b[:n])
		}
	}()
	wait := func(what string) {
		t.Helper()
		all := ""
		for end := time.After(20 * time.Second); !strings.Contains(all, what); {
			select {
			case x := <-said:
				all += x
			case <-end:
				t.Fatalf("no %q in %s", what, all)
			}
		}
		if !strings.Contains(all, "event: part\n") {
			t.Errorf("no event: %s", all)
		}
	}
	wait("production, job J1")
	f.mu.Lock()
	f.state = pb.State_STATE_DOWN
	f.mu.Unlock()
	wait("down, job J1")
}
