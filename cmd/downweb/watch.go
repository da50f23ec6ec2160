package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"time"

	"golang.org/x/term"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// watchEvery is how often a watched answer is asked for again.
const watchEvery = 2 * time.Second

// terminal says whether something is a terminal that can be drawn on.
func (a *app) terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd())) && lookup(a.environ, "TERM") != "dumb"
}

// watch writes an answer and, each time its figures change, writes it anew: drawn over on a terminal, one block
// after another elsewhere. It ends with ctx. While a part of the line is down it says so once and waits.
func (a *app) watch(ctx context.Context, one func(context.Context) (proto.Message, func(io.Writer) error, error)) error {
	return a.watchAt(ctx, watchEvery, one)
}

func (a *app) watchAt(ctx context.Context, every time.Duration, one func(context.Context) (proto.Message, func(io.Writer) error, error)) error {
	draw := a.terminal(a.out)
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	var last proto.Message
	waits := false
	for {
		m, write, err := one(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			if st, ok := grpcStatus(err); !ok || st.Code() != codes.Unavailable || last == nil {
				return err
			}
			if !waits {
				fmt.Fprintln(a.err, "downweb: "+oneLine(explain(err)))
			}
			waits = true
		default:
			waits = false
			figures := proto.Clone(m)
			if r, ok := figures.(*pb.GetLossesResponse); ok {
				r.AsOf = nil // moves with every event, also of other presses
			}
			if last != nil && proto.Equal(last, figures) {
				break
			}
			var b bytes.Buffer
			if draw {
				b.WriteString("\x1b[H\x1b[2J")
			} else if last != nil {
				b.WriteByte('\n')
			}
			if err := write(&b); err != nil {
				return err
			}
			if _, err := a.out.Write(b.Bytes()); err != nil {
				return err
			}
			last = figures
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}
