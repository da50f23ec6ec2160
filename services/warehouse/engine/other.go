//go:build !linux && !darwin

package engine

import (
	"context"
	"errors"
)

// Server stands for the engine where there is none.
type Server struct{}

// New makes a server whose Run fails.
func New(Config) *Server { return &Server{} }

// Ready is never closed.
func (*Server) Ready() <-chan struct{} { return make(chan struct{}) }

// Addr is empty.
func (*Server) Addr() string { return "" }

// Run says that there is no engine for this system.
func (*Server) Run(context.Context) error {
	return errors.New("there is no ClickHouse engine for this system: give --warehouse clickhouse://…")
}
