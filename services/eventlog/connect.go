package eventlog

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// Users of the embedded server. UserPress is shared by all agents that are not
// enrolled with a key of their own.
const (
	UserCore  = "core"
	UserPress = "press"
)

// ConnectOption changes how ConnectCore and ConnectPress connect.
type ConnectOption func(*access)

type access struct {
	user, password string
	seed           []byte
	tls            TLS
	denied         func(error)
}

// WithKey shows a key of the device's own, an NKEY user seed, instead of user
// and password. Answers come to an inbox that only this key may read.
func WithKey(seed []byte) ConnectOption { return func(a *access) { a.seed = seed } }

// WithTLS says how the server is known.
func WithTLS(t TLS) ConnectOption { return func(a *access) { a.tls = t } }

// OnDenied calls f whenever the server says that this connection may not do
// what it tried, or may not connect. f must return soon.
func OnDenied(f func(error)) ConnectOption { return func(a *access) { a.denied = f } }

// KeyInbox is the prefix of the inboxes that a public key may read.
func KeyInbox(public string) string { return "_INBOX_" + public }

// ConnectCore connects to the account that owns the streams. It waits for the
// server until ctx ends and reconnects for ever after. url may name several
// servers, separated by commas, the preferred one first. Name all of a cluster:
// a server that is cut off from the others no longer tells of them.
func ConnectCore(ctx context.Context, url, password, name string, log *slog.Logger, opts ...ConnectOption) (*nats.Conn, error) {
	return connect(ctx, url, UserCore, password, name, log, opts)
}

// ConnectPress connects to the agents' account, likewise: as the shared user,
// or with WithKey.
func ConnectPress(ctx context.Context, url, password, name string, log *slog.Logger, opts ...ConnectOption) (*nats.Conn, error) {
	return connect(ctx, url, UserPress, password, name, log, opts)
}

// who is the option by which a connection says who it is.
func (a *access) who() (nats.Option, error) {
	if a.seed == nil {
		return nats.UserInfo(a.user, a.password), nil
	}
	kp, err := nkeys.FromSeed(a.seed)
	if err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	public, err := kp.PublicKey()
	if err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	if !nkeys.IsValidPublicUserKey(public) {
		return nil, errors.New("key: it is not a user's")
	}
	a.user = public
	return func(o *nats.Options) error {
		if err := nats.CustomInboxPrefix(KeyInbox(public))(o); err != nil {
			return err
		}
		return nats.Nkey(public, kp.Sign)(o)
	}, nil
}

// deniedBy says whether err is the server's word that somebody may not.
func deniedBy(err error) bool {
	return errors.Is(err, nats.ErrPermissionViolation) || errors.Is(err, nats.ErrAuthorization) ||
		errors.Is(err, nats.ErrAuthRevoked) || errors.Is(err, nats.ErrAuthExpired)
}

func connect(ctx context.Context, url, user, password, name string, log *slog.Logger, with []ConnectOption) (*nats.Conn, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	a := &access{user: user, password: password}
	for _, o := range with {
		o(a)
	}
	who, err := a.who()
	if err != nil {
		return nil, err
	}
	secure, err := a.tls.option()
	if err != nil {
		return nil, err
	}
	refused := func(err error) {
		refusals.Add(1)
		if deniedBy(err) {
			denials.Add(1)
			if a.denied != nil {
				a.denied(err)
			}
		}
		log.Error("log server refused", "err", err)
	}
	opts := []nats.Option{
		nats.Name(name), who, secure,
		nats.MaxReconnects(-1),
		nats.DontRandomize(),
		nats.CustomReconnectDelay(func(attempts int) time.Duration {
			return min(100*time.Millisecond<<min(attempts, 5), 2*time.Second)
		}),
		nats.PingInterval(5 * time.Second), nats.MaxPingsOutstanding(2),
		nats.Timeout(3 * time.Second),
		// Nothing is queued while away: a publish fails and is tried again.
		nats.ReconnectBufSize(-1),
		nats.IgnoreAuthErrorAbort(),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				log.Warn("log server away", "err", err)
			}
		}),
		nats.ReconnectHandler(func(*nats.Conn) { log.Info("log server is back") }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { refused(err) }), // permissions arrive here
	}
	wait, said := 50*time.Millisecond, ""
	for {
		nc, err := nats.Connect(url, opts...)
		if err == nil {
			return nc, nil
		}
		switch text := err.Error(); {
		case said == text:
		case deniedBy(err):
			refused(err)
			said = text
		default:
			log.Info("waiting for the log server", "url", url, "err", err)
			said = text
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("connect to %s as %s: %w", url, a.user, err)
		case <-time.After(wait):
		}
		wait = min(2*wait, time.Second)
	}
}

// ConnectOnce connects as any user, with inboxes under a prefix, and does not
// try again: for a question that a person waits for.
func ConnectOnce(ctx context.Context, url, user, password, inbox string, t TLS) (*nats.Conn, error) {
	secure, err := t.option()
	if err != nil {
		return nil, err
	}
	wait := 5 * time.Second
	if end, ok := ctx.Deadline(); ok {
		wait = max(time.Millisecond, min(wait, time.Until(end)))
	}
	return nats.Connect(url, nats.UserInfo(user, password), nats.CustomInboxPrefix(inbox), nats.DontRandomize(), nats.NoReconnect(), nats.Timeout(wait), secure)
}
