package web

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"
)

// live sends a part of a page as server-sent events (WHATWG HTML, "server-sent events"): at once, then whenever it has
// changed, until the browser leaves or part says that it is over. What cannot be read is told in an event "trouble" and
// tried again; a comment is sent at least every half minute, so that whatever stands between keeps the connection.
func (s *Site) live(w http.ResponseWriter, r *http.Request, every time.Duration, part func(ctx context.Context) (html string, over bool, err error)) {
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	if out.Flush() != nil { // the browser knows that it is connected, also where there is nothing to tell
		return
	}
	ctx := r.Context()
	tick := time.NewTicker(every)
	defer tick.Stop()
	last, quiet := "", time.Now()
	send := func(event, text string) bool {
		var b strings.Builder
		b.WriteString("event: " + event + "\n")
		if text == "" {
			b.WriteString("data:\n") // an event without data is none
		}
		for line := range strings.Lines(text) {
			b.WriteString("data: " + strings.TrimRight(line, "\r\n") + "\n")
		}
		b.WriteString("\n")
		_, err := w.Write([]byte(b.String()))
		quiet = time.Now()
		return err == nil && out.Flush() == nil
	}
	for {
		html, over, err := part(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			_, head, _, _ := trouble(err)
			if event := "trouble\x00" + head; event != last {
				if last = event; !send("trouble", head) {
					return
				}
			}
		case html != last:
			if last = html; !send("part", html) {
				return
			}
		case time.Since(quiet) > 25*time.Second:
			if _, err := w.Write([]byte(":\n\n")); err != nil || out.Flush() != nil {
				return
			}
			quiet = time.Now()
		}
		if over {
			send("over", "over")
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// readLive reads the address of a stream of events. A mistake in it is refused for good; where the api does not answer the
// browser is told so and comes again by itself, which it would not after a status that is an error.
func (s *Site) readLive(w http.ResponseWriter, r *http.Request) (q *query, ok bool) {
	q, err := s.read(r.Context(), r.URL.Query())
	if err == nil {
		return q, true
	}
	code, head, text, _ := trouble(err)
	if bad := (badAddress{}); errors.As(err, &bad) {
		http.Error(w, text, code)
		return q, false
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = io.WriteString(w, "retry: 5000\nevent: trouble\ndata: "+head+"\n\n")
	return q, false
}

// newestOf keeps the newest of what a stream of the api sends.
type newestOf[T any] struct {
	mu  sync.Mutex
	val T
	err error // why there is nothing newer
}

// watchAgain is how long after the end of a stream of the api it is asked for again.
const watchAgain = 3 * time.Second

// follow opens a stream and keeps what it sends, again and again, until ctx ends.
func (n *newestOf[T]) follow(ctx context.Context, open func(ctx context.Context) (next func() (T, error), err error)) {
	for ctx.Err() == nil {
		next, err := open(ctx)
		for err == nil {
			var val T
			if val, err = next(); err == nil {
				n.mu.Lock()
				n.val, n.err = val, nil
				n.mu.Unlock()
			}
		}
		if !errors.Is(err, io.EOF) {
			n.mu.Lock()
			n.err = err
			n.mu.Unlock()
		}
		select {
		case <-ctx.Done():
		case <-time.After(watchAgain):
		}
	}
}

// get is the newest, or why there is none newer; the zero value: nothing was sent yet.
func (n *newestOf[T]) get() (T, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.val, n.err
}
