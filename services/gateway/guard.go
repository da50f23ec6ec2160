package gateway

import (
	"encoding/json"
	"net"
	"net/http"
	"slices"
	"strings"
)

// guard keeps pages of other sites out: a browser that can reach this address must not be used against it. The Host must
// be an address, localhost or a name this machine is known by, so that a foreign name made to point here gets nothing
// (DNS rebinding); what changes something must not come from another origin (RFC 6454; Sec-Fetch-Site of Fetch Metadata).
func guard(next http.Handler, hosts []string) http.Handler {
	cross := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !ourHost(r.Host, hosts) {
			refuse(w, http.StatusMisdirectedRequest, "this machine is not called that: use its address, localhost, or a name of the configuration")
			return
		}
		if err := cross.Check(r); err != nil {
			refuse(w, http.StatusForbidden, "requests of other sites are refused")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// ourHost says whether a Host header names this machine.
func ourHost(host string, names []string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.ToLower(strings.Trim(host, "[]")), ".")
	return net.ParseIP(host) != nil || host == "localhost" || slices.ContainsFunc(names, func(n string) bool { return host != "" && strings.EqualFold(n, host) })
}

// refuse answers in the form of every other error: {"code", "message"}, code being gRPC's.
func refuse(w http.ResponseWriter, code int, why string) {
	grpc := 3 // INVALID_ARGUMENT
	if code == http.StatusForbidden || code == http.StatusMisdirectedRequest {
		grpc = 7 // PERMISSION_DENIED
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(map[string]any{"code": grpc, "message": why, "details": []any{}})
}
