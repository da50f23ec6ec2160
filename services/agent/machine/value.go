package machine

import (
	"context"
	"time"
)

// Value is one reading of one address.
type Value struct {
	// Address as the mapping names it.
	Address string
	// At, the machine's own time of the reading; zero: it has none, and the
	// agent's clock counts.
	At time.Time
	// Value is a bool, int64, uint64, float64 or string; nil with Bad.
	Value any
	// Bad: the machine says that the reading is not good, or the address could
	// not be read.
	Bad bool
	// Why it is bad, for people.
	Why string
}

// Adapter reads the addresses of one mapping.
type Adapter interface {
	// Run connects and reads until ctx ends, then returns nil. It gives values
	// in the order in which the machine told them, from one goroutine, each
	// call holding what belongs to one instant. A connection that fails is tried
	// again for ever, with growing pauses; Run returns an error only for
	// settings that can never work. When the connection is lost it calls lost,
	// with the reason, before it tries again.
	Run(ctx context.Context, give func([]Value), lost func(error)) error
}
