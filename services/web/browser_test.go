package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// missing ends a test for want of something: it fails in CI, and is skipped elsewhere.
func missing(t testing.TB, format string, a ...any) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf(format, a...)
	}
	t.Skipf(format, a...)
}

// browser starts a Chromium of its own.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		missing(t, "needs chromium (Debian package chromium): %v", err)
	}
	opts := []chromedp.ExecAllocatorOption{chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir())}
	for _, f := range []string{"headless", "no-sandbox", "disable-gpu", "no-first-run", "disable-background-networking", "disable-component-update", "disable-sync",
		"disable-dev-shm-usage", "hide-scrollbars", "disable-background-timer-throttling", "disable-renderer-backgrounding", "disable-backgrounding-occluded-windows", "disable-quic"} {
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

// axe is the source of axe-core as testdata/axe pins it; npm installs it once into the user's cache and checks its
// SHA-512.
var axe = sync.OnceValues(func() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "downweb", "axe")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", err
	}
	fresh := true
	for _, name := range []string{"package.json", "package-lock.json"} {
		pinned, err := os.ReadFile(filepath.Join("testdata", "axe", name))
		if err != nil {
			return "", err
		}
		if have, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(have) != string(pinned) {
			fresh = false
			if err := os.WriteFile(filepath.Join(dir, name), pinned, 0o600); err != nil {
				return "", err
			}
		}
	}
	file := filepath.Join(dir, "node_modules", "axe-core", "axe.min.js")
	if _, err := os.Stat(file); err != nil || !fresh {
		npm, err := exec.LookPath("npm")
		if err != nil {
			return "", err
		}
		ctx, stop := context.WithTimeout(context.Background(), 3*time.Minute)
		defer stop()
		cmd := exec.CommandContext(ctx, npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline", "--loglevel=error")
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			os.Remove(filepath.Join(dir, "package-lock.json")) // so that the next run tries again
			return "", fmt.Errorf("npm ci: %w: %s", err, out)
		}
	}
	text, err := os.ReadFile(file)
	return string(text), err
})

// tab is one tab.
type tab struct {
	t     *testing.T
	ctx   context.Context
	url   string
	width int64
	shots string // directory; empty: none are kept

	mu    sync.Mutex
	wrong []string // said on the console, or asked elsewhere
}

func newTab(t *testing.T, parent context.Context, url string, width, height int64) *tab {
	t.Helper()
	ctx, stop := chromedp.NewContext(parent)
	t.Cleanup(stop)
	x := &tab{t: t, ctx: ctx, url: url, width: width, shots: os.Getenv("DOWNWEB_SCREENSHOTS")}
	if err := chromedp.Listen(ctx, x.hear); err != nil {
		t.Fatal(err)
	}
	x.do(chromedp.EmulateViewport(width, height))
	x.call(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{})
		return err
	})
	return x
}

func (x *tab) hear(ev any) {
	said := ""
	switch ev := ev.(type) {
	case *log.EventEntryAdded:
		said = string(ev.Entry.Level) + ": " + ev.Entry.Text + " " + ev.Entry.URL
	case *runtime.EventConsoleAPICalled:
		said = fmt.Sprint("console ", ev.Type)
	case *runtime.EventExceptionThrown:
		said = "exception: " + ev.ExceptionDetails.Text
	case *network.EventRequestWillBeSent:
		if !strings.HasPrefix(ev.Request.URL, x.url+"/") && !strings.HasPrefix(ev.Request.URL, "data:") {
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
func (x *tab) quiet(what string) {
	x.t.Helper()
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, w := range x.wrong {
		x.t.Errorf("%s: console: %s", what, w)
	}
	x.wrong = nil
}

func (x *tab) do(a ...chromedp.Action[chromedp.Void]) {
	x.t.Helper()
	ctx, stop := context.WithTimeout(x.ctx, 60*time.Second)
	defer stop()
	if err := chromedp.Do(ctx, a...); err != nil {
		x.t.Fatal(err)
	}
}

func (x *tab) call(f func(ctx context.Context, t *chromedp.Target) error) {
	x.t.Helper()
	x.do(chromedp.Func(f))
}

func evaluate[T any](x *tab, expression string) (T, error) {
	ctx, stop := context.WithTimeout(x.ctx, 60*time.Second)
	defer stop()
	return chromedp.Run(ctx, chromedp.Evaluate[T](expression, func(p *runtime.EvaluateParams) { p.AwaitPromise = new(true) }))
}

func eval[T any](x *tab, expression string) T {
	x.t.Helper()
	v, err := evaluate[T](x, expression)
	if err != nil {
		x.t.Fatalf("%.120s: %v", expression, err)
	}
	return v
}

// media sets what the browser says of its screen: "light", "dark" or "print".
func (x *tab) media(name string) {
	x.t.Helper()
	p := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}}
	if name == "print" {
		p.Media, p.Features[0].Value = "print", "light"
	}
	x.call(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, p)
		return err
	})
}

