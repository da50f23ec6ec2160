package api

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// DeadLetter is an event (Seq above 0) or a frame that could not be accepted.
type DeadLetter struct {
	Plant, Press           string
	Epoch, Seq             uint64
	Hash                   string // SHA-256 of the payload, hex
	Payload                []byte // nil in lists
	Size                   int64
	Subject, Field, Reason string
	Clone                  bool // another event is stored under its identity
	At, Done               time.Time
}

// DeadKey is where a list of dead letters has got to.
type DeadKey struct {
	At           int64 // unix ms
	Plant, Press string
	Epoch, Seq   uint64
	Hash         string
}

// DeadQuery asks for dead letters; zero values ask for all.
type DeadQuery struct {
	Presses []string
	Waiting bool
	After   *DeadKey
	Limit   int
}

const (
	hashDigits     = 12               // of a letter's id
	redriveMost    = 1000             // letters of one call
	redriveWait    = 15 * time.Second // for what ingest decides
	redriveMinWait = time.Second      // of it left when the client's time is short
)

func (l *DeadLetter) id() string {
	return fmt.Sprintf("%s/%s/%016x/%d/%s", l.Plant, l.Press, l.Epoch, l.Seq, l.Hash[:min(hashDigits, len(l.Hash))])
}

func parseDeadID(text string) (l DeadLetter, ok bool) {
	p := strings.Split(text, "/")
	if len(p) != 5 || len(p[2]) != 16 || len(p[4]) != hashDigits || strings.Trim(p[4], "0123456789abcdef") != "" {
		return l, false
	}
	epoch, err1 := strconv.ParseUint(p[2], 16, 64)
	seq, err2 := strconv.ParseUint(p[3], 10, 64)
	return DeadLetter{Plant: p[0], Press: p[1], Epoch: epoch, Seq: seq, Hash: p[4]}, err1 == nil && err2 == nil
}

// message is the letter as clients see it.
func (l *DeadLetter) message() *pb.DeadLetter {
	m := &pb.DeadLetter{Id: l.id(), Press: l.Plant + "/" + l.Press, Epoch: fmt.Sprintf("%016x", l.Epoch), Seq: l.Seq, Field: printable(l.Field), Reason: printable(l.Reason),
		Subject: printable(l.Subject), At: stamp(l.At.UnixMilli()), State: pb.DeadLetterState_DEAD_LETTER_STATE_WAITING, Conflict: l.Clone, PayloadBytes: l.Size, Payload: l.Payload}
	if !l.Done.IsZero() {
		m.State, m.RedrivenAt = pb.DeadLetterState_DEAD_LETTER_STATE_REDRIVEN, stamp(l.Done.UnixMilli())
	}
	if e := l.event(); e != nil {
		m.Event = e
	}
	return m
}

// event is the payload decoded; nil for a frame, or where it cannot be.
func (l *DeadLetter) event() *pb.Event {
	if l.Seq == 0 || len(l.Payload) == 0 {
		return nil
	}
	e := &pb.Event{}
	if err := proto.Unmarshal(l.Payload, e); err != nil || e.Plant != l.Plant || e.Press != l.Press || e.Epoch != l.Epoch || e.Seq != l.Seq {
		return nil
	}
	return e
}

