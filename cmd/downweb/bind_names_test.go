package main

import (
	"log/slog"
	"net/http/httptest"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
)

// Pages and JSON answer under the names of web.names, one with a port only at that port, and under no other name.
func TestWebNames(t *testing.T) {
	cfg, err := testApp(t, `web: {names: [Fleet.example, "stands.example:8443"]}`).loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient("127.0.0.1:1", grpc.WithTransportCredentials(insecure.NewCredentials())) // nothing of the api is asked
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	site, err := newSite(t.Context(), conn, cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	for host, want := range map[string]int{"127.0.0.1:7714": 200, "localhost": 200, "fleet.example": 200, "FLEET.example:443": 200, "stands.example:8443": 200, "stands.example": 421, "stands.example:80": 421,
		"other.example": 421, "fleet.example.other": 421, "10.0.0.9:7714": 421} {
		for _, path := range []string{"/assets/site.css", "/v1/openapi.json"} {
			r := httptest.NewRequest("GET", path, nil)
			r.Host = host
			w := httptest.NewRecorder()
			site.ServeHTTP(w, r)
			if w.Code != want {
				t.Errorf("%s%s: %d, want %d", host, path, w.Code, want)
			}
		}
	}
}
