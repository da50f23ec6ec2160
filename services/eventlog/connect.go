package eventlog

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/nats-io/nats.go"
)

// ConnectCore connects to the account that owns the streams. It waits for the
// server until ctx ends and reconnects for ever after. url may name several
// servers, separated by commas, the preferred one first. Name all of a cluster:
// a server that is cut off from the others no longer tells of them.
func ConnectCore(ctx context.Context, url, password, name string, log *slog.Logger) (*nats.Conn, error) {
	return connect(ctx, url, UserCore, password, name, log)
}

// ConnectPress connects to the agents' account, likewise.
func ConnectPress(ctx context.Context, url, password, name string, log *slog.Logger) (*nats.Conn, error) {
	return connect(ctx, url, UserPress, password, name, log)
}

func connect(ctx context.Context, url, user, password, name string, log *slog.Logger) (*nats.Conn, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	opts := []nats.Option{
		nats.Name(name), nats.UserInfo(user, password),
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
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			refusals.Add(1)
			log.Error("log server refused", "err", err) // permissions arrive here
		}),
	}
	wait, said := 50*time.Millisecond, false
	for {
		nc, err := nats.Connect(url, opts...)
		if err == nil {
			return nc, nil
		}
		if !said {
			log.Info("waiting for the log server", "url", url, "err", err)
			said = true
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("connect to %s as %s: %w", url, user, err)
		case <-time.After(wait):
		}
		wait = min(2*wait, time.Second)
	}
}