func (x *tab) open(path string) {
	x.t.Helper()
	x.do(chromedp.Navigate(x.url + path))
}

// sees waits until an expression holds.
func (x *tab) sees(what, expression string) {
	x.t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(30 * time.Millisecond) {
		// A page may be on its way: then there is an error, or half a page.
		if yes, err := evaluate[bool](x, "(() => { try { return !!("+expression+"); } catch { return false; } })()"); err == nil && yes {
			return
		}
	}
	x.shot("failed")
	x.t.Fatalf("%s: not within 20 s: %s\n%s", what, expression, eval[string](x, "document.body.innerText"))
}

// click clicks an element, by a selector and its text.
func (x *tab) click(css, text string) {
	x.t.Helper()
	x.sees("something to click", "document.readyState === 'complete' && [...document.querySelectorAll("+quoted(css)+")].some(e => e.checkVisibility() && e.innerText.includes("+quoted(text)+"))")
	eval[bool](x, "(() => { [...document.querySelectorAll("+quoted(css)+")].find(e => e.checkVisibility() && e.innerText.includes("+quoted(text)+")).click(); return true; })()")
}

func quoted(s string) string {
	b, _ := json.Marshal(s)
	return string(b)
}

func (x *tab) shot(name string) {
	x.t.Helper()
	if x.shots == "" {
		return
	}
	ctx, stop := context.WithTimeout(x.ctx, 60*time.Second)
	defer stop()
	b, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(x.shots, name+".png"), b, 0o600)
	}
	if err != nil {
		x.t.Error(err)
	}
}

