package page_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// browser starts a Chromium of its own. Where there is none the test fails in
// CI, and is skipped elsewhere.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("no chromium: %v", err)
		}
		t.Skipf("needs chromium (Debian package chromium): %v", err)
	}
	opts := []chromedp.ExecAllocatorOption{chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir())}
	for _, f := range []string{"headless", "no-sandbox", "disable-gpu", "no-first-run", "disable-background-networking", "disable-component-update", "disable-sync",
		"disable-dev-shm-usage", "hide-scrollbars", "disable-background-timer-throttling", "disable-renderer-backgrounding", "disable-backgrounding-occluded-windows"} {
		opts = append(opts, chromedp.Flag(f, true))
	}
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(alloc)
	t.Cleanup(end)
	if err := chromedp.Do(ctx); err != nil { // without a bound: it would end the browser
		t.Fatal(err)
	}
	return ctx
}

// tablet is one tab with touch.
type tablet struct {
	t     *testing.T
	s     *shop
	ctx   context.Context
	name  string
	shots string // directory; empty: none are kept

	mu    sync.Mutex
	wrong []string // said on the console
}

var sizes = [][2]int64{{800, 1280}, {1280, 800}}

func (s *shop) tablet(t *testing.T, parent context.Context, size [2]int64) *tablet {
	t.Helper()
	ctx, stop := chromedp.NewContext(parent)
	t.Cleanup(stop)
	x := &tablet{t: t, s: s, ctx: ctx, name: fmt.Sprintf("%dx%d", size[0], size[1]), shots: os.Getenv("DOWNWEB_SCREENSHOTS")}
	if err := chromedp.Listen(ctx, x.hear); err != nil {
		t.Fatal(err)
	}
	x.do(chromedp.EmulateViewport(size[0], size[1], chromedp.EmulateTouch, chromedp.EmulateMobile))
	x.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{})
		return err
	}))
	return x
}

func (x *tablet) hear(ev any) {
	said := ""
	switch ev := ev.(type) {
	case *log.EventEntryAdded:
		said = string(ev.Entry.Level) + ": " + ev.Entry.Text + " " + ev.Entry.URL
	case *runtime.EventConsoleAPICalled:
		said = fmt.Sprint("console ", ev.Type)
	case *runtime.EventExceptionThrown:
		said = "exception: " + ev.ExceptionDetails.Text
	case *network.EventRequestWillBeSent:
		if !strings.HasPrefix(ev.Request.URL, x.s.url+"/") && !strings.HasPrefix(ev.Request.URL, "data:") {
			said = "a request elsewhere: " + ev.Request.URL
		}
	}
	if said != "" {
		x.mu.Lock()
		x.wrong = append(x.wrong, said)
		x.mu.Unlock()
	}
}

// quiet checks that nothing went wrong on the console, and forgets it.
func (x *tablet) quiet() {
	x.t.Helper()
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, w := range x.wrong {
		x.t.Errorf("%s: console: %s", x.name, w)
	}
	x.wrong = nil
}

func (x *tablet) forget() {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.wrong = nil
}

func (x *tablet) do(a ...chromedp.Action[chromedp.Void]) {
	x.t.Helper()
	ctx, stop := context.WithTimeout(x.ctx, 30*time.Second)
	defer stop()
	if err := chromedp.Do(ctx, a...); err != nil {
		x.t.Fatalf("%s: %v", x.name, err)
	}
}

func evaluate[T any](x *tablet, expression string) (T, error) {
	ctx, stop := context.WithTimeout(x.ctx, 30*time.Second)
	defer stop()
	return chromedp.Run(ctx, chromedp.Evaluate[T](expression))
}

func eval[T any](x *tablet, expression string) T {
	x.t.Helper()
	v, err := evaluate[T](x, expression)
	if err != nil {
		x.t.Fatalf("%s: %s: %v", x.name, expression, err)
	}
	return v
}

func (x *tablet) open(path string) {
	x.t.Helper()
	x.do(chromedp.Navigate(x.s.url + path))
}

