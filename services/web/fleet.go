package web

import (
	"bytes"
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// fleetPage has one row a press, in words.
type fleetPage struct {
	frame
	Said string
	Rows []fleetRow
	Left int
	More string
}

// fleetRow is one press.
type fleetRow struct {
	Name, Href string
	State      string // in words, with reason and job
	Since      string
	Session    string // "start-up clean since 06:02"; empty: none
	Known      string // until when it is known
	Behind     string // how far behind the foremost press of its plant, in words
	Doubt      bool   // it is silent, or a part of it is missing
}

// fleetTick is how often the live page looks again.
const fleetTick = 3 * time.Second

// behindAfter, as long as the api's own, is how far behind the foremost press of the plant a press may be without being told.
const behindAfter = 10 * time.Minute

// mostPresses is how many rows the page begins with.
const mostPresses = 100

func (s *Site) serveFleet(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/fleet", "Fleet", "all")
	if !ok {
		return
	}
	f.Fixed = ""
	f.Live = "/fleet/live?" + r.URL.RawQuery
	p, err := s.fleet(r.Context(), q, r.URL.Query().Get("all") != "")
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	p.frame = f
	s.write(w, http.StatusOK, "fleet", p)
}

// fleet asks for the presses as they are now.
func (s *Site) fleet(ctx context.Context, q *query, all bool) (*fleetPage, error) {
	var st *pb.GetStatusResponse
	var open *pb.WatchSessionsResponse
	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() (err error) {
		st, err = s.status.GetStatus(gctx, &pb.GetStatusRequest{Scope: q.scope(), Glance: true})
		return err
	})
	g.Go(func() (err error) {
		one, stop := context.WithCancel(gctx) // the first message is the state as it is
		defer stop()
		watch, err := s.cleaning.WatchSessions(one, &pb.WatchSessionsRequest{Scope: q.scope()})
		if err == nil {
			open, err = watch.Recv()
		}
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p := &fleetPage{}
	foremost := map[string]time.Time{}
	for _, x := range st.GetPresses() {
		plant, _, _ := strings.Cut(x.GetPress(), "/")
		if x.GetFrontier() != nil {
			foremost[plant] = later(foremost[plant], x.GetFrontier().AsTime())
		}
	}
	inClean := map[string][]*pb.OpenSession{}
	for _, o := range open.GetSessions() {
		if !o.GetEnded() {
			inClean[o.GetPress()] = append(inClean[o.GetPress()], o)
		}
	}
	running, cleaning, silent := 0, 0, 0
	for _, x := range st.GetPresses() {
		row := fleetPress(q, x, inClean[x.GetPress()], foremost)
		if x.GetState() == pb.State_STATE_PRODUCTION {
			running++
		}
		if row.Session != "" {
			cleaning++
		}
		if row.Doubt {
			silent++
		}
		p.Rows = append(p.Rows, row)
	}
	n := int64(len(st.GetPresses()))
	switch {
	case n == 0:
		p.Said = "No press is in scope."
	default:
		p.Said = figures.Plural(n, "press", "presses") + ": " + figures.Grouped(int64(running)) + " in production, " + figures.Grouped(int64(cleaning)) + " in a cleaning session, " +
			figures.Grouped(int64(silent)) + " not heard of for more than ten minutes."
	}
	if !all && len(p.Rows) > mostPresses {
		p.Left, p.Rows = len(p.Rows)-mostPresses, p.Rows[:mostPresses]
		p.More = q.Link("/fleet", "all", "1")
	}
	return p, nil
}

// fleetPress is one press in words. Of a session only its kind and its begin are told: who works in it and how fast is
// for the plant's own engineer.
func fleetPress(q *query, x *pb.PressStatus, open []*pb.OpenSession, foremost map[string]time.Time) fleetRow {
	zone := q.zoneOf(x.GetPress())
	plant, _, _ := strings.Cut(x.GetPress(), "/")
	row := fleetRow{Name: q.pressName(x.GetPress()), Href: q.Link("/", "scope", x.GetPress(), "kind", "")}
	if x.GetFrontier() == nil {
		row.State, row.Known, row.Doubt = "nothing is known yet", "never", true
		return row
	}
	at := x.GetFrontier().AsTime()
	row.Known = moment(at.In(zone), foremost[plant].In(zone))
	if d := foremost[plant].Sub(at); d > behindAfter {
		row.Behind, row.Doubt = spanWords(d), true
	}
	row.State = "no slice in the last two days"
	if x.GetState() != pb.State_STATE_UNSPECIFIED {
		words := []string{stateName(x.GetState())}
		if x.GetStateReason() != "" {
			words = append(words, x.GetStateReason())
		}
		if x.GetStateJob() != "" {
			words = append(words, "job "+x.GetStateJob())
		}
		row.State = strings.Join(words, ", ")
		since := x.GetStateSince().AsTime()
		row.Since = moment(since.In(zone), foremost[plant].In(zone))
		if d := at.Sub(since); d >= time.Minute { // the newest slices may be ahead of what is projected
			row.Since += ", for " + spanWords(d)
		}
		if x.GetStateSinceOrBefore() {
			row.Since = "before " + moment(since.In(zone), foremost[plant].In(zone))
		}
	}
	slices.SortFunc(open, func(a, b *pb.OpenSession) int { return a.GetFrom().AsTime().Compare(b.GetFrom().AsTime()) })
	var sessions []string
	for _, o := range open {
		sessions = append(sessions, occasionName(o.GetOccasion())+" clean since "+moment(o.GetFrom().AsTime().In(zone), foremost[plant].In(zone)))
	}
	row.Session = strings.Join(sessions, "; ")
	return row
}

// moment writes an instant as a time of day, with its date where that differs from another's.
func moment(t, near time.Time) string {
	if t.Format(time.DateOnly) == near.Format(time.DateOnly) {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

// spanWords is a length of time: "3 d 4 h", "4 h 05 min", "12 min".
func spanWords(d time.Duration) string {
	h, m := int(d.Hours()), int(d.Minutes())%60
	switch {
	case h >= 48:
		return figures.Grouped(int64(h/24)) + " d " + figures.Grouped(int64(h%24)) + " h"
	case h > 0:
		return figures.Fixed(int64(h), 0) + " h " + twoDigits(m) + " min"
	}
	return figures.Grouped(int64(m)) + " min"
}

func twoDigits(n int) string { return string([]byte{byte('0' + n/10%10), byte('0' + n%10)}) }

// serveFleetLive sends the rows anew whenever they change.
func (s *Site) serveFleetLive(w http.ResponseWriter, r *http.Request) {
	q, ok := s.readLive(w, r)
	if !ok {
		return
	}
	all := r.URL.Query().Get("all") != ""
	s.live(w, r, fleetTick, func(ctx context.Context) (string, bool, error) {
		p, err := s.fleet(ctx, q, all)
		if err != nil {
			return "", false, err
		}
		text, err := s.part("fleet", "rows", p)
		return text, false, err
	})
}

// part renders one template of a page.
func (s *Site) part(page, name string, data any) (string, error) {
	var b bytes.Buffer
	err := s.page[page].ExecuteTemplate(&b, name, data)
	return b.String(), err
}
