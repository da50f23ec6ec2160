package ingest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// statusSubject is of the core account: agents cannot ask there.
const statusSubject = "dw.status.ingest"

// ErrNoStatus says that no ingest is at work.
var ErrNoStatus = errors.New("no ingest is at work")

// ServeStatus answers who asks how ingest is doing, until the subscription ends. f may return nil: then nobody answers.
func ServeStatus(nc *nats.Conn, f func() *pb.IngestStatus) (*nats.Subscription, error) {
	sub, err := nc.Subscribe(statusSubject, func(m *nats.Msg) {
		st := f()
		if st == nil || m.Reply == "" {
			return
		}
		if b, err := proto.Marshal(st); err == nil {
			_ = m.Respond(b) // a lost answer is asked for again
		}
	})
	if err != nil {
		return nil, fmt.Errorf("serve the status of ingest: %w", err)
	}
	return sub, nil
}

// AskStatus asks the ingest at work; ErrNoStatus if there is none.
func AskStatus(ctx context.Context, nc *nats.Conn) (*pb.IngestStatus, error) {
	m, err := nc.RequestWithContext(ctx, statusSubject, nil)
	if errors.Is(err, nats.ErrNoResponders) {
		return nil, ErrNoStatus
	}
	if err != nil {
		return nil, fmt.Errorf("ask ingest for its status: %w", err)
	}
	st := &pb.IngestStatus{}
	if err := proto.Unmarshal(m.Data, st); err != nil {
		return nil, fmt.Errorf("ask ingest for its status: %w", err)
	}
	return st, nil
}

// maxStatusEpochs keeps an answer inside one message of the log; those that asked for their mark last come first.
const maxStatusEpochs = 2000

// status tells of the work; nil while there is none.
func (in *Ingest) status() *pb.IngestStatus {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.progress == nil {
		return nil
	}
	st := &pb.IngestStatus{Holder: in.cfg.Holder, Pos: in.pos, SinceMs: in.since.UnixMilli(), HeldBack: maps.Clone(in.heldBack), Counters: in.metrics.Snapshot()}
	for k, p := range in.progress {
		st.Epochs = append(st.Epochs, &pb.EpochProgress{Press: k.plant + "/" + k.press, Epoch: k.epoch, Mark: p.mark,
			FirstSeq: p.first, LastSeq: p.last, AskedMs: p.asked, Quarantined: p.quarantined})
	}
	if len(st.Epochs) > maxStatusEpochs {
		slices.SortFunc(st.Epochs, func(a, b *pb.EpochProgress) int { return cmp.Compare(b.AskedMs, a.AskedMs) })
		st.Epochs = st.Epochs[:maxStatusEpochs]
	}
	slices.SortFunc(st.Epochs, func(a, b *pb.EpochProgress) int {
		return cmp.Or(cmp.Compare(a.Press, b.Press), cmp.Compare(a.Epoch, b.Epoch))
	})
	return st
}

// EpochStatus says how far one epoch of a press has got.
type EpochStatus struct {
	Plant, Press string
	Epoch, Mark  uint64
	Holes        []SeqRange // missing seqs below the highest stored
}

// Status lists all epochs, sorted; nil while this ingest does not work.
func (in *Ingest) Status() []EpochStatus {
	in.mu.Lock()
	defer in.mu.Unlock()
	var out []EpochStatus
	for k, p := range in.progress {
		s := EpochStatus{Plant: k.plant, Press: k.press, Epoch: k.epoch, Mark: p.mark}
		next := p.mark + 1
		for _, r := range p.above {
			s.Holes = append(s.Holes, SeqRange{next, r.First - 1})
			next = r.Last + 1
		}
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b EpochStatus) int {
		return cmp.Or(cmp.Compare(a.Plant, b.Plant), cmp.Compare(a.Press, b.Press), cmp.Compare(a.Epoch, b.Epoch))
	})
	return out
}
