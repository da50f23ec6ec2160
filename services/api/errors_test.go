package api

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

// badReader injects failures: whatever is asked, fail decides.
type badReader struct {
	Reader
	mu   sync.Mutex
	fail func() error
}

func (r *badReader) set(f func() error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.fail = f
}

func (r *badReader) err() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.fail()
}

func (r *badReader) MaxPos(context.Context) (uint64, error) { return 0, r.err() }
func (r *badReader) UnfinishedStudies(context.Context) ([]StudyRecord, error) {
	return nil, nil
}
func (r *badReader) GetStudy(context.Context, string) (StudyRecord, error) {
	return StudyRecord{}, r.err()
}

// memLog is a registry without revisions.
type memLog struct{}

func (memLog) Append(context.Context, *pb.RegistryRevision) error { return errors.New("not here") }
func (memLog) Read(context.Context, uint64) ([]*pb.RegistryRevision, error) {
	return nil, nil
}

type lockedBuffer struct {
	mu sync.Mutex
	bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Buffer.Write(p)
}

func (b *lockedBuffer) text() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Buffer.String()
}

// Whatever goes wrong inside, a client sees a code and one plain line: no
// stack, no path, no query.
func TestInsideStaysInside(t *testing.T) {
	var logged lockedBuffer
	reader := &badReader{}
	s := New(Config{Listen: "127.0.0.1:0", Log: slog.New(slog.NewTextHandler(&logged, nil))}, Deps{Reader: reader, Registry: registry.New(memLog{})})
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	run, stop := context.WithCancel(ctx)
	done := make(chan error, 1)
	go func() { done <- s.Run(run) }()
	select {
	case <-s.Ready():
	case err := <-done:
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(s.Addr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	client := pb.NewEventServiceClient(conn)
	const secret = "SELECT secret FROM /var/lib/somewhere"
	for _, c := range []struct {
		name string
		fail func() error
		code codes.Code
		text string
	}{
		{"a panic", func() error { panic(secret) }, codes.Internal, "internal error"},
		{"a nil pointer", func() error { var p *timeline.Press; return errors.New(p.Name) }, codes.Internal, "internal error"},
		{"an error", func() error { return errors.New(secret) }, codes.Internal, "internal error"},
		{"a hop that is down", func() error { return fmt.Errorf("%s: %w", secret, ErrUnavailable) }, codes.Unavailable, "down"},
		{"a connection refused", func() error {
			return fmt.Errorf("%s: %w", secret, &net.OpError{Op: "dial", Err: errors.New("refused")})
		}, codes.Unavailable, "down"},
		{"not in time", func() error { return fmt.Errorf("%s: %w", secret, context.DeadlineExceeded) }, codes.DeadlineExceeded, "same request_id"},
		{"not kept", func() error { return fmt.Errorf("%s: %w", secret, ErrNotFound) }, codes.NotFound, "not found"},
	} {
		reader.set(c.fail)
		_, unary := client.ListEvents(ctx, &pb.ListEventsRequest{})
		stream, err := client.WatchEvents(ctx, &pb.WatchEventsRequest{})
		if err == nil {
			_, err = stream.Recv()
		}
		for kind, err := range map[string]error{"unary": unary, "stream": err} {
			st := status.Convert(err)
			if st.Code() != c.code || !strings.Contains(st.Message(), c.text) {
				t.Errorf("%s, %s: %v %q, want %v with %q", c.name, kind, st.Code(), st.Message(), c.code, c.text)
			}
			if all := st.String() + fmt.Sprint(st.Details()); strings.Contains(all, "SELECT") || strings.Contains(all, "goroutine") || strings.Contains(all, ".go:") || strings.Contains(all, "/var") {
				t.Errorf("%s, %s: the inside is in %q", c.name, kind, all)
			}
		}
	}
	if l := logged.text(); !strings.Contains(l, secret) || !strings.Contains(l, "errors_test.go") {
		t.Error("the log does not hold the panic with its stack")
	}
	// Streams end when the server stops, at once and not after the patience of
	// a graceful stop.
	reader.set(func() error { return nil })
	stream, err := client.WatchEvents(ctx, &pb.WatchEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(100 * time.Millisecond)
	began := time.Now()
	stop()
	if _, err := stream.Recv(); status.Code(err) != codes.Unavailable {
		t.Errorf("a stream of a stopping server: %v", err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
	if d := time.Since(began); d > 3*time.Second {
		t.Errorf("stopping took %v", d)
	}
	// Recording without a way to the log is said, not tried.
	s2 := New(Config{}, Deps{Reader: reader, Registry: registry.New(memLog{})})
	_, err = (&eventService{s: s2}).RecordEvents(ctx, &pb.RecordEventsRequest{RequestId: "12345678", Events: []*pb.Event{{}}})
	if status.Code(err) != codes.Unavailable {
		t.Errorf("recording without a writer: %v", err)
	}
}