// sees waits until an expression holds.
func (x *tablet) sees(what, expression string) {
	x.t.Helper()
	for end := time.Now().Add(15 * time.Second); time.Now().Before(end); time.Sleep(30 * time.Millisecond) {
		// A page may be on its way: then there is an error, or half a page.
		if yes, err := evaluate[bool](x, "(() => { try { return !!("+expression+"); } catch { return false; } })()"); err == nil && yes {
			return
		}
	}
	x.shot("failed")
	x.t.Fatalf("%s: %s: not within 15 s: %s\n%s", x.name, what, expression, eval[string](x, "document.body.innerText"))
}

func quoted(s string) string {
	b, _ := json.Marshal(s)
	return string(b)
}

func has(css string) string { return "document.querySelector(" + quoted(css) + ")" }

func says(text string) string { return "document.body.innerText.includes(" + quoted(text) + ")" }

// touch puts a finger on an element, by a selector and, where given, its text.
func (x *tablet) touch(css string, text ...string) {
	x.t.Helper()
	find := "[...document.querySelectorAll(" + quoted(css) + ")].find(e => e.checkVisibility() && e.innerText.includes(" + quoted(strings.Join(text, "")) + "))"
	// Until a page is painted the browser drops what is touched.
	x.sees("something to touch", "document.readyState === 'complete' && performance.getEntriesByName('first-contentful-paint').length > 0 && "+find)
	at := eval[[]float64](x, "(() => { const e = "+find+"; e.scrollIntoView({block: 'center', behavior: 'instant'}); const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()")
	x.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		for _, p := range []input.DispatchTouchEventParams{
			{Type: "touchStart", TouchPoints: []*input.TouchPoint{{X: at[0], Y: at[1]}}},
			{Type: "touchEnd", TouchPoints: []*input.TouchPoint{}},
		} {
			if _, err := cdp.Call(ctx, t, input.DispatchTouchEvent, p); err != nil {
				return err
			}
		}
		return nil
	}))
}

func (x *tablet) shot(name string) {
	x.t.Helper()
	if x.shots == "" {
		return
	}
	for kind, a := range map[string]chromedp.Action[[]byte]{"": chromedp.CaptureScreenshot(), "-whole": chromedp.FullScreenshot(100)} {
		ctx, stop := context.WithTimeout(x.ctx, 30*time.Second)
		b, err := chromedp.Run(ctx, a)
		stop()
		if err == nil {
			err = os.WriteFile(filepath.Join(x.shots, x.name+"-"+name+kind+".png"), b, 0o600)
		}
		if err != nil {
			x.t.Error(err)
		}
	}
}

