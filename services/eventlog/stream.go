package eventlog

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Names inside JetStream.
const (
	// StreamPress carries the frames of all presses.
	StreamPress = "PRESS"
	// StreamRegistry keeps every registry revision, without limit.
	StreamRegistry = "REGISTRY"
	// BucketLease is the key-value bucket of leases.
	BucketLease = "lease"
)

// StreamOptions may be left zero.
type StreamOptions struct {
	// Replicas of each stream and of the bucket, 1, 3 or 5; 0: 1. A stream that
	// has fewer gets more; one that has more keeps them: roles that are set
	// differently must not undo each other.
	Replicas int
	// MaxBytes of stream PRESS; 0: 4 GiB. A full stream refuses, agents wait.
	MaxBytes int64
	// MaxAge of stream PRESS; 0: 14 days.
	MaxAge time.Duration
	// DuplicateWindow of stream PRESS; 0: 10 minutes.
	DuplicateWindow time.Duration
	// LeaseTTL after which a lease that is not renewed is free; 0: 5 s.
	LeaseTTL time.Duration
}

// DefaultLeaseTTL is the time after which a silent holder loses its lease.
const DefaultLeaseTTL = 5 * time.Second

func or[T comparable](v, d T) T {
	var zero T
	if v == zero {
		return d
	}
	return v
}

// EnsureStreams makes the streams and the bucket, or brings them to these
// settings. Safe to call by several processes at once.
func EnsureStreams(ctx context.Context, js jetstream.JetStream, opt StreamOptions) error {
	replicas := or(opt.Replicas, 1)
	streams := []jetstream.StreamConfig{{
		Name:        StreamPress,
		Description: "frames of press events; transport, not the record",
		Subjects:    []string{streamPrefix + "*.*"},
		Storage:     jetstream.FileStorage,
		Retention:   jetstream.LimitsPolicy,
		Discard:     jetstream.DiscardNew,
		MaxAge:      or(opt.MaxAge, 14*24*time.Hour),
		MaxBytes:    or(opt.MaxBytes, 4<<30),
		MaxMsgs:     -1,
		MaxMsgSize:  MaxPayload,
		Duplicates:  or(opt.DuplicateWindow, 10*time.Minute),
		Replicas:    replicas,
		DenyDelete:  true,
		DenyPurge:   true,
	}, {
		Name:        StreamRegistry,
		Description: "every registry revision",
		Subjects:    []string{registrySubj},
		Storage:     jetstream.FileStorage,
		Retention:   jetstream.LimitsPolicy,
		Discard:     jetstream.DiscardNew,
		MaxMsgs:     -1,
		MaxBytes:    -1,
		MaxMsgSize:  MaxPayload,
		Replicas:    replicas,
		DenyDelete:  true,
		DenyPurge:   true,
	}}
	for _, cfg := range streams {
		if err := ensureStream(ctx, js, cfg); err != nil {
			return fmt.Errorf("ensure stream %s: %w", cfg.Name, err)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, ensureTry)
	defer cancel()
	kvReplicas, err := replicasOf(ctx, js, "KV_"+BucketLease, replicas)
	if err != nil {
		return fmt.Errorf("ensure bucket %s: %w", BucketLease, err)
	}
	_, err = js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{
		Bucket:      BucketLease,
		Description: "who writes",
		TTL:         or(opt.LeaseTTL, DefaultLeaseTTL),
		Storage:     jetstream.FileStorage,
		Replicas:    kvReplicas,
	})
	if err != nil {
		return fmt.Errorf("ensure bucket %s: %w", BucketLease, err)
	}
	return nil
}

// ensureTry is the patience with one question: a cluster between two leaders
// gives no answer, and the caller asks again.
const ensureTry = 2 * time.Second

func ensureStream(ctx context.Context, js jetstream.JetStream, cfg jetstream.StreamConfig) (err error) {
	ctx, cancel := context.WithTimeout(ctx, ensureTry)
	defer cancel()
	if cfg.Replicas, err = replicasOf(ctx, js, cfg.Name, cfg.Replicas); err != nil {
		return err
	}
	_, err = js.CreateOrUpdateStream(ctx, cfg)
	return err
}

// replicasOf is how many replicas a stream is to have: as many as wanted, or
// more where it has them.
func replicasOf(ctx context.Context, js jetstream.JetStream, stream string, want int) (int, error) {
	s, err := js.Stream(ctx, stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return want, nil
	}
	if err != nil {
		return 0, err
	}
	return max(want, s.CachedInfo().Config.Replicas), nil
}

// AckWait is how long a frame may stay unacknowledged before it is delivered
// again: twice the worst insert, and the longest pause after a server restart
// that lost deliveries on their way. Slower work says InProgress.
const AckWait = 20 * time.Second

// Consumer is the durable pull consumer of one warehouse on stream PRESS.
// A warehouse with a new id (made or restored) reads from the stream's start.
func Consumer(ctx context.Context, js jetstream.JetStream, warehouseID uint64) (jetstream.Consumer, error) {
	name := consumerName(warehouseID)
	var c jetstream.Consumer
	// A question that meets a server about to stop, or a cluster between two
	// leaders, gets no answer: it is soon asked again.
	err := ErrNoAnswer
	for tries := 0; err != nil && (tries == 0 || ctx.Err() == nil); tries++ {
		try, cancel := context.WithTimeout(ctx, consumerTry)
		// Looked for first: to make what is there costs a round of the cluster.
		if c, err = js.Consumer(try, StreamPress, name); errors.Is(err, jetstream.ErrConsumerNotFound) {
			c, err = js.CreateOrUpdateConsumer(try, StreamPress, jetstream.ConsumerConfig{
				Durable:       name,
				Description:   "the warehouse's reader",
				DeliverPolicy: jetstream.DeliverAllPolicy,
				AckPolicy:     jetstream.AckExplicitPolicy,
				AckWait:       AckWait,
				MaxDeliver:    -1,
				MaxAckPending: 20_000,
				ReplayPolicy:  jetstream.ReplayInstantPolicy,
			})
		}
		cancel()
		if !errors.Is(err, context.DeadlineExceeded) {
			break
		}
	}
	if err != nil {
		return nil, fmt.Errorf("consumer of warehouse %016x: %w", warehouseID, err)
	}
	return c, nil
}

// consumerTry is the patience with one question about a consumer.
const consumerTry = 2 * time.Second

// isStale reports a publish refused because the stream has moved on.
func isStale(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && (api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant)
}
