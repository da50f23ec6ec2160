package api

import (
	"cmp"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"google.golang.org/grpc/codes"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var errNoSigning = withDetails(codes.Unavailable, "this api has no way to the log: periods cannot be signed here")

// bounds are where a plant's period begins and ends, over its presses, unix ms.
func (f *fleet) bounds(from, to timeline.Day) (start, end int64) {
	for i, id := range f.scope {
		c := f.presses[id].Calendar
		a, b := c.Plan(from).Span().From, c.Plan(to).Span().To
		if i == 0 || a < start {
			start = a
		}
		end = max(end, b)
	}
	return start, end
}

// ClosePeriod signs the figures of a plant and period.
func (l *lossService) ClosePeriod(ctx context.Context, req *pb.ClosePeriodRequest) (*pb.ClosePeriodResponse, error) {
	s := l.s
	if s.deps.Changes == nil || s.deps.Writer == nil {
		return nil, errNoSigning
	}
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	if strings.ContainsFunc(req.GetAuthor(), func(r rune) bool { return !unicode.IsPrint(r) }) || strings.TrimSpace(req.GetAuthor()) == "" {
		return nil, invalid("author", "is the name of who signs, printable")
	}
	if !req.GetPreview() {
		if x, err := s.signedBefore(ctx, req); err != nil || x != nil {
			return &pb.ClosePeriodResponse{Closed: x}, err
		}
	}
	figs, asOf, err := s.settled(ctx, req.GetPlant(), from, to)
	if err != nil {
		return nil, err
	}
	sum := figs.sha256()
	if want := req.GetExpectedSha256(); want != "" && want != sum {
		return nil, withDetails(codes.Aborted, fmt.Sprintf("the figures have changed: their SHA-256 is %s now, not %s; look at them again before you sign", sum, want))
	}
	tree := figs.tree()
	x := &pb.ClosedPeriod{Plant: req.Plant, Period: req.Period, Author: req.Author, AsOf: asOf, Sha256: sum, Signed: tree, Now: tree}
	if req.GetPreview() {
		return &pb.ClosePeriodResponse{Closed: x}, nil
	}
	// The figures first: a signature whose figures are not kept says nothing.
	kept, err := s.deps.Reader.PutData(ctx, figs.text())
	if err != nil {
		return nil, err
	}
	raw, err := hex.DecodeString(kept)
	if err != nil || kept != sum {
		return nil, fmt.Errorf("signed figures are kept under %q, not %q", kept, sum)
	}
	e := &pb.Event{Plant: req.Plant, Press: timeline.PlantPress, OccurredAt: stamp(s.now().UnixMilli()), Body: &pb.Event_PeriodClosed{PeriodClosed: &pb.PeriodClosed{
		FirstDay: figs.first, LastDay: figs.last, Pos: asOf.Pos, RegistryRev: asOf.RegistryRev, Sha256: raw, Author: req.Author}}}
	for _, v := range s.deps.Writer.Check(e) {
		return nil, invalid(strings.TrimPrefix(v.Field, "period_closed."), v.Reason)
	}
	ids, err := s.record(ctx, req.GetRequestId(), []*pb.Event{e})
	if err != nil {
		return nil, err
	}
	x.Event, x.At = ids[0], e.OccurredAt
	return &pb.ClosePeriodResponse{Closed: x}, nil
}

// signedBefore is what an earlier try with the same request id signed.
func (s *Server) signedBefore(ctx context.Context, req *pb.ClosePeriodRequest) (*pb.ClosedPeriod, error) {
	old, err := s.deps.Reader.EpochEvents(ctx, req.Plant, timeline.PlantPress, epochOf(req.GetRequestId()), 1)
	if err != nil || len(old) == 0 {
		return nil, err
	}
	p := old[0].Event.GetPeriodClosed()
	if p == nil || p.FirstDay != req.Period.GetFirstDay() || p.LastDay != req.Period.GetLastDay() || p.Author != req.Author {
		return nil, invalid("request_id", "was used before for something else")
	}
	return s.closedPeriod(ctx, old[0], false)
}

// settled are the figures of a period that is over, with the pins they are of.
// They are read between two looks that find nothing waiting to be projected and
// nothing that arrived after the pin and touches the period.
func (s *Server) settled(ctx context.Context, plant string, from, to timeline.Day) (*figures, *pb.AsOf, error) {
	why := ""
	for try := range quietTries {
		if try > 0 {
			if err := s.wait(ctx, nil, quietWait); err != nil {
				return nil, nil, err
			}
		}
		pos, rev, err := s.pins(ctx)
		if err != nil {
			return nil, nil, err
		}
		f, err := s.fleetAt(ctx, &pb.Scope{Plants: []string{plant}}, rev)
		if gone := (*goneError)(nil); errors.As(err, &gone) {
			return nil, nil, gone.err
		} else if err != nil {
			return nil, nil, err
		}
		if len(f.scope) == 0 {
			return nil, nil, withDetails(codes.FailedPrecondition, "plant "+plant+" has no press: there is nothing to sign")
		}
		if why, err = s.waiting(ctx, f, from, to); err != nil {
			return nil, nil, err
		} else if why != "" {
			continue
		}
		if err := s.over(ctx, f, to); err != nil {
			return nil, nil, err
		}
		sums, err := s.deps.Reader.LossSums(ctx, false, f.narrow(), from, to)
		if err != nil {
			return nil, nil, err
		}
		asOf, err := s.asOf(ctx, f)
		if err != nil {
			return nil, nil, err
		}
		start, end := f.bounds(from, to)
		if why, err = s.waiting(ctx, f, from, to); err != nil {
			return nil, nil, err
		} else if why != "" {
			continue
		}
		sl, err := s.deps.Changes.SlicesAfter(ctx, plant, pos, start-lookBack, end)
		if err != nil {
			return nil, nil, err
		}
		said, err := s.deps.Changes.SaidAfter(ctx, plant, pos, start-lookBack, end, 1)
		if err != nil {
			return nil, nil, err
		}
		_, rev2, err := s.pins(ctx)
		if err != nil {
			return nil, nil, err
		}
		if len(sl) > 0 || len(said) > 0 || rev2 != rev {
			why = "something about the period arrived just now"
			continue
		}
		asOf.Pos, asOf.RegistryRev, asOf.Newest = pos, rev, nil
		return &figures{plant: plant, first: from.String(), last: to.String(), rules: RulesVersion, sums: sums}, asOf, nil
	}
	return nil, nil, withDetails(codes.Unavailable, "the figures are not at rest: "+why+"; try again")
}

// lookBack is how far before a period what is said of a press can reach into it.
const lookBack = 48 * timeline.Hour

// waiting names a press whose period waits to be projected again.
func (s *Server) waiting(ctx context.Context, f *fleet, from, to timeline.Day) (string, error) {
	dirty, err := s.deps.Reader.DirtyFrom(ctx)
	if err != nil {
		return "", err
	}
	for _, id := range f.scope {
		at, ok := dirty[id]
		if ok && at-lookBack < f.presses[id].Calendar.Plan(to).Span().To {
			return id + " is being computed again", nil
		}
	}
	return "", nil
}

// over refuses a period whose end some press has not reported up to.
func (s *Server) over(ctx context.Context, f *fleet, to timeline.Day) error {
	at, err := s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return err
	}
	var behind []string
	for _, id := range f.scope {
		p := f.presses[id]
		end := p.Calendar.Plan(to).Span().To
		if t, ok := at[id]; !ok {
			behind = append(behind, id+" (nothing reported)")
		} else if t < end {
			behind = append(behind, fmt.Sprintf("%s (reported to %s)", id, time.UnixMilli(t).In(p.Zone).Format("2006-01-02 15:04 MST")))
		}
	}
	if len(behind) == 0 {
		return nil
	}
	n := len(behind)
	if n > 10 {
		behind = append(behind[:10], fmt.Sprintf("and %d more", n-10))
	}
	p := f.presses[f.scope[0]]
	return withDetails(codes.FailedPrecondition, fmt.Sprintf("the period is not over: %s ends %s, and not all presses have reported that far: %s",
		to, time.UnixMilli(p.Calendar.Plan(to).Span().To).In(p.Zone).Format("2006-01-02 15:04 MST"), strings.Join(behind, ", ")))
}

