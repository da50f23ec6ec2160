package web

import (
	"net/http"
	"slices"
	"sort"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// leafPage is what is behind one leaf: where, when, and every stretch booked to it.
type leafPage struct {
	frame
	Leaf    string
	Name    string
	Amount  string // time, length and money of the leaf
	Splits  []leafSplit
	Rows    []stretchRow
	Next    string // address of more; empty: there is no more
	First   string // address of the first page; empty: this is it
	Notes   []string
	Presses bool // the scope holds several
}

// leafSplit is the leaf by press, shift or day.
type leafSplit struct {
	ID, What string
	Rows     []lossRow
	Left     int
}

// stretchRow is one stretch booked to the leaf.
type stretchRow struct {
	Press, Day, Shift string
	When              string
	Minutes, Meters   string
	What              string // state, reason, station, job
	Why               string
	Session           string // address; empty: none decided
	Events            string // address of what was recorded then
	Slices            string
}

// stretchesPerPage is how many stretches stand on a page.
const stretchesPerPage = 50

func (s *Site) serveLeaf(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/", "What is behind a loss", "leaf")
	if !ok {
		return
	}
	v := r.URL.Query()
	leaf := v.Get("leaf")
	if leaf == "" {
		s.fail(w, r, f, badf("The address names no loss. Take one from the table of losses."))
		return
	}
	by := []pb.LossGroup{pb.LossGroup_LOSS_GROUP_PRESS, pb.LossGroup_LOSS_GROUP_SHIFT, pb.LossGroup_LOSS_GROUP_DAY}
	what := []string{"press", "shift", "production day"}
	if len(q.Scopes) == 1 && strings.Contains(q.Scopes[0], "/") {
		by, what = by[1:], what[1:]
	}
	if q.From.Equal(q.To) {
		by, what = by[:len(by)-1], what[:len(what)-1]
	}
	trees := make([]*pb.GetLossesResponse, len(by))
	var explained *pb.ExplainLossResponse
	g, ctx := errgroup.WithContext(r.Context())
	for i := range by {
		g.Go(func() (err error) {
			trees[i], err = s.losses.GetLosses(ctx, &pb.GetLossesRequest{Scope: q.scope(), Period: q.period(), GroupBy: by[i]})
			return err
		})
	}
	g.Go(func() (err error) {
		explained, err = s.losses.ExplainLoss(ctx, &pb.ExplainLossRequest{Scope: q.scope(), Period: q.period(), Leaf: leaf, PageSize: stretchesPerPage, PageToken: v.Get("page")})
		return err
	})
	if err := g.Wait(); err != nil {
		s.fail(w, r, f, err)
		return
	}
	l := explained.GetLeaf()
	f.Title = l.GetName()
	f.Foot = q.pins(explained.GetAsOf())
	p := leafPage{frame: f, Leaf: l.GetLeaf(), Name: l.GetName(), Amount: leafAmount(l), Presses: len(q.Scopes) != 1 || !strings.Contains(q.Scopes[0], "/")}
	for i := range by {
		p.Splits = append(p.Splits, splitLeaf(q, leaf, by[i], what[i], trees[i]))
	}
	for _, x := range explained.GetPieces() {
		p.Rows = append(p.Rows, stretch(q, x))
	}
	if t := explained.GetNextPageToken(); t != "" {
		p.Next = q.Link("/losses/leaf", "leaf", leaf, "page", t)
	}
	if v.Get("page") != "" {
		p.First = q.Link("/losses/leaf", "leaf", leaf)
	}
	for _, n := range explained.GetNotes() {
		p.Notes = append(p.Notes, sentence(n))
	}
	if strings.HasSuffix(leaf, "_waste") || strings.HasSuffix(leaf, "_slow") {
		p.Notes = append(p.Notes, "Times of waste and slow running are length by rated speed, exact fractions: each stretch takes what the running sum of its day, rounded to the microsecond, grows by, so that they close on the leaf.")
	}
	s.write(w, http.StatusOK, "leaf", p)
}

// leafAmount is a leaf's time, length and money in words.
func leafAmount(l *pb.LossLeaf) string {
	var parts []string
	clock := spanFor(l.GetTimeUs())
	n := figures.RoundRatio(l.GetTimeUs(), 1, clock.unit)
	if clock.name == "min" {
		parts = append(parts, minus(clock.text(n))+" min")
	} else {
		parts = append(parts, clock.text(n)+" h")
	}
	if mm := l.GetLengthMm(); mm != 0 {
		parts = append(parts, minus(figures.Grouped(figures.RoundRatio(mm, 1, 1000)))+" m of web")
	}
	for _, p := range figures.Purses(l) {
		parts = append(parts, minus(figures.PurseText(figures.Printed(figures.Amount(l.GetMoney(), p), p), p)))
	}
	return strings.Join(parts, ", ")
}

// splitLeaf is one leaf by a group, the largest first; days in their order.
func splitLeaf(q *query, leaf string, by pb.LossGroup, what string, r *pb.GetLossesResponse) leafSplit {
	out := leafSplit{ID: strings.ReplaceAll(what, " ", "-"), What: what}
	type part struct {
		key  string
		leaf *pb.LossLeaf
	}
	var list []part
	most := int64(0)
	for _, t := range r.GetGroups() {
		for _, l := range t.GetLeaves() {
			if l.GetLeaf() == leaf && (l.GetTimeUs() != 0 || l.GetLengthMm() != 0) {
				list = append(list, part{t.GetKey(), l})
				most = max(most, l.GetTimeUs())
			}
		}
	}
	if by != pb.LossGroup_LOSS_GROUP_DAY {
		sort.SliceStable(list, func(i, j int) bool { return list[i].leaf.GetTimeUs() > list[j].leaf.GetTimeUs() })
	}
	if n := 31; len(list) > n {
		out.Left, list = len(list)-n, list[:n]
	}
	for _, x := range list {
		row := lossRow{Kind: "leaf", Share: x.leaf.GetShare(), Time: clockText(figures.RoundRatio(x.leaf.GetTimeUs(), 1, 60_000_000)), Points: points(x.leaf.GetOeePoints()),
			Meters: metersCell(x.leaf.GetLengthMm(), figures.RoundRatio(x.leaf.GetLengthMm(), 1, 1000))}
		row.Name, _ = groupName(q, by, x.key)
		switch by {
		case pb.LossGroup_LOSS_GROUP_PRESS:
			row.Href = q.Link("/losses/leaf", "leaf", leaf, "scope", x.key, "kind", "")
		case pb.LossGroup_LOSS_GROUP_DAY:
			row.Href = q.Link("/losses/leaf", "leaf", leaf, "from", x.key, "to", x.key)
		}
		if most > 0 && x.leaf.GetTimeUs() > 0 {
			row.X, row.W = "0", pct(max(leastBar, float64(x.leaf.GetTimeUs())/float64(most)*100))
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

// stretch is one piece as a row.
func stretch(q *query, x *pb.LossPiece) stretchRow {
	zone := q.zoneOf(x.GetPress())
	from, to := x.GetFrom().AsTime().In(zone), x.GetTo().AsTime().In(zone)
	row := stretchRow{Press: q.pressName(x.GetPress()), Day: x.GetDay(), Shift: named(x.GetShift(), "unplanned"), When: between(from, to), Why: x.GetWhy(),
		Minutes: minus(figures.Fixed(figures.RoundRatio(x.GetTimeUs(), 1, 600_000), 2))}
	if d, err := time.Parse(time.DateOnly, x.GetDay()); err == nil {
		row.Day = d.Format("Mon 2 Jan")
	}
	if x.GetLengthMm() != 0 {
		row.Meters = minus(figures.Number(float64(x.GetLengthMm())/1000, 1))
	}
	what := []string{stateName(x.GetState())}
	if x.GetState() == pb.State_STATE_UNSPECIFIED {
		what[0] = "no slice"
	}
	for _, t := range []string{x.GetReason(), x.GetStation(), x.GetPart()} {
		if t != "" {
			what = append(what, t)
		}
	}
	if x.GetJob() != "" {
		what = append(what, "job "+x.GetJob())
	}
	row.What = strings.Join(what, ", ")
	if x.GetSession() != "" {
		row.Session = q.Link("/losses/session", "scope", x.GetPress(), "kind", "", "from", x.GetDay(), "to", x.GetDay(), "session", x.GetSession())
	}
	row.Events = q.Link("/losses/events", "scope", x.GetPress(), "kind", "", "from", x.GetDay(), "to", x.GetDay(),
		"begin", x.GetFrom().AsTime().UTC().Format(time.RFC3339Nano), "end", x.GetTo().AsTime().UTC().Format(time.RFC3339Nano))
	if x.GetSlices() > 0 {
		row.Slices = figures.Plural(x.GetSlices(), "slice", "slices")
	}
	return row
}

// between writes a stretch of time of one day, with the second date where it differs.
func between(from, to time.Time) string {
	clock := func(t time.Time) string {
		if t.Second() != 0 || t.Nanosecond() != 0 {
			return t.Format("15:04:05")
		}
		return t.Format("15:04")
	}
	a, b := clock(from), clock(to)
	if from.Format(time.DateOnly) != to.Format(time.DateOnly) && to.Sub(from) > 12*time.Hour {
		return from.Format("2 Jan ") + a + " to " + to.Format("2 Jan ") + b
	}
	return a + " to " + b
}

// stateName is a state for people.
func stateName(s pb.State) string {
	switch s {
	case pb.State_STATE_SETUP:
		return "set-up"
	case pb.State_STATE_UNSPECIFIED:
		return ""
	}
	return strings.ToLower(strings.TrimPrefix(s.String(), "STATE_"))
}

// occasionName is an occasion for people.
func occasionName(o pb.Occasion) string {
	switch o {
	case pb.Occasion_OCCASION_STARTUP:
		return "start-up"
	case pb.Occasion_OCCASION_SHUTDOWN:
		return "shut-down"
	case pb.Occasion_OCCASION_UNSPECIFIED:
		return ""
	}
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(o.String(), "OCCASION_"), "_", " "))
}

// sessionPage is one cleaning session: what was allowed, what it took, station by station.
type sessionPage struct {
	frame
	Head     string
	When     string
	Facts    []string
	Visits   []visitRow
	Cautions []string
	Events   string
}

type visitRow struct{ Station, Task, Until, Minutes, Standard, Note, W, Mark string }

func (s *Site) serveSession(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/", "A cleaning session", "session")
	if !ok {
		return
	}
	id, token := r.URL.Query().Get("session"), ""
	for {
		list, err := s.cleaning.ListSessions(r.Context(), &pb.ListSessionsRequest{Scope: q.scope(), Period: q.period(), PageSize: 1000, PageToken: token})
		if err != nil {
			s.fail(w, r, f, err)
			return
		}
		if i := slices.IndexFunc(list.GetSessions(), func(x *pb.Session) bool { return x.GetSession() == id }); i >= 0 {
			f.Foot = q.pins(list.GetAsOf())
			s.write(w, http.StatusOK, "session", sessionView(f, q, list.GetSessions()[i], list.GetCautions()))
			return
		}
		if token = list.GetNextPageToken(); token == "" {
			break
		}
	}
	f.Title = "No such session"
	s.write(w, http.StatusNotFound, "trouble", troublePage{frame: f, Head: "There is no such session", Text: "No cleaning session of that name is known of " + q.Words() + ", " + q.Days() + ".",
		Todo: "Its events may have been taken back since."})
}

func sessionView(f frame, q *query, x *pb.Session, cautions []string) sessionPage {
	zone := q.zoneOf(x.GetPress())
	from, to := x.GetFrom().AsTime().In(zone), x.GetTo().AsTime().In(zone)
	mins := func(ms int64) string { return figures.Number(float64(ms)/60000, 1) }
	p := sessionPage{frame: f, Head: q.pressName(x.GetPress()) + ": " + occasionName(x.GetOccasion()) + " clean", When: from.Format("Mon 2 January 2006, ") + between(from, to) + " (" + zone.String() + ")", Cautions: cautions}
	p.Title = p.Head
	p.Facts = append(p.Facts, "It took "+mins(x.GetElapsedMs())+" min.")
	if x.GetSameGroup() {
		p.Facts = append(p.Facts, "It overlaps the session before: both have one allowance, which stands on the first.")
	} else {
		p.Facts = append(p.Facts, "The standards of what was due and signed allow "+mins(x.GetAllowanceMs())+" min; over that: "+mins(x.GetOverrunMs())+" min.")
	}
	if x.GetClosedByRule() {
		p.Facts = append(p.Facts, "It was ended by rule (a run, or 15 min after the last sign-off), not by the crew.")
	}
	if x.GetReopened() {
		p.Facts = append(p.Facts, "A session of this name had been opened and ended before.")
	}
	if ms := x.GetInterruptionMs(); ms > 0 {
		p.Facts = append(p.Facts, "Interruptions, which belong to no station: "+mins(ms)+" min.")
	}
	if ms := x.GetClosingMs(); ms > 0 {
		p.Facts = append(p.Facts, "After the last sign-off: "+mins(ms)+" min.")
	}
	said := "Nothing was stated at a hand-back."
	if x.GetHandedBack() {
		var yes, no []string
		for _, c := range []struct {
			ok   bool
			text string
		}{{x.GetToolsCountedOut(), "tools and cloths counted out"}, {x.GetGuardsRestored(), "guards and interlocks restored"}, {x.GetIsolationRemoved(), "isolation removed by whoever applied it"}} {
			if c.ok {
				yes = append(yes, c.text)
			} else {
				no = append(no, c.text)
			}
		}
		said = "Stated at the hand-back: " + named(strings.Join(yes, ", "), "nothing") + "."
		if len(no) > 0 {
			said += " Not stated: " + strings.Join(no, ", ") + ". What must be stated is for the site's procedure."
		}
	}
	p.Facts = append(p.Facts, said)
	most := int64(1)
	for _, v := range x.GetVisits() {
		most = max(most, v.GetTimeMs(), v.GetStandardMs())
	}
	for _, v := range x.GetVisits() {
		row := visitRow{Station: q.stationName(v.GetStation()), Task: v.GetTask(), Until: v.GetTo().AsTime().In(zone).Format("15:04"), Minutes: mins(v.GetTimeMs()), Note: v.GetMark(), W: pct(float64(v.GetTimeMs()) / float64(most) * 100)}
		if v.GetStandardMs() > 0 {
			row.Standard, row.Mark = mins(v.GetStandardMs()), pct(min(99.4, float64(v.GetStandardMs())/float64(most)*100))
		}
		if v.GetInterruptionMs() > 0 {
			row.Note = strings.TrimSpace(row.Note + " after an interruption of " + mins(v.GetInterruptionMs()) + " min")
		}
		p.Visits = append(p.Visits, row)
	}
	p.Events = q.Link("/losses/events", "begin", x.GetFrom().AsTime().UTC().Format(time.RFC3339Nano), "end", x.GetTo().AsTime().UTC().Format(time.RFC3339Nano))
	return p
}

// eventsPage is what was recorded of one press in a stretch of time.
type eventsPage struct {
	frame
	Head string
	When string
	Rows []eventRow
	Next string
}

type eventRow struct {
	At, Kind, What, Minutes, Good, Waste, ID string
	Voided                                   bool
}

// longestLook is the longest stretch whose events are listed.
const longestLook = 72 * time.Hour

func (s *Site) serveEvents(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/", "What was recorded", "begin", "end")
	if !ok {
		return
	}
	v := r.URL.Query()
	begin, err1 := time.Parse(time.RFC3339Nano, v.Get("begin"))
	end, err2 := time.Parse(time.RFC3339Nano, v.Get("end"))
	switch {
	case len(q.Scopes) != 1 || !strings.Contains(q.Scopes[0], "/"):
		s.fail(w, r, f, badf("What was recorded is shown of one press at a time."))
		return
	case err1 != nil || err2 != nil || end.Before(begin) || end.Sub(begin) > longestLook:
		s.fail(w, r, f, badf("The address names no stretch of time of at most three days."))
		return
	}
	if end.Equal(begin) {
		end = end.Add(time.Millisecond)
	}
	press := q.Scopes[0]
	events := pb.NewEventServiceClient(s.conn)
	list, err := events.ListEvents(r.Context(), &pb.ListEventsRequest{Scope: q.scope(), From: stampOf(begin), To: stampOf(end), PageSize: 200, PageToken: v.Get("page")})
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	zone := q.zoneOf(press)
	f.Foot = q.pins(list.GetAsOf())
	p := eventsPage{frame: f, Head: "What was recorded of " + q.pressName(press), When: begin.In(zone).Format("Mon 2 January 2006, ") + between(begin.In(zone), end.In(zone)) + " (" + zone.String() + ")"}
	for _, e := range list.GetEvents() {
		p.Rows = append(p.Rows, eventWords(e, zone))
	}
	if t := list.GetNextPageToken(); t != "" {
		p.Next = q.Link("/losses/events", "begin", v.Get("begin"), "end", v.Get("end"), "page", t)
	}
	s.write(w, http.StatusOK, "events", p)
}