// measure says what is too pale, too small, cut off or wider than the window. Contrast is that of WCAG 2.2 (relative
// luminance and contrast ratio of its glossary): 4.5 for text (1.4.3), 3 for large text and for what is drawn and says
// something (1.4.11). Targets are at least 24 px (2.5.8), but for links in a run of words.
const measure = `(() => {
  const bad = [];
  const name = (e) => e.tagName + '.' + (e.getAttribute('class') || '') + ' ' + (e.innerText || '').slice(0, 30);
  const seen = (e) => e.checkVisibility({ checkOpacity: true, checkVisibilityCSS: true });
  const canvas = document.createElement('canvas').getContext('2d', { willReadFrequently: true });
  const rgb = (s) => { canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = s; canvas.fillRect(0, 0, 1, 1); const d = canvas.getImageData(0, 0, 1, 1).data; return [d[0], d[1], d[2], d[3] / 255]; };
  const lum = (c) => { const f = c.slice(0, 3).map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
  const ratio = (a, b) => { const [x, y] = [lum(a), lum(b)]; return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05); };
  const ground = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c[3] > 0.99) return c; if (c[3] > 0.01) bad.push('a ground that is see-through: ' + name(e)); } return [255, 255, 255, 1]; };
  let least = 99, leastCell = 99, leastDrawn = 99, texts = 0, cells = 0, drawn = 0, targets = 0;
  const width = innerWidth;
  if (document.documentElement.scrollWidth > width) bad.push('wider than the window: ' + document.documentElement.scrollWidth + ' ' + [...document.querySelectorAll('main *')].filter((e) => !e.closest('.scroll, .vh') && e.getBoundingClientRect().right > width + 1).slice(0, 3).map(name).join('; '));
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const e = n.parentElement;
    if (!n.textContent.trim() || !seen(e) || e.closest('.vh, .skip, script, noscript, option, optgroup')) continue;
    texts++;
    const s = getComputedStyle(e), c = ratio(rgb(s.color), ground(e)), size = parseFloat(s.fontSize);
    least = Math.min(least, c);
    if (e.closest('td[class^=h]')) { cells++; leastCell = Math.min(leastCell, c); }
    if (c < (size >= 24 || size >= 18.66 && +s.fontWeight >= 700 ? 3 : 4.5)) bad.push('contrast ' + c.toFixed(2) + ': ' + name(e));
    if (size < 12) bad.push('letters of ' + s.fontSize + ': ' + name(e));
    if (!e.closest('.scroll')) { const b = document.createRange(); b.selectNodeContents(n); for (const r of b.getClientRects()) if (r.right > width + 1) bad.push('text cut off: ' + name(e)); }
  }
  for (const e of document.querySelectorAll('svg rect, svg circle, svg path')) {
    if (!seen(e) || e.classList.contains('track')) continue;
    drawn++;
    const c = ratio(rgb(getComputedStyle(e).fill), ground(e.closest('svg').parentElement));
    leastDrawn = Math.min(leastDrawn, c);
    if (c < 3) bad.push('drawn contrast ' + c.toFixed(2) + ': ' + name(e));
    const r = e.getBoundingClientRect(), box = e.closest('svg').getBoundingClientRect();
    if (r.width < 0.5 || r.left < box.left - 1 || r.right > box.right + 1) bad.push('a bar outside its picture: ' + name(e) + ' ' + e.getAttribute('x') + ' ' + e.getAttribute('width'));
  }
  for (const e of document.querySelectorAll('a[href], button, select, input:not([type=hidden]), summary')) {
    if (!seen(e) || e.closest('.skip') || e.matches('.skip')) continue;
    targets++;
    const r = e.getBoundingClientRect(), inline = e.tagName === 'A' && getComputedStyle(e).display === 'inline';
    if (!inline && (r.width < 24 || r.height < 24) && !(e.type === 'checkbox' && e.closest('label').getBoundingClientRect().height >= 24)) bad.push('target ' + Math.round(r.width) + 'x' + Math.round(r.height) + ': ' + name(e));
  }
  return JSON.stringify({ bad, least, leastCell, leastDrawn, texts, cells, drawn, targets });
})()`

type measured struct {
	Bad                          []string
	Least, LeastCell, LeastDrawn float64
	Texts, Cells, Drawn, Targets int
}

func (x *tab) measure(what string) (m measured) {
	x.t.Helper()
	if err := json.Unmarshal([]byte(eval[string](x, measure)), &m); err != nil {
		x.t.Fatal(err)
	}
	for _, b := range m.Bad {
		x.t.Errorf("%s: %s", what, b)
	}
	return m
}

// accessible runs axe with the rules of WCAG 2.0 to 2.2, A and AA.
func (x *tab) accessible(what, source string) {
	x.t.Helper()
	found := eval[string](x, source+`; axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }).then((r) => JSON.stringify({ n: r.passes.length, v: r.violations.map((v) => v.impact + ' ' + v.id + ': ' + v.help + ' ' + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 120)).join(' | ')) }))`)
	var got struct {
		N int
		V []string
	}
	if err := json.Unmarshal([]byte(found), &got); err != nil {
		x.t.Fatal(err)
	}
	for _, v := range got.V {
		x.t.Errorf("%s: axe: %s", what, v)
	}
	if got.N < 10 {
		x.t.Errorf("%s: axe passed only %d rules", what, got.N)
	}
}

