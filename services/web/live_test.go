package web_test

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// Every press in scope has its due list on one of the pages, which the first leads to, and on one alone; the events of a
// page are about the presses of that page.
func TestDueListsOfManyPresses(t *testing.T) {
	s, _ := newSite(t, "many")
	figure := regexp.MustCompile(`<figcaption><a href="/duties\?scope=([a-z0-9/-]+)">`)
	link := regexp.MustCompile(`href="(/duties\?[^"]*#due-h)"`)
	live := regexp.MustCompile(`data-live="([^"]*)"`)
	_, first, _ := get(t, s, "/duties?outcome=skipped")
	if !strings.Contains(text(first), "Presses 1 to 12 of 31.") {
		t.Errorf("it is not said which presses these are: %s", text(first))
	}
	var got []string
	pages := map[string]bool{}
	for _, m := range link.FindAllStringSubmatch(first, -1) {
		at, _, _ := strings.Cut(html.UnescapeString(m[1]), "#")
		if pages[at] {
			t.Errorf("%s is led to twice", at)
		}
		pages[at] = true
		if !strings.Contains(at, "outcome=skipped") {
			t.Errorf("%s forgets the outcome", at)
		}
		_, page, _ := get(t, s, at)
		var here []string
		for _, m := range figure.FindAllStringSubmatch(page, -1) {
			here = append(here, m[1])
		}
		got = append(got, here...)
		srv := httptest.NewServer(s)
		sent := events(t, srv.URL+html.UnescapeString(live.FindStringSubmatch(page)[1]))
		part := sent("part", "Due next and overdue")
		var streamed []string
		for _, m := range figure.FindAllStringSubmatch(part, -1) {
			streamed = append(streamed, m[1])
		}
		if len(here) == 0 || !slices.Equal(here, streamed) {
			t.Errorf("%s shows %v, its events %v", at, here, streamed)
		}
		srv.CloseClientConnections()
		srv.Close()
	}
	var want []string
	for i := range 28 {
		want = append(want, fmt.Sprintf("rhein/p%d", i+1))
	}
	want = append(want, "ohio/p1", "ohio/p2", "ohio/p3")
	if len(pages) != 3 || !slices.Equal(got, want) {
		t.Errorf("%d pages with %v", len(pages), got)
	}
	for _, bad := range []string{"0", "4", "x", "-1"} {
		if code, page, _ := get(t, s, "/duties?due="+bad); code != 400 || !strings.Contains(text(page), "stand on pages 1 to 3") {
			t.Errorf("page %s: %d %s", bad, code, head(page))
		}
	}
	// Few presses: one page, and no word of others.
	if _, page, _ := get(t, s, "/duties?scope=ohio"); strings.Contains(page, "Due lists of the other presses") || len(figure.FindAllString(page, -1)) != 3 {
		t.Errorf("of three presses: %s", text(page))
	}
}

// events reads a stream of events; the function it gives waits for one of a name that holds a text, and returns its data.
func events(t *testing.T, url string) func(name, what string) string {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { resp.Body.Close() })
	if got := resp.Header.Get("Content-Type"); resp.StatusCode != http.StatusOK || got != "text/event-stream" {
		t.Fatalf("%s: %s, %s", url, resp.Status, got)
	}
	said := make(chan string, 64)
	go func() {
		defer close(said)
		var b [64 << 10]byte
		for {
			n, err := resp.Body.Read(b[:])
			if n > 0 {
				said <- string(b[:n])
			}
			if err != nil {
				return
			}
		}
	}()
	all := ""
	return func(name, what string) string {
		t.Helper()
		for end := time.After(20 * time.Second); ; {
			for {
				one, rest, whole := strings.Cut(all, "\n\n")
				if !whole {
					break
				}
				all = rest
				if strings.Contains(one, "event: "+name+"\n") && strings.Contains(one, what) {
					return strings.ReplaceAll(one, "data: ", "")
				}
			}
			select {
			case x, open := <-said:
				if all += x; !open {
					t.Fatalf("the stream ended without %s %q: %s", name, what, all)
				}
			case <-end:
				t.Fatalf("no %s with %q: %s", name, what, all)
			}
		}
	}
}

