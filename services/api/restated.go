package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

// Changes says what arrived about a plant after an insert number and can touch
// [from, to), unix ms, in the order it was stored.
type Changes interface {
	SlicesAfter(ctx context.Context, plant string, pos uint64, from, to int64) ([]SliceChange, error)
	SaidAfter(ctx context.Context, plant string, pos uint64, from, to int64, limit int) ([]*pb.StoredEvent, error)
}

// SliceChange is slices of one press and epoch stored later.
type SliceChange struct {
	Press       string
	Epoch       uint64
	First, Last uint64 // seqs
	N           int64
	From, To    int64 // unix ms
	Recorded    int64 // earliest, unix ms
	Pos         uint64
}

// maxCauses bounds the list of single events after a signature.
const maxCauses = 1000

// differences are the leaves in which two trees differ.
func differences(a, b *pb.LossTree) []*pb.LeafDifference {
	share := func(t *pb.LossTree, l *pb.LossLeaf) float64 {
		if t.PlannedBusyUs == 0 {
			return 0
		}
		return float64(l.TimeUs) / float64(t.PlannedBusyUs)
	}
	var out []*pb.LeafDifference
	for i, y := range b.Leaves {
		x := a.Leaves[i]
		d := &pb.LeafDifference{Leaf: y.Leaf, Name: y.Name, PointsA: x.OeePoints, PointsB: y.OeePoints, Points: y.OeePoints - x.OeePoints,
			MinutesPer_100H: 6000 * (share(b, y) - share(a, x)), Money: moneyDifference(x.Money, y.Money)}
		if x.TimeUs != y.TimeUs || x.LengthMm != y.LengthMm || d.Points != 0 || len(d.Money) > 0 {
			out = append(out, d)
		}
	}
	return out
}

// moneyDifference is b less a for each currency and basis, without zeros.
func moneyDifference(a, b []*pb.Money) []*pb.Money {
	var out []*pb.Money
	add := func(m *pb.Money, sign int64) {
		v, ok := new(loss.Money).SetString(m.Amount)
		if !ok {
			return
		}
		if sign < 0 {
			v.Neg(v)
		}
		i := slices.IndexFunc(out, func(x *pb.Money) bool { return x.Currency == m.Currency && x.Basis == m.Basis })
		if i < 0 {
			out = append(out, &pb.Money{Currency: m.Currency, Basis: m.Basis, Amount: "0"})
			i = len(out) - 1
		}
		if old, ok := new(loss.Money).SetString(out[i].Amount); ok {
			v.Add(v, old)
		}
		out[i].Amount = loss.RoundMoney(v, loss.Decimals(m.Currency))
	}
	for _, m := range a {
		add(m, -1)
	}
	for _, m := range b {
		add(m, 1)
	}
	return slices.DeleteFunc(out, func(m *pb.Money) bool {
		v, ok := new(loss.Money).SetString(m.Amount)
		return ok && v.Sign() == 0
	})
}

