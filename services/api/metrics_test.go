package api

import (
	"context"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/opstest"
)

// Calls are counted by method and code, and those that run are seen.
func TestCallMetrics(t *testing.T) {
	m := ops.NewMetrics()
	s := New(Config{}, Deps{})
	s.RegisterMetrics(m)
	call := func(err error) {
		_, _ = s.calls.unary(t.Context(), nil, &grpc.UnaryServerInfo{FullMethod: "/downweb.v1.LossService/GetLosses"}, func(context.Context, any) (any, error) {
			if got := opstest.Value(t, m, "downweb_api_open_calls"); got != 1 {
				t.Errorf("%v calls run, want 1", got)
			}
			return nil, err
		})
	}
	call(nil)
	call(nil)
	call(status.Error(codes.NotFound, "no such press"))
	if err := s.calls.stream(nil, nil, &grpc.StreamServerInfo{FullMethod: "/downweb.v1.EventService/WatchEvents"}, func(any, grpc.ServerStream) error {
		return status.Error(codes.Canceled, "gone")
	}); status.Code(err) != codes.Canceled {
		t.Errorf("the error became %v", err)
	}
	for _, want := range []struct {
		method, code string
		n            float64
	}{{"downweb.v1.LossService/GetLosses", "OK", 2}, {"downweb.v1.LossService/GetLosses", "NotFound", 1}, {"downweb.v1.EventService/WatchEvents", "Canceled", 1}} {
		if got := opstest.Value(t, m, "downweb_api_calls_total", "method", want.method, "code", want.code); got != want.n {
			t.Errorf("%s %s: %v, want %v", want.method, want.code, got, want.n)
		}
	}
	if got := opstest.Value(t, m, "downweb_api_call_seconds", "method", "downweb.v1.LossService/GetLosses"); got != 3 {
		t.Errorf("%v durations, want 3", got)
	}
	if got := opstest.Value(t, m, "downweb_api_open_calls"); got != 0 {
		t.Errorf("%v calls run, want 0", got)
	}
}
