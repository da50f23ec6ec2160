package eventlog

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/services/ops"
)

// refusals count what the log server has refused this process's connections, such as a publish without permission.
var refusals atomic.Uint64

// denials are those of them about permissions and log-in.
var denials atomic.Uint64

// RegisterConnMetrics adds what all connections of this process count.
func RegisterConnMetrics(m *ops.Metrics) {
	m.Count("downweb_log_refusals_total", "Refusals of the log server that came to this process's connections: permissions, slow consumers.", refusals.Load)
	m.Count("downweb_log_denials_total", "Times that the log server said: this key or user may not. A publish to another press, a revoked key, a wrong password.", denials.Load)
}

// RegisterLogMetrics adds how full stream PRESS is and how far behind the reader of the warehouse is. The server is
// asked when the metrics are, at most every 2 s; while it does not answer, downweb_log_reachable is 0 and the rest is
// as it was.
func RegisterLogMetrics(m *ops.Metrics, js jetstream.JetStream, warehouseID uint64) {
	l := &logMetrics{js: js, consumer: consumerName(warehouseID)}
	gauge := func(name, help string, of func(*logState) float64) {
		m.Gauge("downweb_log_"+name, help, func() float64 { s := l.look(); return of(&s) })
	}
	gauge("reachable", "1 while the log server answers about the stream and its reader.", func(s *logState) float64 { return s.reachable })
	gauge("stream_bytes", "Bytes of stream PRESS.", func(s *logState) float64 { return s.bytes })
	gauge("stream_limit_bytes", "Bytes at which stream PRESS refuses and agents wait.", func(s *logState) float64 { return s.limit })
	gauge("stream_messages", "Messages in stream PRESS.", func(s *logState) float64 { return s.messages })
	gauge("pending_messages", "Messages that the warehouse's reader has not been given.", func(s *logState) float64 { return s.pending })
	gauge("unacked_messages", "Messages that the warehouse's reader was given and has not acknowledged.", func(s *logState) float64 { return s.unacked })
	gauge("redelivered_messages", "Messages that were given to the reader more than once and are not acknowledged.", func(s *logState) float64 { return s.redelivered })
	gauge("oldest_waiting_seconds", "Age of the oldest message that is not acknowledged; 0: none.", func(s *logState) float64 { return s.oldest })
}

type logState struct{ reachable, bytes, limit, messages, pending, unacked, redelivered, oldest float64 }

type logMetrics struct {
	js       jetstream.JetStream
	consumer string

	mu   sync.Mutex
	at   time.Time
	last logState
}

func (l *logMetrics) look() logState {
	l.mu.Lock()
	defer l.mu.Unlock()
	if time.Since(l.at) < 2*time.Second {
		return l.last
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	s, err := l.ask(ctx)
	if err != nil {
		s = l.last
		s.reachable = 0
	}
	l.last, l.at = s, time.Now()
	return s
}

func (l *logMetrics) ask(ctx context.Context) (s logState, err error) {
	stream, err := l.js.Stream(ctx, StreamPress)
	if err != nil {
		return s, fmt.Errorf("look at stream %s: %w", StreamPress, err)
	}
	info := stream.CachedInfo()
	s.bytes, s.limit, s.messages = float64(info.State.Bytes), float64(info.Config.MaxBytes), float64(info.State.Msgs)
	c, err := stream.Consumer(ctx, l.consumer)
	if err != nil {
		return s, fmt.Errorf("look at consumer %s: %w", l.consumer, err)
	}
	ci := c.CachedInfo()
	s.pending, s.unacked, s.redelivered = float64(ci.NumPending), float64(ci.NumAckPending), float64(ci.NumRedelivered)
	if s.pending+s.unacked > 0 {
		if first := max(ci.AckFloor.Stream+1, info.State.FirstSeq); first <= info.State.LastSeq {
			if msg, err := stream.GetMsg(ctx, first); err == nil {
				s.oldest = max(0, time.Since(msg.Time).Seconds())
			}
		}
	}
	s.reachable = 1
	return s, nil
}

func consumerName(warehouseID uint64) string { return fmt.Sprintf("ingest-%016x", warehouseID) }