// causes are the events and registry revisions after a signature that touch the
// period, the earliest stored first, then revisions. moved are the presses
// whose totals differ: only what can move a total, on such a press, is said to.
func (s *Server) causes(ctx context.Context, f *fleet, x *pb.ClosedPeriod, from, to timeline.Day, moved map[string]bool) ([]*pb.RestatementCause, error) {
	start, end := f.bounds(from, to)
	type cause struct {
		pos uint64
		*pb.RestatementCause
	}
	var list []cause
	sl, err := s.deps.Changes.SlicesAfter(ctx, x.Plant, x.AsOf.Pos, start-lookBack, end)
	if err != nil {
		return nil, err
	}
	for _, c := range sl {
		id := x.Plant + "/" + c.Press
		list = append(list, cause{c.Pos, &pb.RestatementCause{Kind: "event", EventKind: "slice", What: fmt.Sprintf("%s/%016x/%d", id, c.Epoch, c.First), Count: c.N, At: stamp(c.Recorded),
			Text: fmt.Sprintf("late slices of %s: %s stored after the signature", id, f.span(id, c.From, c.To)), MovesTotal: moved[id]}})
	}
	said, err := s.deps.Changes.SaidAfter(ctx, x.Plant, x.AsOf.Pos, start-lookBack, end, maxCauses+1)
	if err != nil {
		return nil, err
	}
	if len(said) > maxCauses {
		said = said[:maxCauses]
		x.Notes = append(x.Notes, fmt.Sprintf("More than %d events that are not slices came after the signature: the first %d are listed.", maxCauses, maxCauses))
	}
	for _, e := range said {
		text, moves, err := s.saidLater(ctx, f, e)
		if err != nil {
			return nil, err
		}
		list = append(list, cause{e.Pos, &pb.RestatementCause{Kind: "event", EventKind: kindName(e.Event), What: e.Id, Count: 1, At: e.Event.OccurredAt, Text: text,
			MovesTotal: moves && moved[e.Event.Plant+"/"+e.Event.Press]}})
	}
	slices.SortStableFunc(list, func(a, b cause) int { return cmp.Compare(a.pos, b.pos) })
	var out []*pb.RestatementCause
	for _, c := range list {
		out = append(out, c.RestatementCause)
	}
	revs, err := s.registryCauses(ctx, x, end, len(moved) > 0)
	return append(out, revs...), err
}

// kindName is the name of an event's body.
func kindName(e *pb.Event) string {
	m := e.ProtoReflect()
	f := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if f == nil {
		return "unknown"
	}
	return string(f.Name())
}

// span is a stretch in the zone of a press.
func (f *fleet) span(id string, from, to int64) string {
	zone := time.UTC
	if p := f.presses[id]; p != nil {
		zone = p.Zone
	}
	a, b := time.UnixMilli(from).In(zone), time.UnixMilli(to).In(zone)
	end := b.Format("15:04")
	if a.Format(time.DateOnly) != b.Format(time.DateOnly) {
		end = b.Format("2006-01-02 15:04")
	}
	return fmt.Sprintf("%s to %s (%s)", a.Format("2006-01-02 15:04"), end, zone)
}

// saidLater is an event in words, and whether its kind can move a total: length
// and planned time, not the leaf that lost time is booked to.
func (s *Server) saidLater(ctx context.Context, f *fleet, e *pb.StoredEvent) (text string, moves bool, err error) {
	id := e.Event.Plant + "/" + e.Event.Press
	at := func(station string) string {
		if station == "" {
			return ""
		}
		return " at " + station
	}
	switch b := e.Event.Body.(type) {
	case *pb.Event_ReasonNoted:
		n := b.ReasonNoted
		return fmt.Sprintf("reason noted later on %s: %s%s, %s", id, n.Reason, at(n.Station), f.span(id, n.From.AsTime().UnixMilli(), n.To.AsTime().UnixMilli())), false, nil
	case *pb.Event_WasteBooked:
		w := b.WasteBooked
		found := ""
		if moves = w.Found == pb.WhereFound_WHERE_FOUND_DOWNSTREAM; moves {
			found = ", found downstream"
		}
		cause := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(w.Cause.String(), "WASTE_CAUSE_")), "_", " ")
		return fmt.Sprintf("waste booked later on %s: %s m %s%s%s, %s", id, strconv.FormatFloat(float64(w.LengthMm)/1000, 'f', -1, 64), cause, at(w.Station), found,
			f.span(id, w.From.AsTime().UnixMilli(), w.To.AsTime().UnixMilli())), moves, nil
	case *pb.Event_CleaningOpened:
		return fmt.Sprintf("cleaning session %s of %s opened, said later", b.CleaningOpened.Session, id), false, nil
	case *pb.Event_CleaningClosed:
		return fmt.Sprintf("cleaning session %s of %s closed, said later", b.CleaningClosed.Session, id), false, nil
	case *pb.Event_StationSignedOff:
		return fmt.Sprintf("sign-off of %s on %s, said later", b.StationSignedOff.Task, id), false, nil
	case *pb.Event_StationSkipped:
		return fmt.Sprintf("%s on %s skipped (%s), said later", b.StationSkipped.Task, id, b.StationSkipped.Reason), false, nil
	case *pb.Event_JobStarted:
		return fmt.Sprintf("start of job %s on %s, said later", b.JobStarted.Job, id), b.JobStarted.RatedMmPerMin != nil, nil
	case *pb.Event_JobCorrected:
		return fmt.Sprintf("job %s on %s corrected", b.JobCorrected.Job, id), b.JobCorrected.RatedMmPerMin != nil, nil
	case *pb.Event_Voided:
		return s.voidLater(ctx, f, id, e.Event, b.Voided)
	}
	return kindName(e.Event) + " of " + id + ", said later", false, nil
}

