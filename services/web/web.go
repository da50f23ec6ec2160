package web

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"time"

	"google.golang.org/grpc"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

//go:embed assets
var assets embed.FS

//go:embed pages
var pages embed.FS

// Config of the pages.
type Config struct {
	// Names are hosts under which the pages may be asked for, beside those of the
	// machine itself; with or without a port.
	Names []string
	// Log takes what went wrong; nil: nowhere.
	Log *slog.Logger
	// Now is the clock; nil: the machine's.
	Now func() time.Time
}

// Site is the pages as one http.Handler.
type Site struct {
	cfg   Config
	log   *slog.Logger
	now   func() time.Time
	mux   *http.ServeMux
	guard http.Handler
	conn  grpc.ClientConnInterface
	page  map[string]*template.Template

	losses   pb.LossServiceClient
	cleaning pb.CleaningServiceClient
	duties   pb.DutyServiceClient
	studies  pb.StudyServiceClient
	registry pb.RegistryServiceClient
	status   pb.StatusServiceClient
	plants   plantCache
}

// New makes the pages over a connection to the api. Nothing is asked until a page is.
func New(conn grpc.ClientConnInterface, cfg Config) (*Site, error) {
	s := &Site{cfg: cfg, log: cfg.Log, now: cfg.Now, conn: conn, mux: http.NewServeMux(),
		losses: pb.NewLossServiceClient(conn), cleaning: pb.NewCleaningServiceClient(conn), duties: pb.NewDutyServiceClient(conn),
		studies: pb.NewStudyServiceClient(conn), registry: pb.NewRegistryServiceClient(conn), status: pb.NewStatusServiceClient(conn)}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.now == nil {
		s.now = time.Now
	}
	var err error
	if s.page, err = parsePages(); err != nil {
		return nil, err
	}
	static, err := fs.Sub(assets, "assets")
	if err != nil {
		return nil, err
	}
	s.mux.Handle("GET /assets/", kept(http.StripPrefix("/assets/", http.FileServerFS(static))))
	for path, f := range map[string]http.HandlerFunc{
		"/{$}": s.serveLosses, "/losses/leaf": s.serveLeaf, "/losses/session": s.serveSession, "/losses/events": s.serveEvents, "/losses/trend": s.serveTrend, "/losses/compare": s.serveCompare, "/losses/live": s.serveMoved,
		"/stations": s.serveStations, "/studies": s.serveStudies, "/studies/{id}": s.serveStudy, "/studies/{id}/live": s.serveStudyLive, "/studies/{id}/plot/{kind}": s.servePlot, "/studies/{id}/report": s.serveReport,
		"/duties": s.serveDuties, "/duties/live": s.serveDutiesLive, "/fleet": s.serveFleet, "/fleet/live": s.serveFleetLive,
	} {
		s.mux.HandleFunc("GET "+path, f)
	}
	s.mux.HandleFunc("POST /studies", s.serveAskStudy)
	s.mux.HandleFunc("/", s.serveNothing)
	s.guard = guard(s.mux, cfg.Names)
	return s, nil
}

// Mount serves h under a pattern of http.ServeMux, behind the same checks of host and origin. Before the site serves.
func (s *Site) Mount(pattern string, h http.Handler) { s.mux.Handle(pattern, h) }

// ServeHTTP answers.
func (s *Site) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.guard.ServeHTTP(w, r) }

// Serve answers on ln until ctx ends; streams that are open then are closed.
func (s *Site) Serve(ctx context.Context, ln net.Listener) error {
	srv := &http.Server{Handler: s, ReadHeaderTimeout: 5 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10,
		ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelDebug), BaseContext: func(net.Listener) context.Context { return ctx }}
	stop := context.AfterFunc(ctx, func() {
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		if srv.Shutdown(last) != nil {
			srv.Close()
		}
	})
	defer stop()
	if err := srv.Serve(ln); ctx.Err() == nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("web: %w", err)
	}
	return nil
}

// parsePages reads every page with the frame around it.
func parsePages() (map[string]*template.Template, error) {
	names, err := fs.Glob(pages, "pages/*.html")
	if err != nil {
		return nil, err
	}
	base, err := template.New("frame").Funcs(words).ParseFS(pages, "pages/frame.html", "pages/parts.html")
	if err != nil {
		return nil, err
	}
	out := map[string]*template.Template{}
	for _, name := range names {
		short := name[len("pages/") : len(name)-len(".html")]
		if short == "frame" || short == "parts" {
			continue
		}
		t, err := template.Must(base.Clone()).ParseFS(pages, name)
		if err != nil {
			return nil, err
		}
		out[short] = t
	}
	return out, nil
}

// write renders a page whole before a byte of it is sent.
func (s *Site) write(w http.ResponseWriter, code int, name string, data any) {
	var b bytes.Buffer
	if err := s.page[name].ExecuteTemplate(&b, "frame.html", data); err != nil {
		s.log.Error("write a page", "page", name, "err", err)
		http.Error(w, "This page could not be written. The log of the api says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = b.WriteTo(w)
}

// kept lets a browser keep what never changes while the program runs.
func kept(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "max-age=300")
		h.ServeHTTP(w, r)
	})
}
