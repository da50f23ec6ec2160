package page

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"regexp"
	"strings"
	"sync"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Agent is what the page needs of the agent it belongs to.
type Agent interface {
	// RecordPseudonymous takes events and returns once they are on disk.
	RecordPseudonymous(ctx context.Context, events ...*pb.Event) error
	// Pseudonym stands for a badge.
	Pseudonym(plant, badge string) (string, error)
	// AskSheet asks the server for the sheet of a press.
	AskSheet(ctx context.Context, plant, press string) (*pb.PressSheet, error)
}

// Config of the page.
type Config struct {
	// Listen is host:port; without a host: loopback.
	Listen string
	// Presses, as plant/press: one page each.
	Presses []string
	// Dir keeps sheets and books.
	Dir string
	// TextsDir may hold languages beside those that are built in, as
	// CODE.yaml; what a file leaves out is English. It need not exist.
	TextsDir string
	Agent    Agent
	// Names are further names by which tablets may call this machine.
	Names []string
	// Every so often the sheets are asked for; 0: 1 minute.
	Every time.Duration
	// Clock; nil: time.Now.
	Clock func() time.Time
	// Log; nil: none.
	Log *slog.Logger
}

// ListenAddress checks a listen address and puts loopback where it has no host.
func ListenAddress(listen string) (string, error) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil || !portPattern.MatchString(port) {
		return "", fmt.Errorf("%q is not host:port", listen)
	}
	if host == "" {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port), nil
}

var portPattern = regexp.MustCompile(`^[0-9]{1,5}$`)

// Server of the page.
type Server struct {
	cfg     Config
	presses map[string]*press
	order   []string
	texts   texts
	host    string
	bound   chan string
	ending  chan struct{} // closed when Run ends: live streams end
}

// New server; it does nothing until Run.
func New(cfg Config) *Server {
	if cfg.Every == 0 {
		cfg.Every = time.Minute
	}
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return &Server{cfg: cfg, presses: map[string]*press{}, bound: make(chan string, 1), ending: make(chan struct{})}
}

// Bound gives the address once the page is served.
func (s *Server) Bound() <-chan string { return s.bound }

// Run serves until ctx ends. It returns an error for files that cannot be used;
// an address that is taken is tried again.
func (s *Server) Run(ctx context.Context) error {
	addr, err := ListenAddress(s.cfg.Listen)
	if err != nil {
		return fmt.Errorf("page: %w", err)
	}
	if err := s.open(); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	var wait sync.WaitGroup
	defer wait.Wait()
	defer close(s.ending)
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	for _, id := range s.order {
		wait.Go(func() { s.ask(ctx, s.presses[id]) })
	}
	ln, err := s.listen(ctx, addr)
	if err != nil {
		return nil // ctx has ended
	}
	srv := &http.Server{Handler: s.Handler(), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 32 << 10, ErrorLog: slog.NewLogLogger(s.cfg.Log.Handler(), slog.LevelDebug)}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ln) }()
	s.cfg.Log.Info("sign-off page", "at", "http://"+ln.Addr().String()+"/")
	s.bound <- ln.Addr().String()
	select {
	case err := <-done:
		return fmt.Errorf("page: %w", err)
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	if srv.Shutdown(last) != nil { // live streams are left
		_ = srv.Close()
	}
	return nil
}

// listen waits for the address to be free; the error is that of ctx.
func (s *Server) listen(ctx context.Context, addr string) (net.Listener, error) {
	for {
		ln, err := (&net.ListenConfig{}).Listen(ctx, "tcp", addr)
		if err == nil || ctx.Err() != nil {
			return ln, err
		}
		s.cfg.Log.Error("the sign-off page cannot be served, trying again", "at", addr, "err", err)
		select {
		case <-ctx.Done():
		case <-time.After(5 * time.Second):
		}
	}
}

// open reads what is kept.
func (s *Server) open() error {
	if len(s.order) > 0 {
		return nil
	}
	if err := os.MkdirAll(s.cfg.Dir, 0o700); err != nil {
		return err
	}
	var err error
	if s.texts, err = loadTexts(s.cfg.TextsDir); err != nil {
		return err
	}
	if name, err := os.Hostname(); err == nil {
		s.host, _, _ = strings.Cut(strings.ToLower(name), ".")
	}
	for _, id := range s.cfg.Presses {
		p, err := openPress(s.cfg.Dir, id, s.cfg.Clock())
		if err != nil {
			return fmt.Errorf("%s: %w", id, err)
		}
		s.presses[id] = p
		s.order = append(s.order, id)
	}
	return nil
}

// ask for the sheet of a press until ctx ends: soon where none has come, else
// every minute.
func (s *Server) ask(ctx context.Context, p *press) {
	wait := time.Duration(0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-p.hurry:
		case <-time.After(wait):
		}
		short, stop := context.WithTimeout(ctx, 25*time.Second)
		sheet, err := s.cfg.Agent.AskSheet(short, p.plant, p.name)
		stop()
		if ctx.Err() != nil {
			return
		}
		wait = s.cfg.Every
		if err != nil {
			wait = min(wait, 5*time.Second)
		}
		if p.answered(s.cfg.Clock(), sheet, err) {
			s.cfg.Log.Warn("the due list does not come", "press", p.id, "err", err)
		}
		if err == nil {
			if err := p.keepSheet(sheet); err != nil {
				s.cfg.Log.Error("the due list is not kept", "press", p.id, "err", err)
			}
		}
	}
}

var errUnknownPress = errors.New("press is not served here")
