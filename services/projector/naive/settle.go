package naive

import (
	"sort"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// fact is an event that counts, with the instants it speaks of in unix ms.
type fact struct {
	ev       *pb.Event
	at, rec  int64
	from, to int64 // slices, notes, bookings; else 0
}

// piece is a stretch of a slice that no better slice covers.
type piece struct {
	slice    int
	from, to int64
}

// log is what counts of one press's events.
type log struct {
	facts    []fact // all but slices
	slices   []fact
	pieces   []piece // in order of time, disjoint
	frontier int64
	first    int64
	lost     []lost
}

// lost is a stretch in which a slice lost to a better one.
type lost struct {
	slice    int
	from, to int64
}

func ms(t interface{ GetSeconds() int64 }) int64 {
	n := int64(0)
	if x, ok := t.(interface{ GetNanos() int32 }); ok {
		n = int64(x.GetNanos()) / 1_000_000
	}
	return t.GetSeconds()*1000 + n
}

func kindOf(e *pb.Event) string {
	switch e.Body.(type) {
	case *pb.Event_Slice:
		return "slice"
	case *pb.Event_CleaningOpened:
		return "opened"
	case *pb.Event_CleaningClosed:
		return "closed"
	case *pb.Event_StationSignedOff:
		return "signed"
	case *pb.Event_StationSkipped:
		return "skipped"
	case *pb.Event_ReasonNoted:
		return "noted"
	case *pb.Event_DefectSeen:
		return "defect"
	case *pb.Event_WasteBooked:
		return "booked"
	case *pb.Event_JobStarted:
		return "started"
	case *pb.Event_JobEnded:
		return "ended"
	case *pb.Event_JobCorrected:
		return "corrected"
	case *pb.Event_Voided:
		return "voided"
	}
	return "other"
}

// earlier orders by when it was recorded, then by identity.
func earlier(a, b fact) bool {
	if a.rec != b.rec {
		return a.rec < b.rec
	}
	if a.ev.Epoch != b.ev.Epoch {
		return a.ev.Epoch < b.ev.Epoch
	}
	return a.ev.Seq < b.ev.Seq
}

// settle drops repeats, keys told again and what was voided, and gives each
// millisecond to one slice.
func settle(events []*pb.Event) *log {
	type id struct{ epoch, seq uint64 }
	seen := map[id]bool{}
	var all []fact
	lowest := map[uint64]fact{}
	for _, e := range events {
		k := id{e.Epoch, e.Seq}
		if seen[k] {
			continue
		}
		seen[k] = true
		f := fact{ev: e, at: ms(e.OccurredAt), rec: ms(e.RecordedAt)}
		switch b := e.Body.(type) {
		case *pb.Event_Slice:
			f.from, f.to = ms(b.Slice.From), ms(b.Slice.To)
		case *pb.Event_ReasonNoted:
			f.from, f.to = ms(b.ReasonNoted.From), ms(b.ReasonNoted.To)
		case *pb.Event_WasteBooked:
			f.from, f.to = ms(b.WasteBooked.From), ms(b.WasteBooked.To)
		}
		all = append(all, f)
		if l, ok := lowest[e.Epoch]; !ok || e.Seq < l.ev.Seq {
			lowest[e.Epoch] = f
		}
	}
	voided := func(f fact) bool {
		if f.ev.GetVoided() != nil {
			return false
		}
		for _, v := range all {
			if w := v.ev.GetVoided(); w != nil && w.Epoch == f.ev.Epoch && w.FirstSeq <= f.ev.Seq && f.ev.Seq <= w.LastSeq {
				return true
			}
		}
		return false
	}
	repeated := func(f fact) bool {
		if f.ev.SourceKey == "" || f.ev.GetSlice() != nil {
			return false
		}
		for _, g := range all {
			if g.ev.SourceKey == f.ev.SourceKey && kindOf(g.ev) == kindOf(f.ev) && earlier(g, f) {
				return true
			}
		}
		return false
	}
	l := &log{}
	for _, f := range all {
		if voided(f) {
			continue
		}
		// Voids, corrections and signings speak of the past.
		if f.ev.GetVoided() == nil && f.ev.GetJobCorrected() == nil && f.ev.GetPeriodClosed() == nil {
			l.frontier = max(l.frontier, f.at, f.to)
			from := f.at
			if f.from != 0 {
				from = min(from, f.from)
			}
			if l.first == 0 || from < l.first {
				l.first = from
			}
		}
		if repeated(f) {
			continue
		}
		if f.ev.GetSlice() != nil {
			l.slices = append(l.slices, f)
		} else {
			l.facts = append(l.facts, f)
		}
	}
	// Better slices first: rank of the epoch, then seq.
	sort.Slice(l.slices, func(i, j int) bool {
		a, b := l.slices[i], l.slices[j]
		if a.ev.Epoch == b.ev.Epoch {
			return a.ev.Seq < b.ev.Seq
		}
		x, y := lowest[a.ev.Epoch], lowest[b.ev.Epoch]
		if x.rec != y.rec {
			return x.rec < y.rec
		}
		return a.ev.Epoch < b.ev.Epoch
	})
	sort.Slice(l.facts, func(i, j int) bool {
		if l.facts[i].at != l.facts[j].at {
			return l.facts[i].at < l.facts[j].at
		}
		return earlier(l.facts[i], l.facts[j])
	})
	// A slice lies inside one UTC minute, so only that minute's slices can cover it.
	byMinute := map[int64][]piece{}
	for i, s := range l.slices {
		minute := s.from / 60_000
		free := []piece{{i, s.from, s.to}}
		for _, taken := range byMinute[minute] {
			var rest []piece
			for _, p := range free {
				a, b := max(p.from, taken.from), min(p.to, taken.to)
				if a >= b {
					rest = append(rest, p)
					continue
				}
				l.lost = append(l.lost, lost{i, a, b})
				if p.from < a {
					rest = append(rest, piece{i, p.from, a})
				}
				if b < p.to {
					rest = append(rest, piece{i, b, p.to})
				}
			}
			free = rest
		}
		byMinute[minute] = append(byMinute[minute], free...)
		l.pieces = append(l.pieces, free...)
	}
	sort.Slice(l.pieces, func(i, j int) bool { return l.pieces[i].from < l.pieces[j].from })
	return l
}

// pieceAt is the piece that holds an instant; nil: no slice does.
func (l *log) pieceAt(t int64) *piece {
	i := sort.Search(len(l.pieces), func(i int) bool { return l.pieces[i].to > t })
	if i < len(l.pieces) && l.pieces[i].from <= t {
		return &l.pieces[i]
	}
	return nil
}

// stateAt is the press's state; unspecified: no slice.
func (l *log) stateAt(t int64) pb.State {
	if p := l.pieceAt(t); p != nil {
		return l.slices[p.slice].ev.GetSlice().State
	}
	return pb.State_STATE_UNSPECIFIED
}

// span is [from, to) in unix ms.
type span struct{ from, to int64 }

func (s span) has(t int64) bool { return s.from <= t && t < s.to }

// runs are the stretches of PRODUCTION without a gap.
func (l *log) runs() []span {
	var out []span
	for _, p := range l.pieces {
		if l.slices[p.slice].ev.GetSlice().State != pb.State_STATE_PRODUCTION {
			continue
		}
		if n := len(out); n > 0 && out[n-1].to == p.from {
			out[n-1].to = p.to
		} else {
			out = append(out, span{p.from, p.to})
		}
	}
	return out
}
