package page

import (
	"embed"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	g "maragu.dev/gomponents"
)

//go:embed static
var static embed.FS

// policy lets nothing in from elsewhere, and no script or style that stands in
// the page itself.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// maxForm bounds a request, bytes.
const maxForm = 64 << 10

// Handler serves all pages.
func (s *Server) Handler() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /{$}", s.list)
	m.HandleFunc("GET /static/{file}", serveStatic)
	m.HandleFunc("POST /lang", s.language)
	on := func(pattern string, f func(c *call)) {
		method, path, _ := strings.Cut(pattern, " ")
		m.HandleFunc(method+" /{plant}/{press}"+path, func(w http.ResponseWriter, r *http.Request) {
			p := s.presses[r.PathValue("plant")+"/"+r.PathValue("press")]
			if p == nil {
				s.notFound(w, r)
				return
			}
			f(&call{s: s, p: p, w: w, r: r, t: s.texts.words(r), now: s.cfg.Clock()})
		})
	}
	on("GET ", (*call).sheet)
	on("GET /close", (*call).closePage)
	on("GET /paper", (*call).paper)
	on("GET /later", (*call).laterPage)
	on("GET /live", (*call).live)
	on("GET /manifest.webmanifest", (*call).manifest)
	on("POST /who", (*call).who)
	on("POST /open", (*call).open)
	on("POST /sign", (*call).sign)
	on("POST /skip", (*call).skip)
	on("POST /undo", (*call).undo)
	on("POST /reason", (*call).reason)
	on("POST /close", (*call).close)
	on("POST /later", (*call).later)
	m.HandleFunc("/", s.notFound)
	return s.guard(m)
}

// guard sets the headers of every answer, and refuses what another site's page
// could have sent: a host name that is not this machine's (a name elsewhere
// that was made to point here), and a change that does not come from this
// origin. Browsers send Origin with every POST; Sec-Fetch-Site only over HTTPS
// and to loopback.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.ourHost(r.Host) || r.Method != http.MethodGet && r.Method != http.MethodHead && !sameOrigin(r) {
			h.Set("Content-Type", "text/plain; charset=utf-8")
			w.WriteHeader(http.StatusForbidden)
			_, _ = io.WriteString(w, s.texts.words(r).of("foreign")+"\n")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
		next.ServeHTTP(w, r)
	})
}

// ourHost says whether a Host header names this machine: an address, localhost,
// the machine's own name with or without a domain, or a name of the config.
func (s *Server) ourHost(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.ToLower(strings.Trim(host, "[]"))
	first, _, _ := strings.Cut(host, ".")
	return net.ParseIP(host) != nil || host == "localhost" ||
		slices.ContainsFunc(s.cfg.Names, func(n string) bool { return strings.EqualFold(n, host) }) || s.host != "" && first == s.host
}

func sameOrigin(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" {
		return false
	}
	u, err := url.Parse(r.Header.Get("Origin"))
	return err == nil && u.Host != "" && strings.EqualFold(u.Host, r.Host)
}

// call is one request about a press.
type call struct {
	s   *Server
	p   *press
	w   http.ResponseWriter
	r   *http.Request
	t   words
	now time.Time
}

func (c *call) base() string { return "/" + c.p.id }

// zone of the plant; where no sheet has said it, the machine's own.
func (c *call) zone() *time.Location {
	c.p.mu.Lock()
	defer c.p.mu.Unlock()
	if c.p.sheet == nil {
		return time.Local
	}
	return zoneOf(c.p.sheet)
}

// render answers with a page.
func render(w http.ResponseWriter, status int, n g.Node) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_ = n.Render(w) // the tablet has gone
}

// messageCookie carries what is said once on the next page.
const messageCookie = "dw-said"

// messages that may be said; their text is looked up by key.
var messages = []string{"kept", "known", "too_late", "busy", "first_begin", "refused"}

// back sends the browser to the sheet, where it says a message once.
func (c *call) back(message, anchor string) {
	if message != "" {
		http.SetCookie(c.w, &http.Cookie{Name: messageCookie, Value: message, Path: c.base(), MaxAge: 30, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	}
	if anchor != "" {
		anchor = "#" + url.PathEscape(anchor)
	}
	http.Redirect(c.w, c.r, c.base()+anchor, http.StatusSeeOther)
}

// said takes the message of the last touch.
func (c *call) said() string {
	ck, err := c.r.Cookie(messageCookie)
	if err != nil || !slices.Contains(messages, ck.Value) {
		return ""
	}
	http.SetCookie(c.w, &http.Cookie{Name: messageCookie, Path: c.base(), MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	return ck.Value
}

func (s *Server) notFound(w http.ResponseWriter, r *http.Request) {
	t := s.texts.words(r)
	render(w, http.StatusNotFound, s.frame(t, frame{title: t.of("app")}, g.Text(t.of("not_found"))))
}

// language keeps the tablet's language.
func (s *Server) language(w http.ResponseWriter, r *http.Request) {
	code, to := r.PostFormValue("lang"), r.PostFormValue("to")
	if s.texts[code] == nil {
		s.notFound(w, r)
		return
	}
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		to = "/"
	}
	http.SetCookie(w, &http.Cookie{Name: languageCookie, Value: code, Path: "/", MaxAge: 400 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, to, http.StatusSeeOther)
}

var staticTypes = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml", ".png": "image/png"}

func serveStatic(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	text, err := static.ReadFile("static/" + name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", staticTypes[name[strings.LastIndexByte(name, '.'):]])
	w.Header().Set("Cache-Control", "no-cache") // a new agent brings new ones
	_, _ = w.Write(text)
}

// live tells a tablet the number of the sheet's last change, at once and at
// every change, and nothing else.
func (c *call) live() {
	c.w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(c.w)
	_ = out.SetReadDeadline(time.Time{}) // the stream outlasts the bound of a request
	beat := time.NewTicker(10 * time.Second)
	defer beat.Stop()
	for {
		version, changed := c.p.state()
		if _, err := fmt.Fprintf(c.w, "retry: 1000\ndata: %d\n\n", version); err != nil || out.Flush() != nil {
			return
		}
		select {
		case <-changed:
		case <-beat.C: // so that both ends notice a link that is gone
		case <-c.r.Context().Done():
			return
		case <-c.s.ending:
			return
		}
	}
}
