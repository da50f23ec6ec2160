package eventlog

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// ErrStale is returned by AppendRevision when another revision came first.
var ErrStale = errors.New("registry revision is stale")

// ErrTooLarge is returned by AppendRevision for a document that does not fit
// into one message.
var ErrTooLarge = errors.New("registry document is too large")

// A revision is one message: the sealed, zstd-compressed RegistryRevision.
const (
	registryMagic       = "DWR1"
	maxRevisionBytes    = 32 << 20 // decompressed
	revisionReadTimeout = 10 * time.Second
)

func encodeRevision(r *pb.RegistryRevision) ([]byte, error) {
	plain, err := seal(registryMagic, r)
	if err != nil {
		return nil, err
	}
	if len(plain) > maxRevisionBytes {
		return nil, fmt.Errorf("%w: %d bytes", ErrTooLarge, len(plain))
	}
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		return nil, fmt.Errorf("compress: %w", err)
	}
	defer enc.Close()
	b := enc.EncodeAll(plain, nil)
	if len(b) > MaxPayload-512 { // room for headers
		return nil, fmt.Errorf("%w: %d bytes compressed", ErrTooLarge, len(b))
	}
	return b, nil
}

func decodeRevision(b []byte) (*pb.RegistryRevision, error) {
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxRevisionBytes))
	if err != nil {
		return nil, fmt.Errorf("decompress revision: %w", err)
	}
	defer dec.Close()
	plain, err := dec.DecodeAll(b, nil)
	if err != nil {
		return nil, fmt.Errorf("decompress revision: %w", err)
	}
	r := &pb.RegistryRevision{}
	if err := unseal(registryMagic, plain, r); err != nil {
		return nil, fmt.Errorf("decode revision: %w", err)
	}
	return r, nil
}

// AppendRevision appends r, whose Rev must be one above the last. It returns
// ErrStale otherwise, also when somebody else appended meanwhile. Where the
// server gives no clear answer it looks and tries again, a few times; an
// error other than ErrStale and ErrTooLarge means that r may or may not have
// been appended, and appending the same r again is safe.
func AppendRevision(ctx context.Context, js jetstream.JetStream, r *pb.RegistryRevision) error {
	b, err := encodeRevision(r)
	if err != nil {
		return fmt.Errorf("append revision %d: %w", r.GetRev(), err)
	}
	const tries = 3
	for try := 1; ; try++ {
		err := appendRevision(ctx, js, r, b)
		if err == nil {
			return nil
		}
		if errors.Is(err, ErrStale) || ctx.Err() != nil || try == tries {
			return fmt.Errorf("append revision %d: %w", r.GetRev(), err)
		}
		pause(ctx, 200*time.Millisecond)
	}
}

func appendRevision(ctx context.Context, js jetstream.JetStream, r *pb.RegistryRevision, b []byte) error {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	last, seq, err := lastRevision(ctx, js)
	switch {
	case err != nil:
		return err
	case r.GetRev() == last.GetRev() && proto.Equal(r, last):
		return nil // an earlier try was stored after all
	case r.GetRev() != last.GetRev()+1:
		return fmt.Errorf("after %d: %w", last.GetRev(), ErrStale)
	}
	// Only directly behind the revision just read. Refused: look again, it may
	// be ours.
	_, err = js.Publish(ctx, registrySubj, b, jetstream.WithExpectLastSequence(seq))
	return err
}

// lastRevision and its stream sequence; an empty one and 0 where none is.
func lastRevision(ctx context.Context, js jetstream.JetStream) (*pb.RegistryRevision, uint64, error) {
	s, err := js.Stream(ctx, StreamRegistry)
	if err != nil {
		return nil, 0, fmt.Errorf("stream %s: %w", StreamRegistry, err)
	}
	last := s.CachedInfo().State.LastSeq
	if last == 0 {
		return &pb.RegistryRevision{}, 0, nil
	}
	m, err := s.GetMsg(ctx, last)
	if err != nil {
		return nil, 0, fmt.Errorf("read revision: %w", err)
	}
	r, err := decodeRevision(m.Data)
	return r, last, err
}

// ReadRevisions returns all revisions after afterRev, in order.
func ReadRevisions(ctx context.Context, js jetstream.JetStream, afterRev uint64) ([]*pb.RegistryRevision, error) {
	s, err := js.Stream(ctx, StreamRegistry)
	if err != nil {
		return nil, fmt.Errorf("read revisions: %w", err)
	}
	st := s.CachedInfo().State
	var out []*pb.RegistryRevision
	// Sequence and revision rise together by one: walk back from the end.
	for seq := st.LastSeq; st.Msgs > 0 && seq >= st.FirstSeq && seq > 0; seq-- {
		m, err := s.GetMsg(ctx, seq)
		if err != nil {
			return nil, fmt.Errorf("read revision at %d: %w", seq, err)
		}
		r, err := decodeRevision(m.Data)
		if err != nil {
			return nil, fmt.Errorf("revision at %d: %w", seq, err)
		}
		if r.Rev <= afterRev {
			break
		}
		out = append(out, r)
	}
	for i, j := 0, len(out)-1; i < j; i, j = i+1, j-1 {
		out[i], out[j] = out[j], out[i]
	}
	return out, nil
}

// WatchRevisions calls f with every revision after afterRev, old and new, in
// order, until ctx ends (then it returns nil) or f fails. It waits while the
// server is away.
func WatchRevisions(ctx context.Context, js jetstream.JetStream, afterRev uint64, f func(*pb.RegistryRevision) error) error {
	for {
		err := watchRevisions(ctx, js, &afterRev, f)
		var stop *stopError
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.As(err, &stop):
			return stop.err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(250 * time.Millisecond):
		}
	}
}

// stopError carries what f said, apart from what the transport says.
type stopError struct{ err error }

func (e *stopError) Error() string { return e.err.Error() }

func watchRevisions(ctx context.Context, js jetstream.JetStream, after *uint64, f func(*pb.RegistryRevision) error) error {
	give := func(r *pb.RegistryRevision) error {
		if r.Rev <= *after {
			return nil
		}
		if err := f(r); err != nil {
			return &stopError{err}
		}
		*after = r.Rev
		return nil
	}
	s, err := js.Stream(ctx, StreamRegistry)
	if err != nil {
		return fmt.Errorf("watch revisions: %w", err)
	}
	from := s.CachedInfo().State.LastSeq + 1
	readCtx, cancel := context.WithTimeout(ctx, revisionReadTimeout)
	old, err := ReadRevisions(readCtx, js, *after)
	cancel()
	if err != nil {
		return err
	}
	for _, r := range old {
		if err := give(r); err != nil {
			return err
		}
	}
	cons, err := s.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from,
	})
	if err != nil {
		return fmt.Errorf("watch revisions: %w", err)
	}
	it, err := cons.Messages(jetstream.PullHeartbeat(5*time.Second), jetstream.PullExpiry(30*time.Second))
	if err != nil {
		return fmt.Errorf("watch revisions: %w", err)
	}
	defer it.Stop()
	for {
		m, err := it.Next(jetstream.NextContext(ctx))
		if err != nil {
			return fmt.Errorf("watch revisions: %w", err)
		}
		r, err := decodeRevision(m.Data())
		if err != nil {
			return err
		}
		if err := give(r); err != nil {
			return err
		}
	}
}
