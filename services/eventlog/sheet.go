package eventlog

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/nats-io/nats.go"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

const sheetPrefix = "dw.due."

// sheetMagic begins requests and replies for sheets.
const sheetMagic = "DWS1"

// ServeSheets answers agents that ask for a press's sheet. f's error is told
// to the agent as text, so it must hold nothing that the press may not know.
// Several servers share the work.
func ServeSheets(ctx context.Context, nc *nats.Conn, f func(ctx context.Context, plant, press string) (*pb.PressSheet, error)) (*nats.Subscription, error) {
	busy := make(chan struct{}, 4)
	sub, err := nc.QueueSubscribe(sheetPrefix+"*.*", "sheets", func(m *nats.Msg) {
		plant, press, ok := parseSubject(sheetPrefix, m.Subject)
		req := &pb.SheetRequest{}
		if !ok || unseal(sheetMagic, m.Data, req) != nil {
			return
		}
		select {
		case busy <- struct{}{}:
		case <-ctx.Done():
			return
		}
		go func() {
			defer func() { <-busy }()
			reply := &pb.SheetReply{Nonce: req.Nonce}
			if s, err := f(ctx, plant, press); err != nil {
				reply.Error = err.Error()
			} else {
				reply.Sheet = s
			}
			b, err := seal(sheetMagic, reply)
			if err == nil && len(b) > MaxPayload {
				b, err = seal(sheetMagic, &pb.SheetReply{Nonce: req.Nonce, Error: "the sheet is too large to be sent"})
			}
			if err == nil {
				_ = m.Respond(b) // a lost answer is asked for again
			}
		}()
	})
	if err != nil {
		return nil, fmt.Errorf("serve sheets: %w", err)
	}
	// Who asks right afterwards finds it; a server that is away learns of it when
	// it is back.
	_ = nc.FlushTimeout(2 * time.Second)
	return sub, nil
}

// AskSheet asks for a press's sheet and waits until ctx ends. It returns
// ErrNoAnswer where nobody serves sheets, and what the server said as an error
// where it has none. Anything but a sealed reply to this very question is
// ignored.
func AskSheet(ctx context.Context, nc *nats.Conn, plant, press string) (*pb.PressSheet, error) {
	req := &pb.SheetRequest{Nonce: rand.Uint64()}
	b, err := seal(sheetMagic, req)
	if err != nil {
		return nil, err
	}
	inbox := nc.NewInbox()
	sub, err := nc.SubscribeSync(inbox)
	if err != nil {
		return nil, fmt.Errorf("ask sheet: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := nc.PublishRequest(sheetPrefix+plant+"."+press, inbox, b); err != nil {
		return nil, fmt.Errorf("ask sheet: %w", err)
	}
	for {
		m, err := sub.NextMsgWithContext(ctx)
		if errors.Is(err, nats.ErrNoResponders) {
			return nil, ErrNoAnswer
		}
		if err != nil {
			return nil, fmt.Errorf("ask sheet: %w", err)
		}
		if len(m.Data) == 0 && m.Header.Get("Status") == "503" {
			return nil, ErrNoAnswer
		}
		reply := &pb.SheetReply{}
		if unseal(sheetMagic, m.Data, reply) != nil || reply.Nonce != req.Nonce {
			continue
		}
		if reply.Sheet == nil {
			return nil, fmt.Errorf("sheet of %s/%s: %s", plant, press, reply.Error)
		}
		return reply.Sheet, nil
	}
}
