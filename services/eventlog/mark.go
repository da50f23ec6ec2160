package eventlog

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// ErrNoAnswer is returned by AskMark when nobody serves marks at the moment.
var ErrNoAnswer = errors.New("no ingest answers for marks")

var errSealed = errors.New("not a sealed message")

const markMagic = "DWM1"

// seal puts magic and checksum before a message.
func seal(magic string, m proto.Message) ([]byte, error) {
	b := make([]byte, 8, 64)
	copy(b, magic)
	b, err := proto.MarshalOptions{}.MarshalAppend(b, m)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", magic, err)
	}
	binary.LittleEndian.PutUint32(b[4:], crc32.Checksum(b[8:], castagnoli))
	return b, nil
}

func unseal(magic string, b []byte, m proto.Message) error {
	if len(b) < 8 || string(b[:4]) != magic {
		return fmt.Errorf("%w: magic", errSealed)
	}
	if binary.LittleEndian.Uint32(b[4:]) != crc32.Checksum(b[8:], castagnoli) {
		return fmt.Errorf("%w: checksum", errSealed)
	}
	if err := proto.Unmarshal(b[8:], m); err != nil {
		return fmt.Errorf("%w: %v", errSealed, err)
	}
	return nil
}

// ServeMarks answers every request for a mark with what f returns. Where f
// fails nothing is answered: the agent asks again. Requests that are not
// sealed, or name no press, are ignored. f is called by one goroutine.
func ServeMarks(nc *nats.Conn, f func(plant, press string, r *pb.MarkRequest) (*pb.MarkReply, error)) (*nats.Subscription, error) {
	sub, err := nc.Subscribe(markPrefix+"*.*", func(m *nats.Msg) {
		plant, press, ok := parseSubject(markPrefix, m.Subject)
		if !ok || m.Reply == "" {
			return
		}
		req := &pb.MarkRequest{}
		if err := unseal(markMagic, m.Data, req); err != nil {
			return
		}
		reply, err := f(plant, press, req)
		if err != nil || reply == nil {
			return
		}
		b, err := seal(markMagic, reply)
		if err != nil {
			return
		}
		_ = m.Respond(b) // a lost answer is asked for again
	})
	if err != nil {
		return nil, fmt.Errorf("serve marks: %w", err)
	}
	return sub, nil
}

// AskMark asks for the mark of a press and waits until ctx ends. Replies
// without magic and checksum, or about another epoch, are ignored.
func AskMark(ctx context.Context, nc *nats.Conn, plant, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
	b, err := seal(markMagic, r)
	if err != nil {
		return nil, err
	}
	inbox := nc.NewInbox()
	replies := make(chan *nats.Msg, 64) // SubscribeSync would make room for 64 thousand
	sub, err := nc.ChanSubscribe(inbox, replies)
	if err != nil {
		return nil, fmt.Errorf("ask mark: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := nc.PublishRequest(markPrefix+plant+"."+press, inbox, b); err != nil {
		return nil, fmt.Errorf("ask mark: %w", err)
	}
	for {
		var m *nats.Msg
		select {
		case m = <-replies:
		case <-ctx.Done():
			return nil, fmt.Errorf("ask mark: %w", ctx.Err())
		}
		if len(m.Data) == 0 && m.Header.Get("Status") == "503" {
			return nil, ErrNoAnswer
		}
		if reply, err := decodeMark(m.Data); err == nil && reply.Epoch == r.GetEpoch() {
			return reply, nil
		}
	}
}

func decodeMark(b []byte) (*pb.MarkReply, error) {
	reply := &pb.MarkReply{}
	if err := unseal(markMagic, b, reply); err != nil {
		return nil, err
	}
	return reply, nil
}

// PublishStored tells whoever listens that everything up to pos is stored.
func PublishStored(nc *nats.Conn, pos uint64) error {
	if err := nc.Publish(storedSubj, binary.BigEndian.AppendUint64(nil, pos)); err != nil {
		return fmt.Errorf("publish stored: %w", err)
	}
	return nil
}

// SubscribeStored calls f with each pos told by PublishStored. Some may be
// missed: it is a hint to look, not a record.
func SubscribeStored(nc *nats.Conn, f func(pos uint64)) (*nats.Subscription, error) {
	sub, err := nc.Subscribe(storedSubj, func(m *nats.Msg) {
		if len(m.Data) == 8 {
			f(binary.BigEndian.Uint64(m.Data))
		}
	})
	if err != nil {
		return nil, fmt.Errorf("subscribe stored: %w", err)
	}
	return sub, nil
}
