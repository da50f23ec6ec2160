package eventlog

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// ErrDiverged is returned by RestoreRevisions when stream and copy tell
// different histories. A person must say which holds.
var ErrDiverged = errors.New("the registry stream and its copy in the warehouse hold different revisions of one number")

// RevisionCopy is the copy of the registry stream, in the warehouse.
type RevisionCopy interface {
	MaxRegistryRev(ctx context.Context) (uint64, error)
	// RegistryAfter lists the revisions above one, in order.
	RegistryAfter(ctx context.Context, rev uint64) ([]*pb.RegistryRevision, error)
}

// RestoreRevisions appends to the registry stream what its copy holds and it
// does not, and says how many revisions these were: after the stream was lost,
// or an older one came back. Normally it finds nothing to do. Several processes
// may do it at once. A stream ahead of its copy is left as it is.
func RestoreRevisions(ctx context.Context, js jetstream.JetStream, kept RevisionCopy) (n int, err error) {
	const tries = 20
	for try := 1; ; try++ {
		k, err := restoreRevisions(ctx, js, kept)
		n += k
		if err == nil || try == tries || !errors.Is(err, ErrStale) { // stale: another process restores it too
			if err != nil {
				return n, fmt.Errorf("restore the registry stream: %w", err)
			}
			return n, nil
		}
	}
}

func restoreRevisions(ctx context.Context, js jetstream.JetStream, kept RevisionCopy) (n int, err error) {
	have, err := kept.MaxRegistryRev(ctx)
	if err != nil || have == 0 {
		return 0, err
	}
	last, _, err := lastRevision(ctx, js)
	if err != nil {
		return 0, err
	}
	both := min(last.GetRev(), have)
	list, err := kept.RegistryAfter(ctx, max(both, 1)-1)
	if err != nil {
		return 0, err
	}
	if both > 0 {
		if last.GetRev() > both {
			revs, err := ReadRevisions(ctx, js, both-1)
			if err != nil {
				return 0, err
			}
			last = revs[0]
		}
		if len(list) == 0 || !proto.Equal(last, list[0]) {
			return 0, fmt.Errorf("revision %d: %w", both, ErrDiverged)
		}
		list = list[1:]
	}
	for _, r := range list {
		if err := AppendRevision(ctx, js, r); err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}
