package api

import (
	"context"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"

	"github.com/downweb/downweb/services/ops"
)

// callMetrics count calls. The method is Service/Method of a service that is registered, so that its values are few.
type callMetrics struct {
	calls   *prometheus.CounterVec
	seconds *prometheus.HistogramVec
	open    prometheus.Gauge
}

func newCallMetrics() *callMetrics {
	return &callMetrics{
		calls:   prometheus.NewCounterVec(prometheus.CounterOpts{Name: "downweb_api_calls_total", Help: "Calls that have ended, by gRPC status code."}, []string{"method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "downweb_api_call_seconds", Help: "How long calls took, streams from begin to end.", Buckets: ops.Seconds}, []string{"method"}),
		open:    prometheus.NewGauge(prometheus.GaugeOpts{Name: "downweb_api_open_calls", Help: "Calls that run now."}),
	}
}

// RegisterMetrics adds what the server counts.
func (s *Server) RegisterMetrics(m *ops.Metrics) {
	m.Add("downweb_api_calls_total", s.calls.calls)
	m.Add("downweb_api_call_seconds", s.calls.seconds)
	m.Add("downweb_api_open_calls", s.calls.open)
	s.watched.register(m)
}

// begin notes a call; the function it returns notes its end.
func (c *callMetrics) begin(method string) func(error) {
	c.open.Inc()
	start, name := time.Now(), strings.TrimPrefix(method, "/")
	return func(err error) {
		c.open.Dec()
		c.calls.WithLabelValues(name, status.Code(err).String()).Inc()
		c.seconds.WithLabelValues(name).Observe(time.Since(start).Seconds())
	}
}

func (c *callMetrics) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (out any, err error) {
	end := c.begin(info.FullMethod)
	defer func() { end(err) }()
	return next(ctx, req)
}

func (c *callMetrics) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
	end := c.begin(info.FullMethod)
	defer func() { end(err) }()
	return next(srv, ss)
}