// printable is a text that a message can carry: what a press sent may be anything.
func printable(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// deadScope narrows a query to a scope; nothing says that it holds no press.
func (t *statusService) deadScope(ctx context.Context, sc *pb.Scope, q *DeadQuery) (nothing bool, err error) {
	if empty(sc) {
		return false, nil
	}
	f, err := t.s.inScope(ctx, sc)
	if err != nil {
		return false, err
	}
	q.Presses = f.scope
	return len(f.scope) == 0, nil
}

// ListDeadLetters lists letters, newest first.
func (t *statusService) ListDeadLetters(ctx context.Context, req *pb.ListDeadLettersRequest) (*pb.ListDeadLettersResponse, error) {
	q := DeadQuery{Waiting: req.GetWaitingOnly(), Limit: pageSize(req.GetPageSize())}
	asks := question(req, func(m proto.Message) {
		r := m.(*pb.ListDeadLettersRequest)
		r.PageSize, r.PageToken = 0, ""
	})
	token, more, err := parseToken[DeadKey](req.GetPageToken(), asks)
	if err != nil {
		return nil, err
	}
	if more {
		q.After = &token.Key
	}
	resp := &pb.ListDeadLettersResponse{}
	if nothing, err := t.deadScope(ctx, req.GetScope(), &q); err != nil || nothing {
		return resp, err
	}
	list, next, err := t.s.deps.Reader.ListDead(ctx, q)
	if err != nil {
		return nil, err
	}
	for i := range list {
		resp.Letters = append(resp.Letters, list[i].message())
	}
	if next != nil {
		resp.NextPageToken = pageToken[DeadKey]{Key: *next, Asks: asks}.String()
	}
	return resp, nil
}

// GetDeadLetter returns one letter whole.
func (t *statusService) GetDeadLetter(ctx context.Context, req *pb.GetDeadLetterRequest) (*pb.GetDeadLetterResponse, error) {
	l, err := t.letter(ctx, "id", req.GetId())
	if err != nil {
		return nil, err
	}
	return &pb.GetDeadLetterResponse{Letter: l.message()}, nil
}

func (t *statusService) letter(ctx context.Context, field, id string) (DeadLetter, error) {
	k, ok := parseDeadID(id)
	if !ok {
		return k, invalid(field, "is not plant/press/epoch/seq/hash, with the epoch as 16 and the hash as 12 hexadecimal digits")
	}
	l, err := t.s.deps.Reader.GetDead(ctx, k.Plant, k.Press, k.Epoch, k.Seq, k.Hash)
	if errors.Is(err, ErrNotFound) {
		return k, notFound("dead letter", id)
	}
	return l, err
}

// RedriveDeadLetters sends letters through the line again and tells what
// became of each. It may be called again at any time: what is stored is not
// sent.
func (t *statusService) RedriveDeadLetters(ctx context.Context, req *pb.RedriveDeadLettersRequest) (*pb.RedriveDeadLettersResponse, error) {
	if t.s.deps.Redrive == nil {
		return nil, errNoWriter
	}
	letters, more, err := t.toRedrive(ctx, req)
	if err != nil {
		return nil, err
	}
	resp := &pb.RedriveDeadLettersResponse{More: more}
	var sent []int
	for i := range letters {
		l := &letters[i]
		out := &pb.RedrivenLetter{Id: l.id(), Outcome: pb.RedriveOutcome_REDRIVE_OUTCOME_PENDING}
		resp.Letters = append(resp.Letters, out)
		if !l.Done.IsZero() {
			out.Outcome = pb.RedriveOutcome_REDRIVE_OUTCOME_ALREADY
			continue
		}
		refused, err := t.s.deps.Redrive(ctx, *l)
		if err != nil {
			return nil, err
		}
		if refused != "" {
			out.Outcome, out.Reason = pb.RedriveOutcome_REDRIVE_OUTCOME_REFUSED, refused
			continue
		}
		sent = append(sent, i)
	}
	return resp, t.awaitRedriven(ctx, letters, sent, resp)
}

// toRedrive finds the letters of a request.
func (t *statusService) toRedrive(ctx context.Context, req *pb.RedriveDeadLettersRequest) (letters []DeadLetter, more bool, err error) {
	if len(req.GetIds()) > 0 && !empty(req.GetScope()) {
		return nil, false, invalid("scope", "is not given together with ids")
	}
	ids := req.GetIds()
	if len(ids) == 0 {
		q := DeadQuery{Waiting: true, Limit: redriveMost}
		if nothing, err := t.deadScope(ctx, req.GetScope(), &q); err != nil || nothing {
			return nil, false, err
		}
		list, next, err := t.s.deps.Reader.ListDead(ctx, q)
		if err != nil {
			return nil, false, err
		}
		for i := range list {
			ids = append(ids, list[i].id())
		}
		more = next != nil
	}
	for i, id := range ids {
		l, err := t.letter(ctx, fmt.Sprintf("ids[%d]", i), id)
		if err != nil {
			return nil, false, err
		}
		letters = append(letters, l)
	}
	return letters, more, nil
}

// awaitRedriven waits until ingest has decided on what was sent: a letter is
// then stored, or put aside anew.
func (t *statusService) awaitRedriven(ctx context.Context, letters []DeadLetter, sent []int, resp *pb.RedriveDeadLettersResponse) error {
	end := time.Now().Add(redriveWait)
	if d, ok := ctx.Deadline(); ok && d.Add(-redriveMinWait).Before(end) {
		end = d.Add(-redriveMinWait)
	}
	for _, i := range sent {
		before, out := &letters[i], resp.Letters[i]
		for pause := 20 * time.Millisecond; ; pause = min(2*pause, 500*time.Millisecond) {
			l, err := t.s.deps.Reader.GetDead(ctx, before.Plant, before.Press, before.Epoch, before.Seq, before.Hash)
			if err != nil {
				return err
			}
			if !l.Done.IsZero() {
				out.Outcome = pb.RedriveOutcome_REDRIVE_OUTCOME_STORED
				break
			}
			if !l.At.Equal(before.At) || l.Reason != before.Reason {
				out.Outcome, out.Reason = pb.RedriveOutcome_REDRIVE_OUTCOME_REFUSED, printable(l.Reason)
				break
			}
			if time.Now().After(end) {
				break
			}
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(pause):
			}
		}
	}
	return nil
}