// measure says what is too small, too pale, cut off or covered on the page as it
// is. Contrast is that of WCAG 2.2, relative luminance and contrast ratio as in
// its glossary: 7 for text (success criterion 1.4.6), 3 for the edge of what is
// touched (1.4.11). 64 px is the size asked for here; 48 px letters are those
// that page.css says are read at two meters.
const measure = `(() => {
  const bad = [];
  const name = (e) => e.tagName + '.' + e.className + ' ' + (e.innerText || e.name || '').slice(0, 30);
  const seen = (e) => e.checkVisibility({ checkOpacity: true, checkVisibilityCSS: true });
  const rgb = (s) => { const m = s.match(/[\d.]+/g).map(Number); return m.length === 4 ? m : [...m, 1]; };
  const lum = (c) => { const f = c.slice(0, 3).map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
  const ratio = (a, b) => { const [x, y] = [lum(a), lum(b)]; return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05); };
  const ground = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c[3] === 1) return c; if (c[3] !== 0) bad.push('a ground that is see-through: ' + name(e)); } return [255, 255, 255, 1]; };
  let least = 99, targets = 0, texts = 0, smallest = 999;
  for (const e of document.querySelectorAll('a[href], button, summary, input:not([type=hidden]), select, label.choice')) {
    if (!seen(e) || e.closest('label.choice') && e.tagName === 'INPUT') continue;
    targets++;
    const r = e.getBoundingClientRect();
    smallest = Math.min(smallest, r.width, r.height);
    if (r.width < 64 || r.height < 64) bad.push('target ' + Math.round(r.width) + 'x' + Math.round(r.height) + ': ' + name(e));
    if (r.left < -1 || r.right > WIDTH + 1) bad.push('cut off: ' + name(e));
    const s = getComputedStyle(e);
    if (parseFloat(s.borderTopWidth) > 0 && ratio(rgb(s.borderTopColor), ground(e.parentElement)) < 3) bad.push('edge of ' + name(e));
    e.scrollIntoView({ block: 'center', behavior: 'instant' });
    const q = e.getBoundingClientRect(), hit = document.elementFromPoint(q.x + q.width / 2, q.y + q.height / 2);
    if (!hit || !(e.contains(hit) || hit.contains(e))) bad.push('covered: ' + name(e));
  }
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const e = n.parentElement;
    if (!n.textContent.trim() || !seen(e) || ['SCRIPT', 'NOSCRIPT', 'OPTION'].includes(e.tagName)) continue;
    texts++;
    const s = getComputedStyle(e), c = ratio(rgb(s.color), ground(e));
    least = Math.min(least, c);
    if (c < 7) bad.push('contrast ' + c.toFixed(2) + ': ' + name(e));
    if (!document.body.classList.contains('paper') && parseFloat(s.fontSize) < 24) bad.push('letters of ' + s.fontSize + ': ' + name(e));
    const b = document.createRange();
    for (const m of e.closest('button, .big, h1, h3, th') ? n.textContent.matchAll(/[^\s-]+/g) : []) {
      b.setStart(n, m.index); b.setEnd(n, m.index + m[0].length);
      if (new Set([...b.getClientRects()].map((r) => Math.round(r.top))).size > 1) bad.push('a word in pieces: ' + m[0]);
    }
    b.selectNodeContents(n);
    for (const r of b.getClientRects()) if (r.right > WIDTH + 1) bad.push('text cut off: ' + name(e));
  }
  for (const e of document.querySelectorAll('h1, .row h3, .timer, .act .done, .tick')) if (seen(e) && parseFloat(getComputedStyle(e).fontSize) < 48) bad.push('not read at two meters: ' + name(e));
  if (document.documentElement.scrollWidth > WIDTH) bad.push('wider than the tablet: ' + document.documentElement.scrollWidth);
  scrollTo(0, 0);
  return JSON.stringify({ bad, least, targets, texts, smallest });
})()`

// measuring is measure for this tablet's width: a page that is too wide makes
// the browser's own width follow it.
func (x *tablet) measuring() string {
	width, _, _ := strings.Cut(x.name, "x")
	return strings.ReplaceAll(measure, "WIDTH", width)
}

func (x *tablet) measure(what string, leastTargets int) {
	x.t.Helper()
	var got struct {
		Bad             []string
		Least, Smallest float64
		Targets, Texts  int
	}
	x.sees("the whole page", "document.readyState === 'complete'")
	if err := json.Unmarshal([]byte(eval[string](x, x.measuring())), &got); err != nil {
		x.t.Fatal(err)
	}
	for _, b := range got.Bad {
		x.t.Errorf("%s %s: %s", x.name, what, b)
	}
	if got.Targets < leastTargets || got.Texts < 5 {
		x.t.Errorf("%s %s: only %d targets and %d texts were measured", x.name, what, got.Targets, got.Texts)
	}
	x.t.Logf("%s %s: %d targets, smallest side %.0f px; %d texts, least contrast %.1f", x.name, what, got.Targets, got.Smallest, got.Texts, got.Least)
	x.shot(what)
}