// The due lists are sent as the api's watch sends them; where that ends it is told, and begun again.
func TestDutiesLive(t *testing.T) {
	s, f := newSite(t, "")
	srv := httptest.NewServer(s)
	t.Cleanup(srv.Close)
	t.Cleanup(srv.CloseClientConnections)
	sent := events(t, srv.URL+"/duties/live?scope=rhein/p1")
	first := sent("part", "lamp")
	for _, want := range []string{caution, "UV lamps", "Overdue first", `class="over"`} {
		if !strings.Contains(html.UnescapeString(first), want) {
			t.Errorf("no %q in %s", want, first)
		}
	}
	set := func(change func()) { f.mu.Lock(); change(); f.mu.Unlock() }
	set(func() { f.done = true })
	if got := sent("part", "41 of 60 km"); strings.Contains(got, "lamp's window") {
		t.Errorf("the task that was done is still there: %s", got)
	}
	set(func() { f.cut = true })
	sent("trouble", "does not answer")
	set(func() { f.cut, f.done = false, false })
	sent("part", "lamp")
	if resp, err := http.Get(srv.URL + "/duties/live?scope=Rhein"); err != nil || resp.StatusCode != 400 {
		t.Errorf("a mistyped address: %v, %v", resp.Status, err)
	}
}

// A stream that cannot begin says so and asks the browser to come again, which it does only after a good status.
func TestLiveComesAgain(t *testing.T) {
	s, _ := newSite(t, "down")
	for _, path := range []string{"/duties/live", "/fleet/live", "/losses/live"} {
		code, page, h := get(t, s, path)
		if code != 200 || h.Get("Content-Type") != "text/event-stream" || !strings.Contains(page, "retry: ") || !strings.Contains(page, "event: trouble\ndata: A part of the line does not answer\n\n") {
			t.Errorf("%s: %d %q", path, code, page)
		}
	}
}

// That figures have moved is said when the page would print other ones, not when something was stored that changes none;
// and the page itself asks no more for it.
func TestFiguresMoved(t *testing.T) {
	s, f := newSite(t, "")
	srv := httptest.NewServer(s)
	t.Cleanup(srv.Close)
	t.Cleanup(srv.CloseClientConnections)
	_, page, _ := get(t, s, "/?scope=rhein")
	if f.asked != 1 {
		t.Errorf("the page asked for losses %d times", f.asked)
	}
	at := html.UnescapeString(regexp.MustCompile(`data-live="([^"]*)"`).FindStringSubmatch(page)[1])
	set := func(change func()) { f.mu.Lock(); change(); f.mu.Unlock() }
	set(func() { f.pos = 1 })
	sent := events(t, srv.URL+at)
	time.Sleep(time.Second)
	f.mu.Lock()
	if f.asked != 2 {
		t.Errorf("after an insert losses were asked for %d times", f.asked)
	}
	f.mu.Unlock()
	set(func() { f.extra = 90 })
	got := sent("part", "moved") // as the first look, within the minute after the insert
	if !strings.Contains(got, "Figures have moved since 16:02.") || !strings.Contains(got, `<a href="">`) {
		t.Errorf("%s", got)
	}
	// A page of the newest days is told at once that a day has begun; one of fixed days is not.
	old := strings.NewReplacer("from=2026-06-01", "from=2026-05-31", "to=2026-06-28", "to=2026-06-27").Replace(at)
	events(t, srv.URL+old)("part", "moved")
	for _, bad := range []string{"/losses/live", "/losses/live?pos=1&since=x&seen=y", "/losses/live?pos=1&since=2"} {
		if code, _, _ := get(t, s, bad); code != 400 {
			t.Errorf("%s: %d", bad, code)
		}
	}
}
