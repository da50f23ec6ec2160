package eventlog

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Lease lets one of several processes work at a time. It is not a lock: a
// holder that was paused may wake and write beside the new one, and must do
// no harm by it.
type Lease struct {
	js           jetstream.JetStream
	name, holder string
	ttl          time.Duration
	log          *slog.Logger
	// kv is kept: to open it asks the leader of the cluster, which a renewal
	// can do without.
	kv jetstream.KeyValue
}

// bucket opens the bucket once. It is called by one goroutine at a time.
func (l *Lease) bucket(ctx context.Context) (jetstream.KeyValue, error) {
	if l.kv != nil {
		return l.kv, nil
	}
	kv, err := l.js.KeyValue(ctx, BucketLease)
	if err == nil {
		l.kv = kv
	}
	return kv, err
}

// NewLease on key name in the lease bucket, for holder (a name for people,
// made unique by the caller). ttl must be the bucket's LeaseTTL; 0: the
// default.
func NewLease(js jetstream.JetStream, name, holder string, ttl time.Duration, log *slog.Logger) *Lease {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Lease{js: js, name: name, holder: holder, ttl: or(ttl, DefaultLeaseTTL), log: log}
}

type heldKey struct{}

// Held says whether the lease of a work's context still holds by this process's
// clock: renewed less than 4/5 of its time ago. A process that wakes from a
// pause learns here, before its context ends, that others may have taken over.
// It is true for a context that comes from no lease.
func Held(ctx context.Context) bool {
	h, ok := ctx.Value(heldKey{}).(func() bool)
	return !ok || h() && ctx.Err() == nil
}

// Run campaigns for the lease and calls work while it is held, with a context
// that ends when the lease is lost or ctx ends. When work returns, by error or
// not, the lease is given back and campaigned for again. Run returns nil when
// ctx has ended.
func (l *Lease) Run(ctx context.Context, work func(ctx context.Context) error) error {
	said := false
	for ctx.Err() == nil {
		rev, sent, err := l.acquire(ctx)
		if err != nil {
			if !said {
				l.log.Info("waiting for the lease", "lease", l.name, "err", err)
				said = true
			}
			pause(ctx, l.ttl/10+rand.N(l.ttl/20+1))
			continue
		}
		said = false
		l.log.Info("lease taken", "lease", l.name, "holder", l.holder)
		err = l.hold(ctx, rev, sent, work)
		if ctx.Err() != nil {
			return nil
		}
		l.log.Warn("lease ended", "lease", l.name, "holder", l.holder, "err", err)
		pause(ctx, l.ttl/20)
	}
	return nil
}

// Holder is the present holder's name, empty where there is none.
func (l *Lease) Holder(ctx context.Context) (string, error) {
	kv, err := l.js.KeyValue(ctx, BucketLease)
	if err != nil {
		return "", fmt.Errorf("lease %s: %w", l.name, err)
	}
	e, err := kv.Get(ctx, l.name)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("lease %s: %w", l.name, err)
	}
	return string(e.Value()), nil
}

func (l *Lease) acquire(ctx context.Context) (rev uint64, sent time.Time, err error) {
	ctx, cancel := context.WithTimeout(ctx, l.ttl/2)
	defer cancel()
	kv, err := l.bucket(ctx)
	if err != nil {
		return 0, sent, err
	}
	sent = time.Now()
	rev, err = kv.Create(ctx, l.name, []byte(l.holder))
	return rev, sent, err
}

// hold renews every third of the ttl. The lease counts as lost as soon as the
// server says so, or when 4/5 of the ttl have passed since the last renewal
// that succeeded was sent.
func (l *Lease) hold(ctx context.Context, rev uint64, sent time.Time, work func(ctx context.Context) error) error {
	var renewed atomic.Pointer[time.Time]
	first := sent // sent itself changes below, while held is asked by others
	renewed.Store(&first)
	held := func() bool { return time.Since(*renewed.Load()) < l.ttl*4/5 }
	workCtx, stop := context.WithCancel(context.WithValue(ctx, heldKey{}, held))
	defer stop()
	done := make(chan error, 1)
	go func() { done <- work(workCtx) }()
	tick := time.NewTicker(l.ttl / 3)
	defer tick.Stop()
	lost := error(nil)
	for lost == nil {
		select {
		case err := <-done:
			l.release(rev)
			return err
		case <-ctx.Done():
			err := <-done
			l.release(rev)
			return err
		case <-tick.C:
		}
		at := time.Now()
		left := l.ttl*4/5 - at.Sub(sent)
		if left <= 0 {
			lost = errors.New("lease not renewed in time")
			break
		}
		next, err := l.renew(ctx, rev, min(left, l.ttl/3))
		switch {
		case err == nil:
			rev, sent = next, at
			renewed.Store(&at)
		case isStale(err) || errors.Is(err, jetstream.ErrKeyExists):
			// A renewal whose answer was lost has moved the key on: then it is still ours.
			if rev, err = l.ours(ctx, min(left, l.ttl/3)); err != nil {
				lost = fmt.Errorf("lease taken by another: %w", err)
			}
		}
	}
	stop()
	return errors.Join(lost, <-done)
}

func (l *Lease) renew(ctx context.Context, rev uint64, limit time.Duration) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	kv, err := l.bucket(ctx)
	if err != nil {
		return 0, err
	}
	return kv.Update(ctx, l.name, []byte(l.holder), rev)
}

// ours gives the key's revision where this holder wrote it. It renews nothing.
func (l *Lease) ours(ctx context.Context, limit time.Duration) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	kv, err := l.bucket(ctx)
	if err != nil {
		return 0, err
	}
	e, err := kv.Get(ctx, l.name)
	if err != nil {
		return 0, err
	}
	if string(e.Value()) != l.holder {
		return 0, fmt.Errorf("held by %s", e.Value())
	}
	return e.Revision(), nil
}

// release lets the next holder in at once; where it fails the ttl does.
func (l *Lease) release(rev uint64) {
	ctx, cancel := context.WithTimeout(context.Background(), l.ttl/2)
	defer cancel()
	if kv, err := l.bucket(ctx); err == nil {
		_ = kv.Delete(ctx, l.name, jetstream.LastRevision(rev))
	}
}

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
