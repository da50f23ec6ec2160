//go:build !linux && !darwin

package engine

import (
	"context"
	"errors"

	"github.com/downweb/downweb/services/ops"
)

// Server stands for the engine where there is none: its Run says so.
type Server struct{}

func New(Config) *Server               { return &Server{} }
func (*Server) Ready() <-chan struct{} { return make(chan struct{}) }
func (*Server) Addr() string           { return "" }

// RegisterMetrics adds nothing.
func (*Server) RegisterMetrics(*ops.Metrics) {}
func (*Server) Run(ctx context.Context) error {
	return errors.New("there is no ClickHouse engine for this system: give --warehouse clickhouse://…")
}
