package agent

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// ErrNotRunning is returned by Record before Run has opened the spool and
// after it has ended.
var ErrNotRunning = errors.New("the agent does not run")

// RefusedError says which event Record refused and why. Those before it in the
// same call are kept.
type RefusedError struct {
	// Index of the event in the call.
	Index int
	// Field by its path in event.proto; Reason for people.
	Field, Reason string
}

func (e *RefusedError) Error() string {
	if e.Field == "" {
		return e.Reason
	}
	return e.Field + ": " + e.Reason
}

// record is a call of Record on its way to the accepter.
type record struct {
	items []item
	done  chan error
}

// Record takes events that people give at this machine, and returns once they
// are on disk: whatever happens then, they reach the log. The rules are those
// of a line of a file: the agent gives identity, a badge in crew becomes a
// pseudonym (the events are changed for it), and one whose source_key is known
// is passed over, so a call may be repeated. Slices are refused. It returns a
// *RefusedError, ErrNotRunning, or ctx's error: then it is not known whether
// they were taken.
func (a *Agent) Record(ctx context.Context, events ...*pb.Event) error {
	return a.byHand(ctx, eventlog.NewBadges(a.cfg.BadgeKeyDir).Pseudonym, events)
}

// RecordPseudonymous is Record for events whose crew fields are empty or hold
// what Pseudonym gave, not a badge.
func (a *Agent) RecordPseudonymous(ctx context.Context, events ...*pb.Event) error {
	return a.byHand(ctx, func(_ string, _ time.Time, crew string) (string, error) {
		if !pseudonym.MatchString(crew) {
			return "", errors.New("is not a pseudonym")
		}
		return crew, nil
	}, events)
}

var pseudonym = regexp.MustCompile(`^[0-9a-f]{10}$`)

func (a *Agent) byHand(ctx context.Context, crew func(plant string, at time.Time, badge string) (string, error), events []*pb.Event) error {
	a.mu.Lock()
	running := a.sp != nil
	a.mu.Unlock()
	if !running {
		return ErrNotRunning
	}
	p := newParser(a.cfg.Presses, a.cfg.FutureLimit, a.clock.Now)
	p.crew = crew
	now := a.clock.Now()
	r := record{done: make(chan error, 1)}
	for i, e := range events {
		it := item{line: i, ev: e}
		if e.GetSlice() != nil {
			return &RefusedError{Index: i, Field: "slice", Reason: "is for machines, not for people"}
		}
		if p.complete(&it, e, now); it.bad != nil {
			return &RefusedError{Index: i, Field: it.bad[0].Field, Reason: it.bad[0].Reason}
		}
		r.items = append(r.items, it)
	}
	select {
	case a.records <- r:
	case <-a.ended:
		return ErrNotRunning
	case <-ctx.Done():
		return fmt.Errorf("record: %w", ctx.Err())
	}
	select {
	case err := <-r.done:
		return err
	case <-a.ended:
		return ErrNotRunning
	case <-ctx.Done():
		return fmt.Errorf("record: %w", ctx.Err())
	}
}

// record makes events given by hand durable.
func (a *accepter) record(ctx context.Context, r record) error {
	var refused error
	for i := range r.items {
		it := &r.items[i]
		if err := a.other(it); err != nil {
			r.done <- err
			return err
		}
		if it.bad != nil {
			a.counts.refused.Add(1)
			refused = &RefusedError{Index: i, Field: it.bad[0].Field, Reason: it.bad[0].Reason}
			break
		}
	}
	err := a.commit(ctx)
	if err == nil {
		r.done <- refused
	}
	return err
}
