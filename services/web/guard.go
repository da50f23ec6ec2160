package web

import (
	"net"
	"net/http"
	"strings"
)

// policy lets a page have its own style, pictures, script and answers, and nothing of anybody else.
const policy = "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard answers only who asks for this machine by a name of its own, and takes forms only from its own pages.
//
// A name of somebody else's that points at a loopback address ("DNS rebinding") carries that name in Host. Forms from
// other sites are told by Sec-Fetch-Site, else by Origin (http.CrossOriginProtection).
func guard(h http.Handler, names []string) http.Handler {
	forms := http.NewCrossOriginProtection()
	forms.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "This form was sent from another page, and is refused.", http.StatusForbidden)
	}))
	inner := forms.Handler(h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		out := w.Header()
		out.Set("Content-Security-Policy", policy)
		out.Set("X-Content-Type-Options", "nosniff")
		out.Set("Referrer-Policy", "same-origin")
		out.Set("Cross-Origin-Opener-Policy", "same-origin")
		out.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !ownName(r.Host, names) {
			http.Error(w, "This server answers only under the names of its own machine.", http.StatusMisdirectedRequest)
			return
		}
		inner.ServeHTTP(w, r)
	})
}

// ownName says whether a Host header names this machine.
func ownName(host string, names []string) bool {
	bare := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		bare = h
	}
	bare = strings.ToLower(strings.Trim(strings.TrimSuffix(bare, "."), "[]"))
	if ip := net.ParseIP(bare); bare == "localhost" || ip != nil && ip.IsLoopback() {
		return true
	}
	for _, n := range names {
		if n = strings.ToLower(n); n != "" && (n == bare || n == strings.ToLower(host)) {
			return true
		}
	}
	return false
}