// voidLater says what a void took back.
func (s *Server) voidLater(ctx context.Context, f *fleet, id string, e *pb.Event, v *pb.Voided) (string, bool, error) {
	n := int64(v.LastSeq) - int64(v.FirstSeq) + 1
	text, moves := "events", true
	first, err := s.deps.Reader.GetEvent(ctx, e.Plant, e.Press, timeline.ID{Epoch: v.Epoch, Seq: v.FirstSeq})
	switch {
	case errors.Is(err, ErrNotFound):
	case err != nil:
		return "", false, err
	case first.Event.GetSlice() != nil:
		text = "slices"
	default:
		if text, moves, err = s.saidLater(ctx, f, first); err != nil {
			return "", false, err
		}
		text = strings.ReplaceAll(strings.ReplaceAll(text, ", said later", ""), " later on ", " on ")
		moves = moves || n > 1
	}
	if n > 1 {
		text = fmt.Sprintf("%d events from %s on (%s)", n, fmt.Sprintf("%s/%016x/%d", id, v.Epoch, v.FirstSeq), text)
	}
	why := ""
	if v.Why != "" {
		why = fmt.Sprintf(" (%s)", v.Why)
	}
	return "void of " + text + why, moves, nil
}

// registryCauses are the revisions of the plant after the pinned one that change
// something before the period's end.
func (s *Server) registryCauses(ctx context.Context, x *pb.ClosedPeriod, end int64, moved bool) ([]*pb.RestatementCause, error) {
	history, err := s.deps.Registry.History(ctx, x.Plant)
	if err != nil {
		return nil, err
	}
	var out []*pb.RestatementCause
	for i := len(history) - 1; i >= 0; i-- {
		h := history[i]
		if h.Revision.Rev <= x.AsOf.RegistryRev {
			continue
		}
		var before *pb.Plant
		if i+1 < len(history) {
			before = history[i+1].Revision.Plant
		}
		touches := false
		for _, at := range registry.DirtyFor(before, h.Revision.Plant) {
			touches = touches || at < end
		}
		if !touches {
			continue
		}
		words := h.Changes
		if len(words) > 3 {
			words = append(slices.Clone(words[:3]), fmt.Sprintf("and %d more changes", len(words)-3))
		}
		out = append(out, &pb.RestatementCause{Kind: "registry", What: uintText(h.Revision.Rev), At: h.Revision.AppliedAt, Count: 1,
			Text:       fmt.Sprintf("registry revision %d by %s: %s", h.Revision.Rev, cmp.Or(h.Revision.Author, "nobody named"), strings.Join(words, "; ")),
			MovesTotal: moved && slices.ContainsFunc(h.Changes, movesTotal)})
	}
	return out, nil
}

// movesTotal says whether a change of the registry can move planned time, rated
// time or which presses there are.
func movesTotal(change string) bool {
	field, _, _ := strings.Cut(change, ":")
	press := strings.HasPrefix(field, "presses[") && strings.HasSuffix(field, "]")
	return press || strings.Contains(field, "calendar") || strings.Contains(field, "rated_mm_per_min") || field == "zone" || field == "day_of"
}