// shownPages are the pages that are looked at, by name.
var shownPages = [][2]string{{"losses", "/"}, {"losses-scale", "/?scope=rhein&scale=losses&by=day"}, {"leaf", "/losses/leaf?leaf=contamination_stop"}, {"session", everyPage[5]}, {"events", everyPage[6]}, {"trend", "/losses/trend"}, {"compare", "/losses/compare"},
	{"stations", "/stations"}, {"station", "/stations?station=uv-1"}, {"duties", "/duties"}, {"duties-press", "/duties?scope=rhein/p1"}, {"studies", "/studies"}, {"study", "/studies/" + studyID}, {"study-going", "/studies/going"}, {"fleet", "/fleet"}, {"trouble", "/?scope=Rhein"}}

// Every page at three widths, light and dark, and on paper: nothing too pale, too small, cut off or wider than the
// window, nothing on the console, no request elsewhere, and nothing that axe finds.
func TestBrowserPages(t *testing.T) {
	root := browser(t)
	source, err := axe()
	if err != nil {
		missing(t, "needs axe-core (npm): %v", err)
	}
	for _, mood := range []string{"", "long"} {
		s, _ := newSite(t, mood)
		srv := httptest.NewServer(s)
		t.Cleanup(srv.CloseClientConnections)
		x := newTab(t, root, srv.URL, 1280, 900)
		sum := measured{Least: 99, LeastCell: 99, LeastDrawn: 99}
		for _, size := range [][2]int64{{360, 740}, {1280, 900}, {2560, 1440}} {
			looks := []string{"light"}
			if size[0] == 1280 && mood == "" || x.shots != "" {
				looks = append(looks, "dark")
			}
			x.width = size[0]
			x.do(chromedp.EmulateViewport(size[0], size[1]))
			for i, p := range shownPages {
				if mood == "long" && (size[0] == 2560 || i%3 != 0) { // names that never end: a third of the pages will do
					continue
				}
				if size[0] == 2560 && i%2 != 0 && x.shots == "" {
					continue
				}
				x.media("light")
				x.open(p[1])
				for _, look := range looks {
					what := fmt.Sprintf("%s%s-%d-%s", mood, p[0], size[0], look)
					x.media(look)
					m := x.measure(what)
					sum.Least, sum.LeastCell, sum.LeastDrawn = min(sum.Least, m.Least), min(sum.LeastCell, m.LeastCell), min(sum.LeastDrawn, m.LeastDrawn)
					sum.Texts, sum.Cells, sum.Drawn, sum.Targets = sum.Texts+m.Texts, sum.Cells+m.Cells, sum.Drawn+m.Drawn, sum.Targets+m.Targets
					if mood == "" && look == "light" && (size[0] == 1280 || size[0] == 360 && i%4 == 0) {
						x.accessible(what, source)
					}
					x.shot(what)
				}
				if size[0] == 1280 && mood == "" {
					x.media("print")
					x.shot(p[0] + "-print")
				}
				if p[0] == "trouble" { // a browser says so of every answer that is an error
					x.mu.Lock()
					x.wrong = nil
					x.mu.Unlock()
				}
				x.quiet(p[0])
			}
		}
		if sum.Cells < 100 && mood == "" || mood == "" && (sum.Texts < 5000 || sum.Drawn < 1000 || sum.Targets < 1000) || sum.Texts < 500 {
			t.Errorf("only %d texts, %d cells, %d drawn, %d targets were measured", sum.Texts, sum.Cells, sum.Drawn, sum.Targets)
		}
		t.Logf("%q: %d texts, least contrast %.2f; %d cells of the map, least %.2f; %d drawn, least %.2f; %d targets", mood, sum.Texts, sum.Least, sum.Cells, sum.LeastCell, sum.Drawn, sum.LeastDrawn, sum.Targets)
	}
}

