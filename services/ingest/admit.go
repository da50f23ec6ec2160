package ingest

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// admitted is a batch sorted out.
type admitted struct {
	store []*pb.Event // each identity once, none of them known to be stored
	dead  []Dead
	doubt []*pb.Event // not in store: dead or given up before, so read back first
	// repeats are taken for stored, or are in store already: read back once it is stored, because their content may be
	// another one.
	repeats []*pb.Event
	redrive map[*pb.Event]bool // of doubt and repeats: sent again by a person
	// deadSeqs are the seqs of dead events.
	deadSeqs map[epochKey][]uint64
}

// admit sorts out what of a batch is new, what is a repeat and what cannot be accepted.
func (in *Ingest) admit(b *batch) admitted {
	a := admitted{deadSeqs: map[epochKey][]uint64{}, redrive: map[*pb.Event]bool{}, dead: b.dead}
	now := in.cfg.Now()
	past, future := now.Add(-in.cfg.PastLimit).UnixMilli(), now.Add(in.cfg.FutureLimit).UnixMilli()
	seen := map[epochKey]*taken{}
	in.mu.Lock()
	defer in.mu.Unlock()
	for _, f := range b.frames {
		k := epochKey{f.Header.Plant, f.Header.Press, f.Header.Epoch}
		p := in.at(k)
		t := seen[k]
		if t == nil {
			t = &taken{}
			seen[k] = t
		}
		again := b.redriven[f]
		for _, e := range f.Events {
			repeat := p.stored(e.Seq) || t.again(e.Seq)
			if field, reason := refuse(e, past, future); reason != "" {
				a.dead = append(a.dead, deadEvent(e, field, reason, now))
				if !repeat {
					a.deadSeqs[k] = append(a.deadSeqs[k], e.Seq)
				}
				continue
			}
			if again {
				a.redrive[e] = true
			}
			switch {
			case repeat:
				in.metrics.Repeats.Add(1)
				a.repeats = append(a.repeats, e)
			case p.quarantined && !again:
				a.dead = append(a.dead, deadEvent(e, "epoch", quarantineReason, now))
				a.deadSeqs[k] = append(a.deadSeqs[k], e.Seq)
			case p.covered(e.Seq):
				a.doubt = append(a.doubt, e)
			default:
				a.store = append(a.store, e)
			}
		}
	}
	return a
}

const (
	quarantineReason = "two disks carry this epoch: nothing of it is stored unless it is redriven; give its agents new spools"
	cloneReason      = "another event is stored under this identity: two disks carry this epoch"
)

// lowest finds the epochs whose lowest seq is not noted yet.
func (in *Ingest) lowest(evs []*pb.Event) []EpochLow {
	low := map[epochKey]*pb.Event{}
	eachRun(evs, func(k epochKey, run []*pb.Event) {
		first := low[k]
		for _, e := range run {
			if first == nil || e.Seq < first.Seq {
				first = e
			}
		}
		low[k] = first
	})
	in.mu.Lock()
	defer in.mu.Unlock()
	var out []EpochLow
	for k, e := range low {
		if p := in.at(k); p.low == 0 || e.Seq < p.low {
			out = append(out, EpochLow{Plant: k.plant, Press: k.press, Epoch: k.epoch, Seq: e.Seq, Recorded: recordedAt(e)})
		}
	}
	return out
}

// taken is what of an epoch a batch holds already.
type taken struct {
	runs []SeqRange // in order of coming; frames are contiguous, so there are few
}

// again says that the batch holds the seq already, and notes it.
func (t *taken) again(seq uint64) bool {
	if n := len(t.runs); n > 0 && t.runs[n-1].Last+1 == seq {
		for _, r := range t.runs[:n-1] {
			if seq >= r.First && seq <= r.Last {
				return true
			}
		}
		t.runs[n-1].Last = seq
		return false
	}
	for _, r := range t.runs {
		if seq >= r.First && seq <= r.Last {
			return true
		}
	}
	t.runs = append(t.runs, SeqRange{seq, seq})
	return false
}

// refuse says why an event cannot be stored; an empty reason: it can. Limits are unix ms.
func refuse(e *pb.Event, past, future int64) (field, reason string) {
	if v := eventlog.Validate(e); len(v) > 0 {
		return v[0].Field, v[0].Reason
	}
	at := eventlog.OccurredMs(e)
	switch {
	case e.GetSlice() == nil && e.OccurredAt == nil:
		return "occurred_at", "is required"
	case at > future:
		return "occurred_at", "lies in the future: " + instant(at)
	case at < past:
		return "occurred_at", "lies too far in the past: " + instant(at)
	case e.RecordedAt != nil && e.RecordedAt.AsTime().UnixMilli() > future:
		return "recorded_at", "lies in the future: " + instant(e.RecordedAt.AsTime().UnixMilli())
	}
	return "", ""
}

func instant(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }

// deadEvent keeps an event whole.
func deadEvent(e *pb.Event, field, reason string, now time.Time) Dead {
	return Dead{Plant: e.Plant, Press: e.Press, Epoch: e.Epoch, Seq: e.Seq, Payload: payloadOf(e),
		Subject: eventlog.StreamSubject(e.Plant, e.Press), Field: field, Reason: reason, At: now}
}

// payloadOf is an event as a dead letter keeps it.
func payloadOf(e *pb.Event) []byte {
	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
	if err != nil { // invalid text in a string: keep what can be said
		payload = fmt.Appendf(nil, "%v: %v", err, e)
	}
	return payload
}

func recordedAt(e *pb.Event) int64 {
	if e.RecordedAt != nil {
		return millis(e.RecordedAt)
	}
	return eventlog.OccurredMs(e)
}

func millis(t *timestamppb.Timestamp) int64 { return t.GetSeconds()*1000 + int64(t.GetNanos())/1e6 }
