package agent

import (
	"bytes"
	"errors"
	"io"
)

// chunkSize is about how much is parsed and accepted at once, bytes.
const chunkSize = 128 << 10

// chunk is a run of whole lines of one source, or the news of one line that
// was too long to hold.
type chunk struct {
	data []byte
	// line is the number of the first line.
	line int
	// tooLong is the length of a line that was read over; data is empty then.
	tooLong int
	// end is the offset after the chunk, lines the number of the line there.
	end      int64
	nextLine int
}

func (c *chunk) parse(p *parser) []item {
	if c.tooLong > 0 {
		return []item{{line: c.line, bad: tooLong(c.tooLong)}}
	}
	return p.lines(c.data, c.line)
}

// chunker cuts a reader into chunks. It holds at most MaxLine + chunkSize.
type chunker struct {
	r    io.Reader
	rest []byte // read, not yet given out
	off  int64  // offset of rest
	line int    // number of the line at off
	skip int    // bytes of a too long line read over so far
}

func newChunker(r io.Reader, off int64, line int) *chunker {
	return &chunker{r: r, off: off, line: line}
}

// next returns the next chunk. At the end of the reader it returns io.EOF;
// with final set, a last line without a line end is given out first,
// otherwise it is left for later. Chunk and error may come together.
func (c *chunker) next(final bool) (*chunk, error) {
	if c.skip == 0 {
		// What followed a too long line may hold whole lines.
		if i := bytes.LastIndexByte(c.rest, '\n'); i >= 0 {
			return c.take(i + 1), nil
		}
	}
	for {
		size := len(c.rest)
		if cap(c.rest)-size < chunkSize/2 {
			grown := make([]byte, size, size+chunkSize)
			copy(grown, c.rest)
			c.rest = grown
		}
		n, err := c.r.Read(c.rest[size:cap(c.rest)])
		c.rest = c.rest[:size+n]
		if n == 0 && err == nil {
			continue
		}
		if c.skip > 0 {
			if ch := c.skipping(); ch != nil {
				return ch, nil
			}
		} else if i := bytes.LastIndexByte(c.rest[size:], '\n'); i >= 0 {
			// More than one chunk's worth is never gathered before a line end
			// is seen, so what is given out is bounded too.
			return c.take(size + i + 1), nil
		} else if len(c.rest) > MaxLine {
			c.skip = len(c.rest)
			c.off += int64(len(c.rest))
			c.rest = c.rest[:0]
		}
		if err == nil {
			continue
		}
		if !errors.Is(err, io.EOF) {
			return nil, err
		}
		if final {
			switch {
			case c.skip > 0:
				ch := &chunk{line: c.line, tooLong: c.skip, end: c.off, nextLine: c.line + 1}
				c.line, c.skip = c.line+1, 0
				return ch, io.EOF
			case len(c.rest) > 0:
				return c.take(len(c.rest)), io.EOF
			}
		}
		return nil, io.EOF
	}
}

// skipping reads over a too long line.
func (c *chunker) skipping() *chunk {
	i := bytes.IndexByte(c.rest, '\n')
	if i < 0 {
		c.skip += len(c.rest)
		c.off += int64(len(c.rest))
		c.rest = c.rest[:0]
		return nil
	}
	c.off += int64(i + 1)
	ch := &chunk{line: c.line, tooLong: c.skip + i, end: c.off, nextLine: c.line + 1}
	c.rest = append([]byte(nil), c.rest[i+1:]...)
	c.skip = 0
	c.line++
	return ch
}

func (c *chunker) take(n int) *chunk {
	ch := &chunk{data: c.rest[:n:n], line: c.line}
	rest := c.rest[n:]
	c.rest = append(make([]byte, 0, len(rest)+chunkSize), rest...)
	c.off += int64(n)
	c.line += bytes.Count(ch.data, []byte{'\n'})
	ch.end, ch.nextLine = c.off, c.line
	return ch
}
