package registry

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// StreamLog is the Log kept in the event log's registry stream, which must
// exist (eventlog.EnsureStreams).
type StreamLog struct{ JS jetstream.JetStream }

// Append stores the next revision.
func (l StreamLog) Append(ctx context.Context, r *pb.RegistryRevision) error {
	err := eventlog.AppendRevision(ctx, l.JS, r)
	if errors.Is(err, eventlog.ErrStale) {
		return fmt.Errorf("%w: %w", ErrConflict, err)
	}
	return err
}

// Read returns the revisions after a number, in order.
func (l StreamLog) Read(ctx context.Context, after uint64) ([]*pb.RegistryRevision, error) {
	return eventlog.ReadRevisions(ctx, l.JS, after)
}