// What is measured can be found wanting.
func TestMeasure(t *testing.T) {
	s := newShop(t)
	x := s.tablet(t, browser(t), sizes[0])
	x.open("/" + pressID)
	eval[bool](x, `(() => { const b = document.createElement('button'); b.textContent = 'small'; b.style.minHeight = b.style.height = '40px'; b.style.minWidth = b.style.width = '40px'; b.style.padding = '0'; b.style.color = '#999'; document.body.append(b); return true; })()`)
	got := eval[string](x, x.measuring())
	if !strings.Contains(got, "target 40x40") || !strings.Contains(got, "contrast 2.") {
		t.Errorf("a small pale button is not found: %s", got)
	}
}

// A day at the press, by touch, in both orientations and languages: begin, sign,
// leave out, undo, the other tablet, the server away and back, hand back.
func TestBrowser(t *testing.T) {
	root := browser(t)
	for _, size := range sizes {
		t.Run(fmt.Sprintf("%dx%d", size[0], size[1]), func(t *testing.T) {
			s := newShop(t)
			x, other := s.tablet(t, root, size), s.tablet(t, root, size)
			x.open("/")
			x.measure("list", 3)
			x.touch("a.press", "Press 1")
			x.sees("the press", has("h1")+".innerText === 'Press 1'")
			x.measure("begin", 10)
			other.open("/" + pressID)
			x.touch("button[name=occasion]", "Start-up")
			x.sees("the timer", has(".timer")+".innerText.match(/^0:00:0[1-9]$/)")
			other.sees("the session on the other tablet", has(".timer"))
			x.measure("open", 15)

			for _, task := range []string{"corona-wipe", "web-cleaner-clean"} {
				x.touch("#row-" + task + " button.done")
				x.sees("signed", has("#row-"+task+".over .state"))
				began := time.Now()
				other.sees("signed on the other tablet", has("#row-"+task+".over"))
				if d := time.Since(began); d > 2*time.Second {
					t.Errorf("told after %v", d)
				}
			}
			// Found, what and a note; and nothing of it is lost when the other
			// tablet signs in between.
			x.touch("#row-heads-wipe summary")
			x.touch("#row-heads-wipe label.choice", "Heavily soiled")
			x.touch("#row-heads-wipe label.choice", "Inspected")
			eval[bool](x, has("#row-heads-wipe input[name=note]")+".value = 'streak at lane 2', true")
			x.measure("more", 20)
			other.touch("#row-camera-lens button.done")
			x.sees("the other's sign-off", has("#row-camera-lens.over"))
			x.sees("what was being said", has("#row-heads-wipe details[open]")+" && "+has("#row-heads-wipe input[name=found][value='3']")+".checked && "+has("#row-heads-wipe input[name=note]")+".value === 'streak at lane 2'")
			x.touch("#row-heads-wipe button.done", "with this")
			x.sees("signed with this", has("#row-heads-wipe.over")+" && "+says("Heavily soiled"))
			// Left out, taken back, signed.
			x.touch("details.group summary", "Later")
			x.touch("#row-uv-1-clean details.more summary")
			x.touch("#row-uv-1-clean button[name=reason]", "No access")
			x.sees("left out", has("#row-uv-1-clean .state.left"))
			x.touch("#row-camera-lens .undo button")
			x.sees("open again", has("#row-camera-lens:not(.over) button.done"))
			x.measure("signed", 15)
			// The reason for the last stop.
			x.touch("#stop summary")
			x.touch("#stop button[name=reason]", "Web break")
			x.sees("told", has("#stop .told"))

			// The server away, and back; the page survives a reload.
			s.env.Stop()
			x.sees("the server is away", says("SERVER NOT REACHED"))
			x.touch("#row-camera-lens button.done")
			x.sees("signed without server", has("#row-camera-lens.over"))
			x.do(chromedp.Reload())
			x.sees("the same after a reload", says("SERVER NOT REACHED")+" && "+has("#row-camera-lens.over")+" && "+has("#row-corona-wipe.over")+" && "+has(".timer"))
			x.measure("away", 15)
			s.env.Restart()
			x.sees("the server is back", "!"+says("SERVER NOT REACHED"))

			// German, and the hand-back.
			x.touch("button[name=lang]", "Deutsch")
			x.sees("German", has("h1")+" && "+says("Maschine zurückgeben"))
			x.measure("de", 15)
			x.touch("a.big", "Maschine zurückgeben")
			x.sees("the checks", has("#close"))
			x.touch("label.choice", "Werkzeug")
			x.sees("the tick", has("input[name=check_tools]:checked"))
			x.touch("#close button.done")
			x.sees("what is missing", has("#missing")+" && "+has("input[name=check_tools]")+".checked")
			x.measure("close", 6)
			x.touch("label.choice", "Schutzeinrichtungen")
			x.touch("label.choice", "Freischaltung")
			x.touch("#close button.done")
			x.sees("handed back", has("button[name=occasion]"))
			other.sees("handed back on the other tablet", has("button[name=occasion]"))
			x.measure("begin-de", 10)
			for _, p := range []string{"paper", "later"} {
				x.open("/" + pressID + "/" + p)
				x.measure(p+"-de", 3)
			}
			x.touch("button[name=lang]", "English")
			x.sees("English", has("html")+".lang === 'en'")
			x.measure("later", 30)
			x.open("/" + pressID + "/paper")
			x.measure("paper", 3)
			x.quiet()
			other.quiet()
			if got, want := kinds(s.stored()), "open, sign corona-wipe, sign web-cleaner-clean, sign camera-lens, sign heads-wipe, skip uv-1-clean, void 4, why web-break, sign camera-lens, close"; got != want {
				t.Errorf("events %s, want %s", got, want)
			}
			evs := s.stored()
			if n := evs[4].GetStationSignedOff(); n.Note != "streak at lane 2" || n.GetConditionFound() != 3 || n.Outcome != 2 {
				t.Errorf("%v", n)
			}
			if c := evs[9].GetCleaningClosed(); !c.ToolsCountedOut || !c.GuardsRestored || !c.IsolationRemoved {
				t.Errorf("%v", c)
			}
		})
	}
}

