package page

import (
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	. "maragu.dev/gomponents/html" //nolint:staticcheck // one word an element

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// frame is what all pages have around what is their own.
type frame struct {
	title string
	press *press // nil: not of one press
	class string // of the body
	back  bool   // a link back to the sheet
	to    string // where this page is, for the language's form
	plain bool   // nothing to keep up to date
	head  g.Node // beside the title
}

// frame puts the cautions and the ways to the other pages around a page.
func (s *Server) frame(t words, f frame, body ...g.Node) g.Node {
	base := ""
	if f.press != nil {
		base = "/" + f.press.id
	}
	if f.to == "" {
		f.to = base + "/"
		if f.press != nil {
			f.to = base
		}
	}
	return Doctype(HTML(Lang(t.lang),
		Head(
			Meta(Charset("utf-8")),
			Meta(Name("viewport"), Content("width=device-width, initial-scale=1")),
			Meta(Name("theme-color"), Content("#ffffff")),
			Meta(Name("apple-mobile-web-app-capable"), Content("yes")), Meta(Name("mobile-web-app-capable"), Content("yes")),
			TitleEl(g.Text(f.title)),
			Link(Rel("stylesheet"), Href("/static/page.css")),
			Link(Rel("icon"), Href("/static/icon.svg"), Type("image/svg+xml")),
			Link(Rel("apple-touch-icon"), Href("/static/icon-192.png")),
			g.If(f.press != nil, Link(Rel("manifest"), Href(base+"/manifest.webmanifest"))),
			g.If(!f.plain, Script(Src("/static/page.js"), Defer())),
			g.If(!f.plain && f.press != nil && f.back == false, NoScript(Meta(g.Attr("http-equiv", "refresh"), Content("30")))),
		),
		Body(Class(f.class),
			Header(Class("head"), H1(g.Text(f.title)), f.head),
			P(ID("link"), Class("alarm"), Hidden(""), Role("alert"), g.Text(t.of("tablet_offline"))),
			P(ID("unsent"), Class("alarm"), Hidden(""), Role("alert"), g.Text(t.of("not_sent"))),
			Aside(Class("caution"), P(Strong(g.Text(t.of("caution_first")))), P(Strong(g.Text(t.of("caution_isolate")))), P(g.Text(t.of("caution_page")))),
			g.Group(body),
			Footer(
				Nav(
					g.If(f.press != nil && f.back, link(base, t.of("back"))),
					g.If(f.press != nil && !f.back, link(base+"/paper", t.of("paper"))),
					g.If(f.press != nil && !f.back, link(base+"/later", t.of("later"))),
					g.If(len(s.order) > 1, link("/", t.of("presses"))),
				),
				Form(Class("languages"), Method("post"), Action("/lang"), g.Attr("data-plain", ""), Input(Type("hidden"), Name("to"), Value(f.to)),
					g.Map(s.texts.languages(), func(code string) g.Node {
						return Button(Class("small"), Name("lang"), Value(code), Lang(code), g.If(code == t.lang, g.Attr("aria-pressed", "true")), g.Text(s.texts[code]["language"]))
					})),
			),
		)))
}

func link(to, text string) g.Node { return A(Class("small"), Href(to), g.Text(text)) }

// list of the presses.
func (s *Server) list(w http.ResponseWriter, r *http.Request) {
	t := s.texts.words(r)
	var items []g.Node
	for _, id := range s.order {
		p := s.presses[id]
		p.mu.Lock()
		name := p.sheet.GetName()
		p.mu.Unlock()
		if name == "" {
			name = id
		}
		open, _ := p.session(s.cfg.Clock())
		items = append(items, Li(A(Class("press"), Href("/"+id), Span(g.Text(name)),
			g.If(name != id, Small(g.Text(id))), g.If(open != nil, lazy(func() g.Node { return Small(g.Text(t.of("open_since", "{time}", clock(open.At, p.zone())))) })))))
	}
	render(w, 200, s.frame(t, frame{title: t.of("presses"), plain: true}, Main(Ul(Class("presses"), g.Group(items)))))
}

// lazy makes a node only when it is wanted.
func lazy(f func() g.Node) g.Node {
	return g.NodeFunc(func(w io.Writer) error { return f().Render(w) })
}

func (p *press) zone() *time.Location {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.sheet == nil {
		return time.Local
	}
	return zoneOf(p.sheet)
}

// clock is an instant as the clock on the wall shows it.
func clock(ms int64, zone *time.Location) string { return time.UnixMilli(ms).In(zone).Format("15:04") }

// moment is clock, with the date where it is another day than now.
func moment(ms int64, now time.Time, zone *time.Location) string {
	x := time.UnixMilli(ms).In(zone)
	if x.Format(time.DateOnly) == now.In(zone).Format(time.DateOnly) {
		return x.Format("15:04")
	}
	return x.Format("01-02 15:04")
}

// age in words: minutes, hours or days.
func age(t words, d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return t.of("age_min", "{n}", strconv.Itoa(max(0, int(d/time.Minute))))
	case d < 48*time.Hour:
		return t.of("age_hour", "{n}", strconv.Itoa(int(d/time.Hour)))
	}
	return t.of("age_day", "{n}", strconv.Itoa(int(d/(24*time.Hour))))
}

// hazardWords names what can hurt at a task, isolation first.
func hazardWords(t words, isolate, safety bool, hazards []pb.Hazard) []string {
	var out []string
	if isolate {
		out = append(out, t.of("isolate"))
	}
	if safety {
		out = append(out, t.of("safety_task"))
	}
	for _, h := range hazards {
		out = append(out, t.of("hazard_"+strconv.Itoa(int(h))))
	}
	return out
}

func number(x float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(x, 'f', 1, 64), ".0")
}