// ListClosedPeriods returns what was signed and what has become of it.
func (l *lossService) ListClosedPeriods(ctx context.Context, req *pb.ListClosedPeriodsRequest) (*pb.ListClosedPeriodsResponse, error) {
	s := l.s
	if s.deps.Changes == nil {
		return nil, errNoSigning
	}
	var from, to timeline.Day
	var err error
	if req.Period != nil {
		if from, to, err = period(req.Period); err != nil {
			return nil, err
		}
	}
	f, err := s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	q := EventQuery{Kinds: []timeline.Kind{timeline.KindPeriodClosed}, Limit: maxPage}
	for _, id := range f.scope {
		plant, _ := splitPress(id)
		if p := plant + "/" + timeline.PlantPress; !slices.Contains(q.Presses, p) {
			q.Presses = append(q.Presses, p)
		}
	}
	resp := &pb.ListClosedPeriodsResponse{}
	if len(q.Presses) == 0 {
		return resp, nil
	}
	for {
		evs, last, err := s.deps.Reader.ListEvents(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, e := range evs {
			p := e.Event.GetPeriodClosed()
			if p == nil {
				continue
			}
			a, err1 := timeline.ParseDay(p.FirstDay)
			b, err2 := timeline.ParseDay(p.LastDay)
			if err1 != nil || err2 != nil || req.Period != nil && (b < from || a > to) {
				continue
			}
			if len(resp.Periods) == maxPage {
				return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("more than %d signed periods: narrow the scope or the period", maxPage))
			}
			x, err := s.closedPeriod(ctx, e, req.GetVerify())
			if err != nil {
				return nil, err
			}
			resp.Periods = append(resp.Periods, x)
		}
		if len(evs) < q.Limit || last == nil {
			break
		}
		q.After = last
	}
	slices.SortStableFunc(resp.Periods, func(a, b *pb.ClosedPeriod) int {
		return cmp.Or(cmp.Compare(a.Plant, b.Plant), cmp.Compare(a.Period.FirstDay, b.Period.FirstDay), a.At.AsTime().Compare(b.At.AsTime()))
	})
	return resp, nil
}

