package projector

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/opstest"
)

// brokenStore fails at the first question.
type brokenStore struct {
	Store
	asked chan struct{}
}

func (s brokenStore) TakeDirty(context.Context) ([]Dirty, error) {
	select {
	case s.asked <- struct{}{}:
	default:
	}
	return nil, errors.New("the warehouse is away")
}

// A failed look is counted.
func TestMetricsCountErrors(t *testing.T) {
	store := brokenStore{asked: make(chan struct{}, 2)}
	p := New(Config{Tick: time.Millisecond}, nil, store)
	m := ops.NewMetrics()
	p.RegisterMetrics(m)
	if got := opstest.Value(t, m, "downweb_projector_errors_total"); got != 0 {
		t.Errorf("%v errors before it ran", got)
	}
	ctx, stop := context.WithTimeout(t.Context(), 5*time.Second)
	defer stop()
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	<-store.asked
	<-store.asked
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if got := opstest.Value(t, m, "downweb_projector_errors_total"); got < 1 {
		t.Errorf("%v errors counted", got)
	}
	p.presses.Add(3) // what Once does for each press
	if got := opstest.Value(t, m, "downweb_projector_folds_total"); got != 3 {
		t.Errorf("%v presses counted, want 3", got)
	}
}