// What is measured can be found wanting.
func TestBrowserMeasure(t *testing.T) {
	root := browser(t)
	s, _ := newSite(t, "")
	srv := httptest.NewServer(s)
	t.Cleanup(srv.CloseClientConnections)
	x := newTab(t, root, srv.URL, 360, 740)
	x.open("/duties?scope=rhein/p1")
	eval[bool](x, `(() => { const b = document.createElement('button'); b.textContent = 'x'; b.style.cssText = 'min-height:0;height:12px;width:12px;padding:0;color:#999;background:#aaa'; document.querySelector('main').append(b);
		const c = document.querySelector('td.h5'); c.style.color = '#000'; const r = document.querySelector('svg rect.whole'); r.style.fill = '#eee'; const w = document.createElement('div'); w.style.width = '900px'; w.textContent = 'wide'; document.querySelector('main').append(w); return true; })()`)
	got := eval[string](x, measure)
	for _, want := range []string{"target 12x12", "contrast 1.", "TD.h5", "drawn contrast", "wider than the window"} {
		if !strings.Contains(got, want) && !(want == "TD.h5" && strings.Contains(got, "SPAN")) {
			t.Errorf("%q is not found: %s", want, got)
		}
	}
}

// From the sentence to the slices, by clicks and keys; the picker carries on.
func TestBrowserDrill(t *testing.T) {
	root := browser(t)
	s, f := newSite(t, "")
	srv := httptest.NewServer(s)
	t.Cleanup(srv.CloseClientConnections)
	x := newTab(t, root, srv.URL, 1280, 900)

	// The keyboard: the first tab stop skips to the answer, the next ones are the menu.
	x.open("/")
	x.do(chromedp.KeyEvent("\t"))
	x.sees("the skip link", "document.activeElement.className === 'skip' && document.activeElement.getBoundingClientRect().left >= 0")
	x.do(chromedp.KeyEvent("\r"))
	x.sees("the answer", "document.activeElement.id === 'main'")
	x.do(chromedp.KeyEvent("\t"))
	x.sees("the first part of the sentence", "document.activeElement.closest('h1.answer')")
	x.sees("its ring", "getComputedStyle(document.activeElement).outlineStyle === 'solid'")

	// The picker: one press, its days stay.
	eval[bool](x, `(() => { document.querySelector('select[name=scope]').value = 'rhein/p1'; document.querySelector('input[name=from]').value = '2026-06-15'; return true; })()`)
	x.click(".pick button", "Show")
	x.sees("the press", "location.search.includes('scope=rhein%2Fp1') && document.querySelector('.sub').innerText.includes('15 to 28 June 2026')")
	x.click("#ladder a", "contamination stop")
	x.sees("the leaf of the same press", "location.search.includes('scope=rhein/p1') && document.querySelector('h1').innerText.startsWith('Contamination stop')")
	x.click("td a", "session")
	x.sees("the session", "document.querySelector('h1').innerText.includes('shut-down clean')")
	eval[bool](x, "(() => { history.back(); return true; })()")
	x.sees("the leaf again", "document.querySelector('h1').innerText.startsWith('Contamination stop')")
	x.click("td a", "12 slices")
	x.sees("the slices", "document.querySelector('h1').innerText.startsWith('What was recorded') && document.body.innerText.includes('down, uv-dirt')")
	x.click("nav a", "Duties")
	x.sees("duties of the same press", "location.search.includes('scope=rhein/p1') && document.querySelector('table.heat tbody td[class^=h]')")
	x.quiet("drill")

	// The fleet keeps itself up to date.
	x.open("/fleet")
	x.sees("kept up to date", "document.getElementById('live-said').innerText.includes('kept up to date')")
	f.mu.Lock()
	f.state = pb.State_STATE_DOWN
	f.mu.Unlock()
	x.sees("the press went down", "document.querySelector('table.fleet tbody tr').innerText.includes('down, job J1')")

	// A study is asked from the form, watched, and shown when it ends.
	x.open("/studies")
	eval[bool](x, `(() => { document.querySelector('input[name=title]').value = 'By hand'; document.querySelector('input[name=station][value=uv-1]').checked = true; return true; })()`)
	x.click("#ask button", "Ask")
	x.sees("progress", "document.querySelector('progress') && document.querySelector('progress').value === 1234 && document.body.innerText.includes('1,234 of 9,999 steps')")
	x.shot("study-progress")
	close(f.release)
	x.sees("the findings", "document.getElementById('find-h') && document.querySelector('.plot img').complete")
	x.quiet("live")
	if len(f.made) != 1 || f.made[0].Title != "By hand" || len(f.made[0].Stations) != 1 || f.made[0].Period.FirstDay != "2025-12-29" {
		t.Errorf("asked for %v", f.made)
	}
	// The report is a page of its own.
	x.click("a", "The whole report")
	x.sees("the report with its own style", "document.querySelector('h1').innerText === 'Report' && getComputedStyle(document.querySelector('h1')).color === 'rgb(0, 128, 0)'")
	x.quiet("report")

	// On paper the losses are text on white, without forms.
	x.open("/")
	var paper []byte
	x.call(func(ctx context.Context, t *chromedp.Target) error {
		r, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PrintBackground: new(true), PreferCSSPageSize: new(true)})
		if err == nil {
			paper = r.Data
		}
		return err
	})
	if len(paper) < 20_000 || !strings.HasPrefix(string(paper), "%PDF-") {
		t.Errorf("%d bytes of paper", len(paper))
	}
	x.media("print")
	x.sees("no form on paper", "[...document.querySelectorAll('form, nav')].every((e) => !e.checkVisibility())")
	if x.shots != "" {
		if err := os.WriteFile(filepath.Join(x.shots, "losses.pdf"), paper, 0o600); err != nil {
			t.Error(err)
		}
	}
}