// closedPeriod sets what an event signed against what the figures are now.
func (s *Server) closedPeriod(ctx context.Context, e *pb.StoredEvent, verify bool) (*pb.ClosedPeriod, error) {
	p := e.Event.GetPeriodClosed()
	from, err := timeline.ParseDay(p.FirstDay)
	if err != nil {
		return nil, fmt.Errorf("signed period %s: %w", e.Id, err)
	}
	to, err := timeline.ParseDay(p.LastDay)
	if err != nil {
		return nil, fmt.Errorf("signed period %s: %w", e.Id, err)
	}
	x := &pb.ClosedPeriod{Plant: e.Event.Plant, Period: &pb.Period{FirstDay: p.FirstDay, LastDay: p.LastDay}, At: e.Event.OccurredAt, Author: p.Author,
		AsOf: &pb.AsOf{Pos: p.Pos, RegistryRev: p.RegistryRev}, Sha256: hex.EncodeToString(p.Sha256), Event: e.Id, Voided: e.Voided}
	var signed *figures
	switch text, err := s.deps.Reader.GetData(ctx, x.Sha256); {
	case errors.Is(err, ErrNotFound):
		x.Notes = append(x.Notes, "The figures that were signed are not kept: those shown are folded again from the log as of the signature.")
	case err != nil:
		return nil, err
	default:
		if signed, err = parseFigures(text); err != nil {
			return nil, err
		}
		x.AsOf.RulesVersion = signed.rules
	}
	if verify || signed == nil {
		again, err := s.foldFigures(ctx, x.Plant, from, to, p.Pos, p.RegistryRev)
		if err != nil {
			return nil, err
		}
		if signed == nil {
			signed = again
		}
		again.rules = signed.rules
		ok := again.sha256() == x.Sha256
		x.Verified = &ok
		if !ok && signed.rules != RulesVersion {
			x.Notes = append(x.Notes, fmt.Sprintf("It was signed under accounting rules %d; this program has %d.", signed.rules, RulesVersion))
		}
	}
	f, err := s.inScope(ctx, &pb.Scope{Plants: []string{x.Plant}})
	if err != nil {
		return nil, err
	}
	sums, err := s.deps.Reader.LossSums(ctx, false, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	now := &figures{plant: x.Plant, first: p.FirstDay, last: p.LastDay, rules: signed.rules, sums: sums}
	x.Signed, x.Now, x.Restated = signed.tree(), now.tree(), !signed.same(now)
	if x.Restated {
		x.Differences = differences(x.Signed, x.Now)
	}
	x.Causes, err = s.causes(ctx, f, x, from, to, movedPresses(signed, now))
	return x, err
}

// foldFigures folds the log as of the pins of a signature.
func (s *Server) foldFigures(ctx context.Context, plant string, from, to timeline.Day, pos, rev uint64) (*figures, error) {
	f, err := s.fleetAt(ctx, &pb.Scope{Plants: []string{plant}}, rev)
	if err != nil {
		return nil, err
	}
	out := &figures{plant: plant, first: from.String(), last: to.String(), rules: RulesVersion}
	for _, id := range f.scope {
		p, err := s.deps.Reader.FoldAsOf(ctx, f.presses[id], pos)
		if err != nil {
			return nil, fmt.Errorf("fold %s as of %d: %w", id, pos, err)
		}
		out.sums = append(out.sums, sumDays(slices.DeleteFunc(p.Days, func(d timeline.PressDay) bool { return d.Day < from || d.Day > to }))...)
	}
	return out, nil
}
