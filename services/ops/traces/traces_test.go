package traces_test

import (
	"context"
	"log/slog"
	"net"
	"testing"
	"time"

	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"github.com/downweb/downweb/services/ops/traces"
)

// sink is an OpenTelemetry collector that keeps the names of spans, by OpenTelemetry's own protocol.
type sink struct {
	collector.UnimplementedTraceServiceServer
	names chan string
}

func (s sink) Export(_ context.Context, r *collector.ExportTraceServiceRequest) (*collector.ExportTraceServiceResponse, error) {
	for _, rs := range r.ResourceSpans {
		for _, ss := range rs.ScopeSpans {
			for _, span := range ss.Spans {
				s.names <- span.Name
			}
		}
	}
	return &collector.ExportTraceServiceResponse{}, nil
}

func serve(t *testing.T, s *grpc.Server) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go s.Serve(ln)
	t.Cleanup(s.Stop)
	return ln.Addr().String()
}

func call(t *testing.T) {
	t.Helper()
	s := grpc.NewServer(grpc.StatsHandler(traces.Server()))
	healthpb.RegisterHealthServer(s, health.NewServer())
	conn, err := grpc.NewClient(serve(t, s), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Fatal(err)
	}
}

// Without a collector nothing is sent; with one every call is a span.
func TestTraces(t *testing.T) {
	log := slog.New(slog.DiscardHandler)
	spans := sink{names: make(chan string, 100)}
	s := grpc.NewServer()
	collector.RegisterTraceServiceServer(s, spans)
	at := serve(t, s)

	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "")
	t.Setenv("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", "")
	stop, err := traces.Start(t.Context(), "api", "test", log)
	if err != nil {
		t.Fatal(err)
	}
	call(t)
	stop(t.Context())
	if n := len(spans.names); n != 0 {
		t.Errorf("%d spans although nobody asked for them", n)
	}

	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://"+at)
	if stop, err = traces.Start(t.Context(), "api", "test", log); err != nil {
		t.Fatal(err)
	}
	call(t)
	end, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	stop(end)
	select {
	case name := <-spans.names:
		if name != "grpc.health.v1.Health/Check" {
			t.Errorf("span %q", name)
		}
	default:
		t.Error("no span came")
	}
}