// What is due keeps itself up to date, and nothing moves under the reader's hand: what is pressed or chosen stays until it
// is let go, and focus and scrolled boxes are found again.
func TestBrowserDutiesLive(t *testing.T) {
	root := browser(t)
	source, err := axe()
	if err != nil {
		missing(t, "needs axe-core (npm): %v", err)
	}
	s, f := newSite(t, "")
	srv := httptest.NewServer(s)
	t.Cleanup(srv.CloseClientConnections)
	x := newTab(t, root, srv.URL, 360, 740)
	set := func(change func()) { f.mu.Lock(); change(); f.mu.Unlock() }
	x.open("/duties?scope=rhein/p1")
	before := eval[string](x, "(() => { const t = document.querySelector('#live table.due'); t.marked = true; return t.innerText; })()")
	x.sees("kept up to date", "document.getElementById('live-said').innerText.includes('kept up to date')")
	if !eval[bool](x, "document.querySelector('#live table.due').marked === true") {
		t.Error("the first event, which says the same, made the table anew")
	}
	if !strings.Contains(before, "Wipe the lamp's window") || !strings.Contains(before, "5 h 00 min") {
		t.Errorf("before: %s", before)
	}
	// The reader has scrolled the table and stands on it, and has text chosen: it waits.
	eval[bool](x, `(() => { const b = document.querySelector('#live .scroll'); b.scrollLeft = 40; b.focus(); getSelection().selectAllChildren(document.querySelector('#live tbody th')); return true; })()`)
	left := eval[float64](x, "document.querySelector('#live .scroll').scrollLeft")
	set(func() { f.done = true })
	time.Sleep(2500 * time.Millisecond)
	if !eval[bool](x, "document.querySelector('#live table.due').marked === true") {
		t.Error("it changed under the reader's hand")
	}
	eval[bool](x, "(() => { getSelection().removeAllRanges(); return true; })()")
	x.sees("the task that was done is gone", "!document.querySelector('#live').innerText.includes('lamp\\'s window') && document.querySelector('#live').innerText.includes('41 of 60 km')")
	// What is left of the table may be narrower, so that it cannot be scrolled as far.
	if far := min(left, eval[float64](x, "document.querySelector('#live .scroll').scrollWidth - document.querySelector('#live .scroll').clientWidth")); far < 1 || eval[float64](x, "document.querySelector('#live .scroll').scrollLeft") != far {
		t.Errorf("the table was scrolled to %v, can be to %v, and is no more", left, far)
	}
	if !eval[bool](x, "document.activeElement === document.querySelector('#live .scroll')") {
		t.Error("the focus is lost")
	}
	if !eval[bool](x, "document.querySelector('#live .caution') !== null") {
		t.Error("the cautions are gone")
	}
	x.measure("duties, changed")
	x.accessible("duties, changed", source)
	x.quiet("duties")
	// A stream that ends is told, and comes again.
	set(func() { f.cut = true })
	x.sees("that it may be old", "document.getElementById('live-said').innerText.includes('may be old')")
	set(func() { f.cut, f.done = false, false })
	x.sees("the task again", "document.querySelector('#live').innerText.includes('lamp\\'s window') && document.getElementById('live-said').innerText.includes('kept up to date')")
	x.shot("duties-live")
	x.quiet("duties again")
	// Of many presses: the lists of the others are led to, in a place that is seen.
	s, _ = newSite(t, "many")
	many := httptest.NewServer(s)
	t.Cleanup(many.CloseClientConnections)
	x = newTab(t, root, many.URL, 360, 740)
	x.open("/duties?due=2")
	x.measure("duties of many")
	x.accessible("duties of many", source)
	x.click("nav a", "25 to 31")
	x.sees("the last presses", "location.search.includes('due=3') && document.querySelectorAll('#live figure').length === 7 && document.getElementById('live').innerText.includes('Presses 25 to 31 of 31.')")
	x.quiet("duties of many")
}

