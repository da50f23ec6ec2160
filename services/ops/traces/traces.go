// Package traces sends traces of calls to an OpenTelemetry collector where the environment names one, and costs nothing else.
// It is apart from ops so that the agent does not carry it.
package traces

import (
	"context"
	"fmt"
	"log/slog"
	"os"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	"go.opentelemetry.io/otel/sdk/trace"
	"google.golang.org/grpc/stats"
)

// Start sends traces where the standard variable OTEL_EXPORTER_OTLP_ENDPOINT (or _TRACES_ENDPOINT) names an
// OpenTelemetry collector; without it nothing is traced and nothing is sent. The other OTEL_ variables (headers,
// certificates, sampler) mean what OpenTelemetry says. stop sends what is left and ends it.
func Start(ctx context.Context, role, version string, log *slog.Logger) (stop func(context.Context), err error) {
	none := func(context.Context) {}
	if os.Getenv("OTEL_EXPORTER_OTLP_ENDPOINT") == "" && os.Getenv("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT") == "" || os.Getenv("OTEL_SDK_DISABLED") == "true" {
		return none, nil
	}
	exporter, err := otlptracegrpc.New(ctx)
	if err != nil {
		return none, fmt.Errorf("traces: %w", err)
	}
	own, err := resource.New(ctx, resource.WithTelemetrySDK(), resource.WithAttributes(
		attribute.String("service.name", "downweb-"+role), attribute.String("service.version", version)), resource.WithFromEnv())
	if err != nil {
		return none, fmt.Errorf("traces: %w", err)
	}
	provider := trace.NewTracerProvider(trace.WithBatcher(exporter), trace.WithResource(own))
	otel.SetTracerProvider(provider)
	otel.SetTextMapPropagator(propagation.TraceContext{})
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) { log.Warn("traces", "err", err) }))
	return func(ctx context.Context) {
		if err := provider.Shutdown(ctx); err != nil {
			log.Warn("traces: the last were not sent", "err", err)
		}
	}, nil
}

// Server makes a span of every call of a gRPC server, where Start found a collector.
func Server() stats.Handler { return otelgrpc.NewServerHandler() }
