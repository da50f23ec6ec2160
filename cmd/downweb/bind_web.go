package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/gateway"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/web"
)

// webAddress is what to open in a browser; empty: there are no pages.
func webAddress(listen string) string {
	if listen == "" {
		return ""
	}
	return "http://" + dialable(listen) + "/"
}

// pressStates is the warehouse's answer as the api knows it.
func pressStates(ctx context.Context, db *warehouse.DB, presses []string, from int64) (map[string]api.PressState, error) {
	list, err := db.PressStates(ctx, presses, from)
	out := make(map[string]api.PressState, len(list))
	for id, x := range list {
		out[id] = api.PressState{State: pb.State(x.State), SinceMS: x.SinceMS, AtLeast: x.AtLeast, Reason: x.Reason, Job: x.Job}
	}
	return out, reached(err)
}

// serveWeb serves the pages, and JSON over HTTP beside them, over the api of the same process, once that answers, until ctx ends.
func serveWeb(ctx context.Context, cfg *Config, s *api.Server, log *slog.Logger) error {
	ln, err := (&net.ListenConfig{}).Listen(ctx, "tcp", cfg.Web.Listen)
	if err != nil {
		return cfg.problem("web.listen", "%w", err)
	}
	defer ln.Close()
	select {
	case <-s.Ready():
	case <-ctx.Done():
		return nil
	}
	conn, err := grpc.NewClient(dialable(s.Addr()), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(largestAnswer)))
	if err != nil {
		return fmt.Errorf("pages: %w", err)
	}
	defer conn.Close()
	site, err := newSite(ctx, conn, cfg, log)
	if err != nil {
		return err
	}
	log.Info("pages", "addr", webAddress(ln.Addr().String()))
	return site.Serve(ctx, ln)
}

// bareHosts are names without their ports: the pages in front of the gateway have looked at those already.
func bareHosts(names []string) []string {
	var out []string
	for _, n := range names {
		if h, _, err := net.SplitHostPort(n); err == nil {
			n = h
		}
		out = append(out, strings.Trim(n, "[]"))
	}
	return out
}

// newSite makes the pages with JSON over HTTP beside them, which answer under the same names.
func newSite(ctx context.Context, conn grpc.ClientConnInterface, cfg *Config, log *slog.Logger) (*web.Site, error) {
	site, err := web.New(conn, web.Config{Log: log, Names: cfg.Web.Names})
	if err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	over, err := gateway.Handler(ctx, conn, bareHosts(cfg.Web.Names)...)
	if err != nil {
		return nil, err
	}
	site.Mount(gateway.Prefix, over)
	return site, nil
}
