package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"google.golang.org/grpc"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/services/web"
)

// pageFigures are what one page took, as a browser on this machine waits for it: sent, answered whole.
type pageFigures struct {
	Page  string  `json:"page"`
	First float64 `json:"first_ms"`
	P50   float64 `json:"p50_ms"`
	P99   float64 `json:"p99_ms"`
	Bar   float64 `json:"bar_ms,omitempty"`
	Bytes int     `json:"bytes"` // of the page, without style
}

// barFirstPageMs is the bar of the first page, as it is opened, on an unhurried machine with two shared cores, for 500
// presses and a year.
const barFirstPageMs = 300.0

// measurePages serves the pages over the api and loads the first one: as it is opened, and of all days.
func measurePages(ctx context.Context, conn *grpc.ClientConn, f *lossFleet, repeats int) ([]pageFigures, error) {
	site, err := web.New(conn, web.Config{})
	if err != nil {
		return nil, err
	}
	ln, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	own, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- site.Serve(own, ln) }()
	defer func() { stop(); <-ended }()
	var out []pageFigures
	for _, p := range []struct {
		name string
		from timeline.Day
		bar  float64
	}{{"losses, 28 days", max(f.first(), f.last-27), barFirstPageMs}, {"losses, all days", f.first(), 0}} {
		fig := pageFigures{Page: p.name, Bar: p.bar}
		address := fmt.Sprintf("http://%s/?from=%v&to=%v", ln.Addr(), p.from, f.last)
		var took []float64
		for n := range repeats + 2 {
			start := time.Now()
			text, err := load(ctx, address)
			if err != nil {
				return nil, err
			}
			ms := float64(time.Since(start)) / 1e6
			switch n {
			case 0:
				if fig.First, fig.Bytes = ms, len(text); !strings.Contains(text, "Maintenance cost the fleet") {
					return nil, fmt.Errorf("%s does not answer", address)
				}
			case 1:
			default:
				took = append(took, ms)
			}
		}
		fig.P50, fig.P99 = percentile(took, 0.5), percentile(took, 0.99)
		out = append(out, fig)
	}
	return out, nil
}

// load asks for an address and reads the answer whole.
func load(ctx context.Context, address string) (string, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return "", err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", address, resp.Status)
	}
	return string(text), err
}
