package ingest

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"unicode/utf8"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

const (
	maxLost       = 1000    // ranges that wait to be stored; agents ask again
	maxLostSeq    = 1 << 62 // no seq is higher
	maxLostReason = 200     // characters
)

// takeLost notes what an agent has given up, to be stored; the mark passes it once it is. in.mu is held.
func (in *Ingest) takeLost(k epochKey, p *progress, lost []*pb.LostRange) {
	for _, l := range lost {
		r := SeqRange{l.GetFirstSeq(), l.GetLastSeq()}
		if r.First == 0 || r.First > r.Last || r.Last > maxLostSeq || len(in.lost) >= maxLost {
			continue
		}
		if r.Last <= p.mark || r.First > p.mark && coveredWhole(p.above, r) {
			continue // nothing of it is missing
		}
		in.lost[Gap{Plant: k.plant, Press: k.press, Epoch: k.epoch, First: r.First, Last: r.Last, Reason: clip(l.GetReason(), maxLostReason)}] = true
	}
	if len(in.lost) > 0 {
		select {
		case in.lostCame <- struct{}{}:
		default:
		}
	}
}

func coveredWhole(ranges []SeqRange, r SeqRange) bool {
	return slices.ContainsFunc(ranges, func(have SeqRange) bool { return have.First <= r.First && have.Last >= r.Last })
}

// clip cuts a text to whole, valid characters.
func clip(s string, n int) string {
	out := make([]rune, 0, n)
	for _, c := range s {
		if len(out) == n {
			break
		}
		if c < ' ' || c == utf8.RuneError {
			c = ' '
		}
		out = append(out, c)
	}
	return string(out)
}

// keepGaps stores what agents have given up, until ctx ends.
func (in *Ingest) keepGaps(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-in.lostCame:
		}
		if err := in.storeLost(ctx); err != nil {
			return err
		}
	}
}

// storeLost stores the ranges given up and lets their marks pass them.
func (in *Ingest) storeLost(ctx context.Context) error {
	in.mu.Lock()
	keys := slices.Collect(maps.Keys(in.lost))
	in.mu.Unlock()
	if len(keys) == 0 {
		return nil
	}
	slices.SortFunc(keys, func(a, b Gap) int {
		return cmp.Or(cmp.Compare(a.Plant, b.Plant), cmp.Compare(a.Press, b.Press), cmp.Compare(a.Epoch, b.Epoch), cmp.Compare(a.First, b.First))
	})
	gaps := slices.Clone(keys)
	for i := range gaps {
		gaps[i].At = in.cfg.Now()
	}
	if err := in.retry(ctx, "keep gaps", func(ctx context.Context) error { return in.wh.InsertGaps(ctx, gaps) }); err != nil {
		return err
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	for _, g := range keys {
		delete(in.lost, g)
		in.at(epochKey{g.Plant, g.Press, g.Epoch}).giveUp(SeqRange{g.First, g.Last})
		in.metrics.Lost.Add(1)
		in.log.Error("events are lost: their agent has given them up", "press", g.Plant+"/"+g.Press, "epoch", g.Epoch, "first", g.First, "last", g.Last, "reason", g.Reason)
	}
	return nil
}
