package api

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Explainer folds some days of a press again from the log and returns the
// pieces behind a leaf, by start, and defects seen near stops without a reason.
// frontier is how far the press is projected.
type Explainer interface {
	ExplainLoss(ctx context.Context, press *timeline.Press, q loss.Question, from, to timeline.Day, frontier int64) ([]loss.Piece, []loss.Hint, error)
}

const (
	// maxExplained bounds one request, press-days: each is folded again.
	maxExplained = 1000
	maxHints     = 20
)

// explainKey is where a list of pieces has got to, and what the leaf held at
// its first page: a list whose leaf changes between two pages would not add up.
type explainKey struct {
	Press  string
	N      int // pieces of the press that were sent
	US, MM int64
}

// ExplainLoss lists every stretch that was booked to a leaf.
func (l *lossService) ExplainLoss(ctx context.Context, req *pb.ExplainLossRequest) (*pb.ExplainLossResponse, error) {
	if l.s.deps.Explainer == nil {
		return nil, withDetails(codes.Unavailable, "this api has no way to the log: figures cannot be explained here")
	}
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	q, ok := loss.ParseQuestion(req.GetLeaf(), req.GetOutside())
	if !ok {
		return nil, invalid("leaf", explainable(req.GetLeaf(), req.GetOutside()))
	}
	asks := question(req, func(m proto.Message) {
		r := m.(*pb.ExplainLossRequest)
		r.PageSize, r.PageToken = 0, ""
	})
	token, more, err := parseToken[explainKey](req.GetPageToken(), asks)
	if err != nil {
		return nil, err
	}
	f, err := l.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	if days := int64(to-from+1) * int64(len(f.scope)); days > maxExplained {
		return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("%d presses over %d days are %d press-days, at most %d are explained at once: ask for fewer days or presses, e.g. the press or week that loses most", len(f.scope), to-from+1, days, maxExplained))
	}
	resp := &pb.ExplainLossResponse{Period: req.GetPeriod()}
	if resp.AsOf, err = l.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	if resp.Leaf, err = l.leafOf(ctx, f, from, to, q, req.GetLeaf()); err != nil {
		return nil, err
	}
	if more && (token.Key.US != resp.Leaf.TimeUs || token.Key.MM != resp.Leaf.LengthMm) {
		return nil, withDetails(codes.Aborted, "the leaf has changed since the first page: begin again")
	}
	return resp, l.pieces(ctx, f, from, to, q, pageSize(req.GetPageSize()), token.Key, asks, resp)
}

// explainable says why a leaf cannot be asked for, and which can.
func explainable(leaf string, outside bool) string {
	where := "inside planned time"
	if outside {
		where = "outside planned time"
	}
	var names []string
	for x := loss.LeafProduction; x < loss.NumLeaves; x++ {
		if _, ok := loss.ParseQuestion(x.Slug(), outside); ok {
			names = append(names, x.Slug())
		}
	}
	return fmt.Sprintf("%q is no leaf %s: ask for one of %s, %s, %s", leaf, where, strings.Join(names, ", "), loss.SlugBookedExcess, loss.SlugNoteSpill)
}

// leafOf is the leaf as the tree shows it.
func (l *lossService) leafOf(ctx context.Context, f *fleet, from, to timeline.Day, q loss.Question, slug string) (*pb.LossLeaf, error) {
	sums, err := l.s.deps.Reader.LossSums(ctx, false, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	total := newTreeSum()
	for i := range sums {
		total.addDays(&sums[i])
	}
	t := total.tree("", 0)
	switch {
	case q.Excess:
		return &pb.LossLeaf{Leaf: slug, Name: "booked above the count", LengthMm: t.BookedExcessMm}, nil
	case q.Spill:
		return &pb.LossLeaf{Leaf: slug, Name: "notes over states they may not cover", TimeUs: t.NoteSpillMs * 1000}, nil
	}
	list := t.Leaves
	if q.Outside {
		list = t.Outside
	}
	if i := slices.IndexFunc(list, func(x *pb.LossLeaf) bool { return x.Leaf == slug }); i >= 0 {
		return list[i], nil
	}
	return &pb.LossLeaf{Leaf: slug, Name: q.Leaf.String()}, nil
}

// pieces fills one page.
func (l *lossService) pieces(ctx context.Context, f *fleet, from, to timeline.Day, q loss.Question, size int, at explainKey, asks string, resp *pb.ExplainLossResponse) error {
	frontiers, err := l.s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return err
	}
	first := at.Press == ""
	var us, mm int64
	for _, id := range f.scope {
		if frontiers[id] == 0 || id < at.Press {
			continue
		}
		p := f.presses[id]
		list, hints, err := l.s.deps.Explainer.ExplainLoss(ctx, p, q, from, to, frontiers[id])
		if err != nil {
			return fmt.Errorf("explain %s of %s: %w", resp.Leaf.Leaf, id, err)
		}
		skip := 0
		if id == at.Press {
			skip = min(at.N, len(list))
		}
		for i := skip; i < len(list); i++ {
			if len(resp.Pieces) == size {
				key := explainKey{Press: id, N: i, US: resp.Leaf.TimeUs, MM: resp.Leaf.LengthMm}
				resp.NextPageToken = pageToken[explainKey]{Key: key, Pos: resp.AsOf.Pos, Asks: asks}.String()
				return nil
			}
			us, mm = us+list[i].US, mm+list[i].MM
			resp.Pieces = append(resp.Pieces, piece(p, q, &list[i]))
		}
		for i := range hints {
			if len(resp.Notes) < maxHints {
				resp.Notes = append(resp.Notes, hint(p, &hints[i]))
			}
		}
	}
	if first && (us != resp.Leaf.TimeUs || mm != resp.Leaf.LengthMm) {
		resp.Notes = append(resp.Notes, "Something arrived while this was answered: the pieces are of the log, the leaf of the tree is a moment behind. Ask again.")
	}
	return nil
}

func piece(p *timeline.Press, q loss.Question, x *loss.Piece) *pb.LossPiece {
	out := &pb.LossPiece{Press: p.ID(), Day: x.Day.String(), Shift: x.Shift, From: stamp(x.From), To: stamp(x.To), TimeUs: x.US, LengthMm: x.MM,
		State: pb.State(x.State), Reason: x.Reason, Station: x.Station, Job: x.Job, Rule: int32(x.Rule), Why: q.Why(x), Slices: x.Slices,
		Session: x.Session, Part: x.Sub.String()}
	if x.Shift == timeline.Unplanned {
		out.Shift = ""
	}
	for _, id := range x.Events {
		out.Events = append(out.Events, p.ID()+"/"+id.String())
	}
	return out
}

func hint(p *timeline.Press, h *loss.Hint) string {
	clock := func(ms int64) string { return time.UnixMilli(ms).In(p.Zone).Format("15:04") }
	at := ""
	if h.Defect.Station != "" {
		at = " at " + h.Defect.Station
	}
	return fmt.Sprintf("%s, %s: a defect was seen%s at %s (%s), near the stop %s to %s that nobody gave a reason for (%s). A reason note would say whether it was dirt; until then it is none.",
		p.ID(), h.Day, at, clock(h.Defect.At), p.ID()+"/"+h.Defect.ID.String(), clock(h.Stop.From), clock(h.Stop.To), p.Zone)
}
