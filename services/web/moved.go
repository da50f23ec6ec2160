package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

const (
	// movedTick is how often it is asked whether something was stored.
	movedTick = 5 * time.Second
	// movedSettle is how long after that the figures are looked at again: what is stored is folded a moment later.
	movedSettle = time.Minute
	// movedRest is the shortest time between two looks at the figures.
	movedRest = 15 * time.Second
)

// printed is a short sum of what a page prints of a tree: it differs where a reader would read another figure.
func printed(t *pb.LossTree) string {
	l := newLadder(t, scaleAll, func(string) string { return "" })
	for _, rows := range [][]lossRow{l.Rows, l.Apart} {
		for i := range rows {
			rows[i].X, rows[i].W = "", "" // of the picture: finer than the figures
		}
	}
	text, _ := json.Marshal([]any{l, doubts(&pb.GetLossesResponse{Total: t}), moneyWords(t)})
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:6])
}

// movedAddress is that of the events which tell a page of losses, made now from an answer, that its figures have moved.
func (q *query) movedAddress(r *pb.GetLossesResponse, now time.Time) string {
	rolls := ""
	if q.Last > 0 {
		rolls = "1"
	}
	return q.Link("/losses/live", "from", q.From.Format(time.DateOnly), "to", q.To.Format(time.DateOnly), "rolls", rolls,
		"seen", printed(r.GetTotal()), "pos", strconv.FormatUint(r.GetAsOf().GetPos(), 10), "since", strconv.FormatInt(now.Unix(), 10))
}

// serveMoved says, once, that the figures of a page of losses are no longer those of the log. It asks where the log and
// its frontier stand, which costs next to nothing, and for the figures of the page only after something was stored.
func (s *Site) serveMoved(w http.ResponseWriter, r *http.Request) {
	v := r.URL.Query()
	q, ok := s.readLive(w, r)
	if !ok {
		return
	}
	pos, err1 := strconv.ParseUint(v.Get("pos"), 10, 64)
	since, err2 := strconv.ParseInt(v.Get("since"), 10, 64)
	if err1 != nil || err2 != nil || v.Get("seen") == "" {
		http.Error(w, "This address says nothing of the page that it keeps.", http.StatusBadRequest)
		return
	}
	made := time.Unix(since, 0).In(q.zone())
	m := moved{s: s, q: q, seen: v.Get("seen"), pos: pos, rolls: v.Get("rolls") != ""}
	said := ""
	s.live(w, r, movedTick, func(ctx context.Context) (string, bool, error) {
		if said == "" { // once it is said, nothing more is asked
			yes, err := m.look(ctx)
			if err != nil || !yes {
				return "", false, err
			}
			said = "Figures have moved since " + madeAt(made, s.now().In(q.zone())) + "."
		}
		text, err := s.part("losses", "moved", struct{ Said string }{said})
		return text, false, err
	})
}

// madeAt is when a page was made: a time of day, or its day where that is another; short, since its line is kept free.
func madeAt(t, now time.Time) string {
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return t.Format("15:04")
	}
	return t.Format("2 Jan")
}

// moved looks whether the figures of a page still hold.
type moved struct {
	s     *Site
	q     *query
	seen  string // what was printed
	pos   uint64 // insert up to which nothing has come
	rolls bool   // the page ends at the newest production day

	stored, looked time.Time // when something was found stored; when the figures were looked at
}

func (m *moved) look(ctx context.Context) (bool, error) {
	at, err := m.s.frontier(ctx, m.q.scope())
	if err != nil {
		return false, err
	}
	if m.rolls && at.GetNewest() != nil && dateIn(at.GetNewest().AsTime().Add(-time.Millisecond), m.q.zone()).After(m.q.To) {
		return true, nil
	}
	now := time.Now()
	if at.GetPos() != m.pos {
		m.pos, m.stored = at.GetPos(), now
	}
	if m.stored.IsZero() || now.Sub(m.looked) < movedRest {
		return false, nil
	}
	r, err := m.s.losses.GetLosses(ctx, &pb.GetLossesRequest{Scope: m.q.scope(), Period: m.q.period()})
	if err != nil {
		return false, err
	}
	m.looked = now
	if now.Sub(m.stored) > movedSettle {
		m.stored = time.Time{}
	}
	return printed(r.GetTotal()) != m.seen, nil
}