// The tablet's own link: without it nothing is taken for kept, and it comes
// back by itself.
func TestBrowserLink(t *testing.T) {
	s := newShop(t)
	x := s.tablet(t, browser(t), sizes[0])
	x.open("/" + pressID)
	x.touch("button[name=occasion]", "In between")
	x.sees("the session", has(".timer"))
	x.quiet()
	net := func(offline bool) {
		x.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
				MatchedNetworkConditions: []*network.Conditions{{Offline: offline, DownloadThroughput: -1, UploadThroughput: -1}}})
			return err
		}))
	}
	net(true)
	x.touch("#row-corona-wipe button.done")
	x.sees("the touch is said not to be kept", has("#unsent:not([hidden])"))
	x.measure("unsent", 10)
	if eval[bool](x, "!!"+has("#row-corona-wipe.over")) {
		t.Error("a touch that was not kept is shown as kept")
	}
	net(false)
	x.touch("#row-corona-wipe button.done")
	x.sees("signed", has("#row-corona-wipe.over")+" && "+has("#unsent[hidden]"))
	// The agent itself goes and comes.
	addr := s.url
	s.stop()
	x.sees("the link is gone", has("#link:not([hidden])"))
	s.startAt(strings.TrimPrefix(addr, "http://"))
	x.sees("the link is back", has("#link[hidden]")+" && "+has("#row-corona-wipe.over"))
	x.forget()
	if got := kinds(s.stored()); got != "open, sign corona-wipe" {
		t.Error(got)
	}
}

// The sheet on paper: A4, every task on it, nothing of the screen.
func TestBrowserPrint(t *testing.T) {
	s := newShop(t)
	x := s.tablet(t, browser(t), sizes[0])
	x.open("/" + pressID + "/paper")
	ctx, stop := context.WithTimeout(x.ctx, 30*time.Second)
	defer stop()
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize()))
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(pdf), "/Type /Page\n"); n != 1 {
		t.Errorf("%d pages", n)
	}
	if x.shots != "" {
		if err := os.WriteFile(filepath.Join(x.shots, "paper.pdf"), pdf, 0o600); err != nil {
			t.Error(err)
		}
	}
	x.quiet()
}
