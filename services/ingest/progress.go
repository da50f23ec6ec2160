package ingest

import (
	"cmp"
	"errors"
	"slices"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// epochKey names an epoch of a press.
type epochKey struct {
	plant, press string
	epoch        uint64
}

// progress is what is known to be stored of one epoch.
type progress struct {
	mark      uint64     // all seqs up to here are stored, dead or given up
	above     []SeqRange // likewise, above the mark; sorted, apart
	elsewhere []SeqRange // of these: dead or given up, not in events; sorted, apart
	low       uint64     // lowest seq noted in the table of epochs; 0: none
	trimmed   bool       // the agent has said that it no longer holds mark + 1
	moved     time.Time  // when the mark moved, or the agent first had more than it

	quarantined bool // two disks carry the epoch
	// What the agent said when it last asked for the mark, unix ms; 0: it did not ask.
	first, last uint64
	asked       int64
}

// covered says that a seq counts for the mark.
func (p *progress) covered(seq uint64) bool { return seq <= p.mark || inRanges(p.above, seq) }

// stored says that a seq is known to be in events. What is dead or given up counts as not stored when it comes again.
func (p *progress) stored(seq uint64) bool { return p.covered(seq) && !inRanges(p.elsewhere, seq) }

// add counts seqs as stored (in events) or as dead. seqs need not be sorted.
func (p *progress) add(seqs []uint64, dead bool) {
	if len(seqs) == 0 {
		return
	}
	slices.Sort(seqs)
	p.addRuns(runsOf(seqs), dead)
}

// giveUp counts a range as given up, but for what of it is stored.
func (p *progress) giveUp(r SeqRange) {
	have := p.above
	if p.mark > 0 {
		have = append([]SeqRange{{1, p.mark}}, have...)
	}
	if rest := without([]SeqRange{r}, have); len(rest) > 0 {
		p.addRuns(rest, true)
	}
}

// addRuns is add of ranges, sorted and apart.
func (p *progress) addRuns(runs []SeqRange, dead bool) {
	if dead {
		p.elsewhere = join(p.elsewhere, runs)
	} else if len(p.elsewhere) > 0 {
		p.elsewhere = without(p.elsewhere, runs)
	}
	p.above = join(p.above, runs)
	if len(p.above) > 0 && p.above[0].First <= p.mark+1 {
		p.moved = time.Now()
	}
	for len(p.above) > 0 && p.above[0].First <= p.mark+1 {
		p.mark = max(p.mark, p.above[0].Last)
		p.above = p.above[1:]
	}
}

// runsOf joins sorted seqs into ranges.
func runsOf(seqs []uint64) []SeqRange {
	out := []SeqRange{{seqs[0], seqs[0]}}
	for _, s := range seqs[1:] {
		if last := &out[len(out)-1]; s <= last.Last+1 {
			last.Last = s
		} else {
			out = append(out, SeqRange{s, s})
		}
	}
	return out
}

func inRanges(r []SeqRange, seq uint64) bool {
	i, _ := slices.BinarySearchFunc(r, seq, func(r SeqRange, s uint64) int { return cmp.Compare(r.Last, s) })
	return i < len(r) && seq >= r[i].First
}

// join is the union of two lists of ranges, sorted and apart.
func join(a, b []SeqRange) []SeqRange {
	all := append(slices.Clone(a), b...)
	slices.SortFunc(all, func(x, y SeqRange) int { return cmp.Compare(x.First, y.First) })
	out := all[:0]
	for _, r := range all {
		if n := len(out); n > 0 && r.First <= out[n-1].Last+1 {
			out[n-1].Last = max(out[n-1].Last, r.Last)
		} else {
			out = append(out, r)
		}
	}
	return out
}

// without is what of a is not in b; both sorted and apart.
func without(a, b []SeqRange) []SeqRange {
	var out []SeqRange
	for _, r := range a {
		for _, cut := range b {
			if cut.Last < r.First || cut.First > r.Last || r.First > r.Last {
				continue
			}
			if cut.First > r.First {
				out = append(out, SeqRange{r.First, cut.First - 1})
			}
			r.First = cut.Last + 1
		}
		if r.First <= r.Last {
			out = append(out, r)
		}
	}
	return out
}

// at is the progress of an epoch, made if it is new. in.mu is held.
func (in *Ingest) at(k epochKey) *progress {
	p := in.progress[k]
	if p == nil {
		p = &progress{}
		in.progress[k] = p
	}
	return p
}

var errNotLoaded = errors.New("marks are not loaded")

// markReply answers an agent from memory.
func (in *Ingest) markReply(plant, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.progress == nil {
		return nil, errNotLoaded
	}
	reply := &pb.MarkReply{Epoch: r.GetEpoch(), WarehouseId: in.wh.WarehouseID(), FrameVersion: eventlog.FrameVersion, ServerMs: in.cfg.Now().UnixMilli()}
	k := epochKey{plant, press, r.GetEpoch()}
	p := in.progress[k]
	if p == nil && (r.GetLastSeq() > 0 || len(r.GetLost()) > 0) {
		p = in.at(k)
	}
	if p != nil {
		reply.Mark, reply.Quarantined = p.mark, p.quarantined
		if p.last <= p.mark && r.GetLastSeq() > p.mark {
			p.moved = time.Now()
		}
		p.first, p.last, p.asked = r.GetFirstSeq(), r.GetLastSeq(), in.cfg.Now().UnixMilli()
		in.takeLost(k, p, r.GetLost())
	}
	if gone := r.GetFirstSeq() > reply.Mark+1; gone && (p == nil || !p.trimmed) {
		in.metrics.Trimmed.Add(1)
		in.log.Error("events are missing and their agent no longer holds them", "press", plant+"/"+press,
			"epoch", r.GetEpoch(), "first", reply.Mark+1, "last", r.GetFirstSeq()-1)
		in.at(k).trimmed = true
	} else if p != nil && !gone {
		p.trimmed = false
	}
	return reply, nil
}
