package api

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"runtime/debug"
	"time"

	"buf.build/go/protovalidate"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/logging"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/recovery"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/status"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/ops/traces"
	"github.com/downweb/downweb/services/registry"
)

// Config of the server.
type Config struct {
	Listen  string // host:port for gRPC
	Version string
	Schema  uint32 // number of the newest change of the tables
	Log     *slog.Logger
}

// Deps is what the server reaches the rest of the line through.
type Deps struct {
	Reader   Reader
	Registry *registry.Registry
	Writer   Writer // records events by hand; may be nil: then recording is UNAVAILABLE
	Roles    func() []*pb.RoleStatus
	Stored   func(f func(pos uint64)) (stop func(), err error) // notices of new inserts; may be nil
	// Pending is how many messages of the stream ingest has not taken off yet;
	// may be nil.
	Pending func(ctx context.Context) (int64, error)
	// Ingest is what the ingest at work tells of itself; nil without an error:
	// none is at work. May be nil.
	Ingest func(ctx context.Context) (*pb.IngestStatus, error)
	// Redrive sends a dead letter through the line again. refused says why that
	// cannot be. May be nil: then redriving is UNAVAILABLE.
	Redrive func(ctx context.Context, l DeadLetter) (refused string, err error)
	// States are the states of presses by their slices from an instant (unix ms)
	// on; may be nil: then none is told.
	States func(ctx context.Context, presses []string, from int64) (map[string]PressState, error)
	// Explainer says what is behind a leaf; may be nil: then that is UNAVAILABLE.
	Explainer Explainer
	// Changes says what arrived after a period was signed; may be nil: then
	// nothing can be signed.
	Changes Changes
	// AroundStudy is called before a study is worked out, what it returns after: a
	// program keeps its memory small by it. May be nil.
	AroundStudy func() (after func())
}

// Server answers over gRPC.
type Server struct {
	cfg     Config
	deps    Deps
	log     *slog.Logger
	ready   chan struct{}
	closing chan struct{} // closed when Run is asked to stop: streams end
	addr    net.Addr
	studies *studyRunner
	calls   *callMetrics
	watched *pressWatch
	now     func() time.Time

	resolved resolvedPlants
}

// New makes a server; it does nothing until Run.
func New(cfg Config, deps Deps) *Server {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{cfg: cfg, deps: deps, log: cfg.Log, ready: make(chan struct{}), closing: make(chan struct{}), now: time.Now, calls: newCallMetrics(), watched: newPressWatch()}
	s.studies = newStudyRunner(s)
	return s
}

// Ready is closed once the server listens.
func (s *Server) Ready() <-chan struct{} { return s.ready }

// Addr is where the server listens, once it is ready.
func (s *Server) Addr() string { return s.addr.String() }

// maxMessage bounds requests and answers: a registry document or a thousand
// events fit many times over.
const maxMessage = 16 << 20

// Run serves until ctx ends, then lets calls in flight finish for 5 s.
func (s *Server) Run(ctx context.Context) error {
	ln, err := (&net.ListenConfig{}).Listen(ctx, "tcp", s.cfg.Listen)
	if err != nil {
		return fmt.Errorf("api.grpc: listen: %w", err)
	}
	g, hs, err := s.grpcServer()
	if err != nil {
		ln.Close()
		return err
	}
	s.addr = ln.Addr()
	close(s.ready)
	done := make(chan error, 1)
	go func() { done <- g.Serve(ln) }()
	watching := make(chan struct{})
	go func() { defer close(watching); s.watchPresses(ctx) }()
	studies := make(chan struct{})
	go func() { defer close(studies); s.studies.run(ctx) }()
	select {
	case err := <-done:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	close(s.closing)
	hs.Shutdown()
	stopped := make(chan struct{})
	go func() { g.GracefulStop(); close(stopped) }()
	select {
	case <-stopped:
	case <-time.After(5 * time.Second):
		g.Stop()
	}
	<-studies
	<-watching
	return nil
}

func (s *Server) grpcServer() (*grpc.Server, *health.Server, error) {
	validator, err := protovalidate.New()
	if err != nil {
		return nil, nil, fmt.Errorf("compile request rules: %w", err)
	}
	logger := logging.LoggerFunc(func(ctx context.Context, lvl logging.Level, msg string, fields ...any) {
		s.log.Log(ctx, slog.Level(lvl), msg, fields...)
	})
	logOpts := []logging.Option{logging.WithLogOnEvents(logging.FinishCall), logging.WithLevels(levelOf)}
	rec := recovery.WithRecoveryHandler(func(p any) error {
		s.log.Error("a call panicked", "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
		return status.Error(codes.Internal, "internal error")
	})
	g := grpc.NewServer(
		grpc.MaxRecvMsgSize(maxMessage), grpc.MaxSendMsgSize(maxMessage),
		grpc.StatsHandler(traces.Server()),
		grpc.ChainUnaryInterceptor(
			s.calls.unary, logging.UnaryServerInterceptor(logger, logOpts...), recovery.UnaryServerInterceptor(rec), unaryErrors(s.log), unaryValidate(validator)),
		grpc.ChainStreamInterceptor(
			s.calls.stream, logging.StreamServerInterceptor(logger, logOpts...), recovery.StreamServerInterceptor(rec), streamErrors(s.log), streamValidate(validator)),
	)
	pb.RegisterLossServiceServer(g, &lossService{s: s})
	pb.RegisterCleaningServiceServer(g, &cleaningService{s: s})
	pb.RegisterDutyServiceServer(g, &dutyService{s: s})
	pb.RegisterEventServiceServer(g, &eventService{s: s})
	pb.RegisterRegistryServiceServer(g, &registryService{s: s})
	pb.RegisterStatusServiceServer(g, &statusService{s: s})
	pb.RegisterStudyServiceServer(g, &studyService{s: s})
	hs := health.NewServer()
	healthpb.RegisterHealthServer(g, hs)
	for name := range g.GetServiceInfo() {
		hs.SetServingStatus(name, healthpb.HealthCheckResponse_SERVING)
	}
	reflection.Register(g)
	return g, hs, nil
}

// levelOf logs answers the client asked for at debug, our own failures at
// error.
func levelOf(c codes.Code) logging.Level {
	switch c {
	case codes.OK, codes.Canceled, codes.InvalidArgument, codes.NotFound, codes.Aborted, codes.FailedPrecondition,
		codes.ResourceExhausted, codes.DeadlineExceeded, codes.Unimplemented:
		return logging.LevelDebug
	case codes.Unavailable:
		return logging.LevelWarn
	}
	return logging.LevelError
}