// When facts arrive a line says so, in a place that was kept for it: nothing else moves, at no width.
func TestBrowserFiguresMoved(t *testing.T) {
	root := browser(t)
	source, err := axe()
	if err != nil {
		missing(t, "needs axe-core (npm): %v", err)
	}
	for _, width := range []int64{360, 1280} {
		s, f := newSite(t, "")
		srv := httptest.NewServer(s)
		t.Cleanup(srv.CloseClientConnections)
		x := newTab(t, root, srv.URL, width, 800)
		x.open("/")
		x.sees("loaded", "document.readyState === 'complete'")
		const places = "JSON.stringify([scrollY, ...[...document.querySelectorAll('h1, .sub, form, figure, footer')].map((e) => { const r = e.getBoundingClientRect(); return [r.left, r.top, r.width, r.height]; })])"
		eval[bool](x, "(() => { scrollTo(0, 150); return true; })()")
		before := eval[string](x, places)
		f.mu.Lock()
		f.pos, f.extra = 1, 90
		f.mu.Unlock()
		x.sees("the line", "document.getElementById('live').innerText.includes('Figures have moved since 16:02.')")
		if after := eval[string](x, places); after != before {
			t.Errorf("%d px: something moved: %s, before %s", width, after, before)
		}
		what := fmt.Sprintf("moved-%d", width)
		x.measure(what)
		x.accessible(what, source)
		x.shot(what)
		was := eval[string](x, "document.getElementById('ladder').innerText")
		x.click("#live a", "Reload")
		x.sees("other figures, and no line", "document.getElementById('live').innerText === '' && document.getElementById('ladder').innerText !== "+quoted(was))
		x.quiet(what)
	}
}

// Without script every page says the same.
func TestBrowserWithoutScript(t *testing.T) {
	root := browser(t)
	s, _ := newSite(t, "")
	srv := httptest.NewServer(s)
	t.Cleanup(srv.CloseClientConnections)
	x := newTab(t, root, srv.URL, 1280, 900)
	x.call(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	})
	for path, want := range map[string]string{"/": "Maintenance cost the fleet", "/fleet": "production, job J1", "/duties": "UV unit 1", "/studies/going": "It is running"} {
		x.open(path)
		if got := eval[string](x, "document.body.innerText"); !strings.Contains(got, want) {
			t.Errorf("%s: no %q in %s", path, want, got)
		}
	}
	for _, path := range []string{"/fleet", "/duties"} {
		x.open(path)
		if got := eval[string](x, "document.body.innerText"); !strings.Contains(got, "Look again") {
			t.Errorf("%s: no way to look again without script", path)
		}
	}
}
