package agent

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"
)

// Followed files and directories are looked at so often: soon after something
// came, less and less while nothing does.
const (
	pollSoon = 50 * time.Millisecond
	pollLate = time.Second
)

// job is one chunk on its way: parsed by a worker, taken in order.
type job struct {
	name  string // for people
	id    string // for the position
	chunk *chunk
	pos   []byte // position after the chunk; nil: none is kept
	items chan []item
}

// position in a source: how far, and what the source began with, so that
// another file under the same name is not taken for the same.
type position struct {
	off     int64
	line    int
	headLen int64
	head    [16]byte
}

const headBytes = 1024

func (p position) encode() []byte {
	b := binary.BigEndian.AppendUint64(nil, uint64(p.off))
	b = binary.BigEndian.AppendUint64(b, uint64(p.line))
	b = binary.BigEndian.AppendUint64(b, uint64(p.headLen))
	return append(b, p.head[:]...)
}

func decodePosition(b []byte) (p position, ok bool) {
	if len(b) != 40 {
		return position{line: 1}, false
	}
	p.off, p.line, p.headLen = int64(binary.BigEndian.Uint64(b)), int(binary.BigEndian.Uint64(b[8:])), int64(binary.BigEndian.Uint64(b[16:]))
	copy(p.head[:], b[24:])
	return p, true
}

func headOf(r io.ReaderAt, n int64) (sum [16]byte, err error) {
	b := make([]byte, n)
	if _, err := r.ReadAt(b, 0); err != nil {
		return sum, err
	}
	full := sha256.Sum256(b)
	copy(sum[:], full[:])
	return sum, nil
}

// feeder reads one source and emits its chunks.
type feeder struct {
	src    Source
	stored func(id string) ([]byte, error)
	emit   func(ctx context.Context, j job) error
	seen   map[string]position // as emitted by this process
	got    bool                // something, in this pass
	warn   func(msg string, args ...any)
}

func (f *feeder) run(ctx context.Context) error {
	f.seen = map[string]position{}
	switch {
	case f.src.Reader != nil:
		return f.reader(ctx, f.src.Reader, f.src.Name, f.src.id())
	case f.src.Path == "-":
		return f.reader(ctx, os.Stdin, "-", "")
	}
	path, err := filepath.Abs(f.src.Path)
	if err != nil {
		return fmt.Errorf("source %s: %w", f.src.Path, err)
	}
	for wait := pollSoon; ; wait = min(2*wait, pollLate) {
		f.got = false
		err := f.pass(ctx, path)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !f.src.Follow:
			return fmt.Errorf("source %s: %w", f.src.Path, err)
		case err != nil && !errors.Is(err, os.ErrNotExist):
			f.warn("source cannot be read", "source", f.src.Path, "err", err)
		case !f.src.Follow:
			return nil
		}
		if f.got {
			wait = pollSoon
		}
		if !sleep(ctx, wait) {
			return nil
		}
	}
}

// pass reads everything there is at the moment.
func (f *feeder) pass(ctx context.Context, path string) error {
	fi, err := os.Stat(path)
	if err != nil {
		return err
	}
	if !fi.IsDir() {
		return f.file(ctx, path, fi)
	}
	entries, err := os.ReadDir(path)
	if err != nil {
		return err
	}
	sort.Slice(entries, func(i, j int) bool { return entries[i].Name() < entries[j].Name() })
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") || strings.HasSuffix(e.Name(), ".tmp") {
			continue
		}
		fi, err := os.Stat(filepath.Join(path, e.Name()))
		if err != nil || !fi.Mode().IsRegular() {
			continue
		}
		if err := f.file(ctx, filepath.Join(path, e.Name()), fi); err != nil {
			return err
		}
	}
	return nil
}

// file reads a file from where it was left to its end.
func (f *feeder) file(ctx context.Context, path string, fi os.FileInfo) error {
	at, known := f.seen[path]
	if known && fi.Size() == at.off {
		return nil
	}
	r, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = r.Close() }()
	if !known {
		b, err := f.stored(path)
		if err != nil {
			return err
		}
		at, _ = decodePosition(b)
	}
	if at.off > 0 {
		head, err := headOf(r, at.headLen)
		if err != nil || head != at.head || fi.Size() < at.off {
			at = position{line: 1} // another file under this name
		}
	}
	if _, err := r.Seek(at.off, io.SeekStart); err != nil {
		return err
	}
	f.seen[path] = at
	c := newChunker(r, at.off, at.line)
	for {
		ch, err := c.next(!f.src.Follow)
		if ch != nil {
			at.off, at.line = ch.end, ch.nextLine
			if n := min(at.off, headBytes); n != at.headLen {
				at.headLen = n
				if at.head, err = headOf(r, n); err != nil {
					return err
				}
			}
			if err := f.emit(ctx, job{name: path, id: path, chunk: ch, pos: at.encode()}); err != nil {
				return err
			}
			f.seen[path], f.got = at, true
			continue
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// reader reads a stream to its end; id is empty where no position is kept.
func (f *feeder) reader(ctx context.Context, r io.Reader, name, id string) error {
	at := position{line: 1}
	if res, ok := r.(Resumer); ok && id != "" {
		b, err := f.stored(id)
		if err != nil {
			return err
		}
		at, _ = decodePosition(b)
		if err := res.Resume(at.off); err != nil {
			return fmt.Errorf("source %s: resume at %d: %w", name, at.off, err)
		}
	} else {
		id = ""
	}
	c := newChunker(interruptible(ctx, r), at.off, at.line)
	for {
		ch, err := c.next(true)
		if ch != nil {
			j := job{name: name, id: id, chunk: ch}
			if id != "" {
				j.pos = position{off: ch.end, line: ch.nextLine}.encode()
			}
			if err := f.emit(ctx, j); err != nil {
				return err
			}
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, io.EOF):
			if f.src.Follow { // the stream has ended; others may go on
				<-ctx.Done()
			}
			return nil
		case err != nil:
			return fmt.Errorf("source %s: %w", name, err)
		}
	}
}

// interruptible makes a Read that blocks for ever return when ctx ends. The
// goroutine that reads is left behind then, until its Read returns.
func interruptible(ctx context.Context, r io.Reader) io.Reader {
	return &ctxReader{ctx: ctx, r: r, asked: make(chan []byte), done: make(chan readResult, 1)}
}

type readResult struct {
	n   int
	err error
}

type ctxReader struct {
	ctx     context.Context
	r       io.Reader
	asked   chan []byte
	done    chan readResult
	started bool
	buf     []byte
}

func (c *ctxReader) Read(p []byte) (int, error) {
	if !c.started {
		c.started = true
		c.buf = make([]byte, chunkSize)
		go func() {
			for {
				select {
				case <-c.ctx.Done():
					return
				case b := <-c.asked:
					n, err := c.r.Read(b)
					c.done <- readResult{n, err}
				}
			}
		}()
	}
	// The reader gets a buffer of its own: it may outlive this call.
	select {
	case <-c.ctx.Done():
		return 0, c.ctx.Err()
	case c.asked <- c.buf[:min(len(p), len(c.buf))]:
	}
	select {
	case <-c.ctx.Done():
		return 0, c.ctx.Err()
	case r := <-c.done:
		return copy(p, c.buf[:r.n]), r.err
	}
}

func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
