package registry

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Errors of the service.
var (
	// ErrStale: the author has not seen the plant's current revision; it is
	// in the StaleError.
	ErrStale = errors.New("stale registry revision")
	// ErrNotFound: no such plant or revision.
	ErrNotFound = errors.New("not in the registry")
	// ErrConflict is what a Log's Append wraps when the revision's number is
	// not the last one plus one.
	ErrConflict = errors.New("registry revision number is taken")
)

// StaleError carries the plant's current revision.
type StaleError struct {
	Plant             string
	Expected, Current uint64
}

func (e *StaleError) Error() string {
	return fmt.Sprintf("plant %s is at revision %d, not %d: look at the difference and apply again", e.Plant, e.Current, e.Expected)
}

// Is makes errors.Is(err, ErrStale) true.
func (e *StaleError) Is(target error) bool { return target == ErrStale }

// Log keeps the revisions of all plants, numbered from 1 without a hole.
type Log interface {
	// Append stores r if r.Rev is the last number plus one, else the error
	// wraps ErrConflict.
	Append(ctx context.Context, r *pb.RegistryRevision) error
	// Read returns the revisions after a number, in order.
	Read(ctx context.Context, after uint64) ([]*pb.RegistryRevision, error)
}

// Registry is the documents of all plants, read from a Log as it grows. Its
// methods may be called by many at once; what they return must not be changed.
type Registry struct {
	log Log

	mu   sync.Mutex
	revs []*pb.RegistryRevision // by number, all of them
}

// New makes a Registry over a log. It reads nothing yet.
func New(log Log) *Registry { return &Registry{log: log} }

// load reads what the log has beyond what is known and returns all of it.
func (r *Registry) load(ctx context.Context) ([]*pb.RegistryRevision, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	more, err := r.log.Read(ctx, uint64(len(r.revs)))
	if err != nil {
		return nil, fmt.Errorf("read registry: %w", err)
	}
	for _, x := range more {
		if x.Rev != uint64(len(r.revs))+1 {
			return nil, fmt.Errorf("registry log is broken: revision %d follows %d", x.Rev, len(r.revs))
		}
		r.revs = append(r.revs, x)
	}
	return slices.Clip(r.revs), nil
}

// current is the last revision of a plant, nil for none.
func current(revs []*pb.RegistryRevision, plant string) *pb.RegistryRevision {
	for i := len(revs) - 1; i >= 0; i-- {
		if revs[i].GetPlant().GetPlant() == plant {
			return revs[i]
		}
	}
	return nil
}

// Plan is what applying a document would do.
type Plan struct {
	CurrentRev   uint64           // of the plant; 0: none
	Changes      []string         // one line a field
	Dirty        map[string]int64 // press slug -> unix ms to compute again from
	DirtyFrom    string           // first local date of them, YYYY-MM-DD; empty: none, or since ever
	DirtyPresses []string         // sorted
}

// Plan says what Apply would change and what must be computed again; it writes
// nothing. The error is *InvalidError for a document that would be refused.
func (r *Registry) Plan(ctx context.Context, p *pb.Plant) (*Plan, error) {
	if problems := Validate(p); len(problems) > 0 {
		return nil, &InvalidError{problems}
	}
	revs, err := r.load(ctx)
	if err != nil {
		return nil, err
	}
	cur := current(revs, p.Plant)
	out := &Plan{CurrentRev: cur.GetRev(), Changes: Changes(cur.GetPlant(), p), Dirty: DirtyFor(cur.GetPlant(), p)}
	out.DirtyPresses = sortedKeys(out.Dirty)
	earliest, any := int64(0), false
	for _, at := range out.Dirty {
		if !any || at < earliest {
			earliest, any = at, true
		}
	}
	if zone, err := time.LoadLocation(p.Zone); err == nil && any && earliest > SinceEver {
		out.DirtyFrom = timeline.DayOf(time.UnixMilli(earliest).In(zone)).String()
	}
	return out, nil
}

// Apply appends a document as a new revision of its plant and returns the
// revision's number. expected is the plant's revision the author saw, 0 for a
// new plant; when it is not the current one the error is *StaleError. A
// document identical to the current one makes no revision: the current number
// is returned, whatever was expected, so an apply of unclear outcome may be
// repeated. now is the instant it is applied.
func (r *Registry) Apply(ctx context.Context, p *pb.Plant, expected uint64, author, comment string, now time.Time) (uint64, error) {
	if problems := Validate(p); len(problems) > 0 {
		return 0, &InvalidError{problems}
	}
	p = proto.Clone(p).(*pb.Plant)
	const attempts = 20 // others may apply other plants at the same moment
	for range attempts {
		revs, err := r.load(ctx)
		if err != nil {
			return 0, err
		}
		cur := current(revs, p.Plant)
		if cur != nil && proto.Equal(cur.Plant, p) {
			return cur.Rev, nil
		}
		if cur.GetRev() != expected {
			return 0, &StaleError{Plant: p.Plant, Expected: expected, Current: cur.GetRev()}
		}
		next := &pb.RegistryRevision{Rev: uint64(len(revs)) + 1, Plant: p, Author: author, Comment: comment,
			AppliedAt: timestamppb.New(now.UTC().Truncate(time.Millisecond)), PreviousRev: cur.GetRev()}
		err = r.log.Append(ctx, next)
		if err == nil {
			return next.Rev, nil
		}
		if !errors.Is(err, ErrConflict) {
			return 0, fmt.Errorf("apply plant %s: %w", p.Plant, err)
		}
	}
	return 0, fmt.Errorf("apply plant %s: others kept applying; try again: %w", p.Plant, ErrConflict)
}

// Get returns a plant's revision rev, or its latest for 0. ErrNotFound if the
// plant has no such revision.
func (r *Registry) Get(ctx context.Context, plant string, rev uint64) (*pb.RegistryRevision, error) {
	revs, err := r.load(ctx)
	if err != nil {
		return nil, err
	}
	if rev == 0 {
		if cur := current(revs, plant); cur != nil {
			return cur, nil
		}
		return nil, fmt.Errorf("plant %q: %w", plant, ErrNotFound)
	}
	if rev <= uint64(len(revs)) && revs[rev-1].GetPlant().GetPlant() == plant {
		return revs[rev-1], nil
	}
	return nil, fmt.Errorf("plant %q, revision %d: %w", plant, rev, ErrNotFound)
}

// Latest returns the latest revision of every plant, by slug.
func (r *Registry) Latest(ctx context.Context) ([]*pb.RegistryRevision, error) {
	return r.LatestAt(ctx, 0)
}

// LatestAt is Latest as of a revision number; 0: now.
func (r *Registry) LatestAt(ctx context.Context, rev uint64) ([]*pb.RegistryRevision, error) {
	revs, err := r.load(ctx)
	if err != nil {
		return nil, err
	}
	if rev > 0 && rev < uint64(len(revs)) {
		revs = revs[:rev]
	}
	last := map[string]*pb.RegistryRevision{}
	for _, x := range revs {
		last[x.GetPlant().GetPlant()] = x
	}
	out := make([]*pb.RegistryRevision, 0, len(last))
	for _, plant := range sortedKeys(last) {
		out = append(out, last[plant])
	}
	return out, nil
}

// Revision is one line of history.
type Revision struct {
	Revision *pb.RegistryRevision
	Changes  []string // against the plant's revision before
}

// History lists a plant's revisions, or all for an empty slug, newest first.
func (r *Registry) History(ctx context.Context, plant string) ([]Revision, error) {
	revs, err := r.load(ctx)
	if err != nil {
		return nil, err
	}
	before := map[string]*pb.Plant{}
	var out []Revision
	for _, x := range revs {
		slug := x.GetPlant().GetPlant()
		if plant == "" || slug == plant {
			out = append(out, Revision{x, Changes(before[slug], x.Plant)})
		}
		before[slug] = x.Plant
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Revision.Rev > out[j].Revision.Rev })
	return out, nil
}
