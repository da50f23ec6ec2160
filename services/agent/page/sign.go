package page

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// writeWait bounds how long a touch waits for the agent's disk.
const writeWait = 10 * time.Second

// key of an event: the same touch on two tablets gives the same one, and the
// agent knows it then. n counts what was taken back before.
func key(n int, parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(append(parts, strconv.Itoa(n)), "\x00")))
	return "page-" + hex.EncodeToString(sum[:16])
}

func stampOf(ms int64) *timestamppb.Timestamp { return timestamppb.New(time.UnixMilli(ms)) }

// record makes an event durable and then writes it into the book. It answers
// the request itself where that fails.
func (c *call) record(e entry, body *pb.Event) bool {
	body.Plant, body.Press, body.SourceKey, body.OccurredAt = c.p.plant, c.p.name, e.Key, stampOf(e.At)
	return c.recordAll([]entry{e}, []*pb.Event{body})
}

func (c *call) recordAll(list []entry, events []*pb.Event) bool {
	ctx, stop := context.WithTimeout(context.WithoutCancel(c.r.Context()), writeWait)
	defer stop()
	if err := c.s.cfg.Agent.RecordPseudonymous(ctx, events...); err != nil {
		message := "busy"
		if !errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
			message = "refused"
		}
		c.s.cfg.Log.Error("a touch was not kept", "press", c.p.id, "err", err)
		c.back(message, "")
		return false
	}
	if err := c.p.keep(list...); err != nil {
		c.s.cfg.Log.Error("the book is not kept: after a restart the page will not show the last touch", "press", c.p.id, "err", err)
	}
	return true
}

func (c *call) sheetNow() *pb.PressSheet {
	c.p.mu.Lock()
	defer c.p.mu.Unlock()
	return c.p.sheet
}

// whoCookie holds the pseudonym of who works at this tablet, and the session it
// was given for.
const whoCookie = "dw-who"

func (c *call) setWho(crew, session string) {
	age := int(sessionIdle.Seconds())
	if crew == "" {
		age = -1
	}
	http.SetCookie(c.w, &http.Cookie{Name: whoCookie, Value: crew + "." + session, Path: c.base(), MaxAge: age, HttpOnly: true, SameSite: http.SameSiteStrictMode})
}

// crew is the pseudonym given on this tablet for a session ("": the one to be
// opened); empty: none was given.
func (c *call) crew(session string) string {
	ck, err := c.r.Cookie(whoCookie)
	if err != nil {
		return ""
	}
	crew, of, _ := strings.Cut(ck.Value, ".")
	if b, err := hex.DecodeString(crew); err != nil || len(b) != 5 || of != session {
		return ""
	}
	return crew
}

// who takes a badge and keeps what stands for it, never the badge.
func (c *call) who() {
	badge := strings.TrimSpace(c.r.PostFormValue("badge"))
	if badge == "" || len(badge) > 64 {
		c.back("", "who")
		return
	}
	crew, err := c.s.cfg.Agent.Pseudonym(c.p.plant, badge)
	if err != nil {
		c.s.cfg.Log.Error("a badge could not be taken", "press", c.p.id, "err", err)
		c.back("busy", "")
		return
	}
	session := ""
	if open, _ := c.p.session(c.now); open != nil {
		session = open.Session
	}
	c.setWho(crew, session)
	c.back("", "")
}

// open begins a session. Where another tablet was first, this one joins.
func (c *call) open() {
	n, err := strconv.Atoi(c.r.PostFormValue("occasion"))
	if err != nil || pb.Occasion_name[int32(n)] == "" || n == 0 {
		c.back("", "")
		return
	}
	c.p.act.Lock()
	defer c.p.act.Unlock()
	crew := c.crew("")
	if open, _ := c.p.session(c.now); open != nil {
		if crew != "" {
			c.setWho(crew, open.Session)
		}
		c.back("", "")
		return
	}
	var b [4]byte
	_, _ = rand.Read(b[:]) // never fails
	session := c.now.UTC().Format("20060102-1504-") + hex.EncodeToString(b[:])
	e := entry{Kind: opened, At: c.now.UnixMilli(), Kept: c.now.UnixMilli(), Key: key(0, c.p.id, session, "opened"), Session: session, Occasion: int32(n)}
	body := &pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: session, Occasion: pb.Occasion(n), Crew: crew}}}
	if !c.record(e, body) {
		return
	}
	if crew != "" {
		c.setWho(crew, session)
	}
	c.back("", "")
}

// touched finds the row a form speaks of and the open session. It answers where
// there is none.
func (c *call) touched() (*row, *entry) {
	open, _ := c.p.session(c.now)
	if open == nil {
		c.back("first_begin", "")
		return nil, nil
	}
	want := row{Task: c.r.PostFormValue("task"), Duty: c.r.PostFormValue("duty")}
	list := rows(c.sheetNow(), c.p.entries(), open, c.now)
	for i := range list {
		if list[i].id() == want.id() {
			return &list[i], open
		}
	}
	for i := range list { // the duty has moved on with a newer sheet: the task is what was done
		if list[i].Task == want.Task {
			return &list[i], open
		}
	}
	c.back("refused", "")
	return nil, nil
}

// again answers a touch of a row that is signed already.
func (c *call) again(r *row) bool {
	if r.Done == nil {
		return false
	}
	c.back("known", rowAnchor(r.Task))
	return true
}

func rowAnchor(task string) string { return "row-" + task }

// touchKey is the key of a touch of a row in a session.
func (c *call) touchKey(what kind, r *row, open *entry) string {
	n := c.p.undone(func(e *entry) bool {
		return e.Kind == what && e.Session == open.Session && e.Task == r.Task && e.Duty == r.Duty
	})
	return key(n, c.p.id, open.Session, string(what), r.Task, r.Duty)
}

// sign a task as done.
func (c *call) sign() {
	c.p.act.Lock()
	defer c.p.act.Unlock()
	r, open := c.touched()
	if r == nil || c.again(r) {
		return
	}
	outcome := pb.Outcome_OUTCOME_CLEANED
	if len(r.Outcomes) > 0 {
		outcome = r.Outcomes[0]
	}
	if n, err := strconv.Atoi(c.r.PostFormValue("outcome")); err == nil && n > 0 && pb.Outcome_name[int32(n)] != "" {
		if outcome = pb.Outcome(n); len(r.Outcomes) > 0 && !slices.Contains(r.Outcomes, outcome) {
			c.back("refused", rowAnchor(r.Task))
			return
		}
	}
	e := entry{Kind: signed, At: c.now.UnixMilli(), Kept: c.now.UnixMilli(), Key: c.touchKey(signed, r, open), Session: open.Session, Task: r.Task, Station: r.Station, Duty: r.Duty,
		Outcome: int32(outcome), Condition: condition(c.r.PostFormValue("found"))}
	body := &pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: e.Session, Task: r.Task, Station: r.Station, Outcome: outcome,
		ConditionFound: e.Condition, Crew: c.crew(open.Session), Note: noteOf(c.r.PostFormValue("note"))}}}
	if c.record(e, body) {
		c.back("", rowAnchor(r.Task))
	}
}

func condition(text string) *int32 {
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 || n > 3 {
		return nil
	}
	v := int32(n)
	return &v
}

// noteOf is a note of at most 500 letters.
func noteOf(text string) string {
	r := []rune(strings.ToValidUTF8(strings.TrimSpace(text), ""))
	return string(r[:min(len(r), 500)])
}

// skip a task with a reason of the plant.
func (c *call) skip() {
	c.p.act.Lock()
	defer c.p.act.Unlock()
	r, open := c.touched()
	if r == nil || c.again(r) {
		return
	}
	reason := c.r.PostFormValue("reason")
	if !slices.ContainsFunc(c.sheetNow().GetSkipReasons(), func(x *pb.SkipReason) bool { return x.GetSlug() == reason }) {
		c.back("refused", rowAnchor(r.Task))
		return
	}
	e := entry{Kind: skipped, At: c.now.UnixMilli(), Kept: c.now.UnixMilli(), Key: c.touchKey(skipped, r, open), Session: open.Session, Task: r.Task, Station: r.Station, Duty: r.Duty, Reason: reason}
	body := &pb.Event{Body: &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: e.Session, Task: r.Task, Station: r.Station, Reason: reason, Crew: c.crew(open.Session)}}}
	if c.record(e, body) {
		c.back("", rowAnchor(r.Task))
	}
}

// undo takes a touch back within five minutes.
func (c *call) undo() {
	c.p.act.Lock()
	defer c.p.act.Unlock()
	target := c.r.PostFormValue("key")
	list := c.p.entries()
	i := slices.IndexFunc(list, func(e entry) bool { return e.Key == target })
	if i < 0 || !list[i].undoable() { // taken back already, or never here
		c.back("", "")
		return
	}
	x := list[i]
	if !x.recent(c.now) {
		c.back("too_late", rowAnchor(x.Task))
		return
	}
	e := entry{Kind: voided, At: c.now.UnixMilli(), Kept: c.now.UnixMilli(), Key: key(0, target, "voided"), Session: x.Session, Target: target}
	if c.record(e, &pb.Event{Body: &pb.Event_Voided{Voided: &pb.Voided{TargetSourceKey: target, Why: "taken back at the press"}}}) {
		c.back("", rowAnchor(x.Task))
	}
}

func (e *entry) undoable() bool { return e.Kind == signed || e.Kind == skipped || e.Kind == noted }

func (e *entry) recent(now time.Time) bool {
	return e.undoable() && now.UnixMilli()-e.Kept < undoFor.Milliseconds()
}

// reason for a stop.
func (c *call) reason() {
	c.p.act.Lock()
	defer c.p.act.Unlock()
	from, err := strconv.ParseInt(c.r.PostFormValue("from"), 10, 64)
	reason, s := c.r.PostFormValue("reason"), c.sheetNow()
	known := slices.ContainsFunc(s.GetReasons(), func(x *pb.Reason) bool { return x.GetSlug() == reason })
	i := slices.IndexFunc(s.GetStops(), func(x *pb.OpenStop) bool { return err == nil && x.GetFrom().AsTime().UnixMilli() == from })
	if i < 0 || !known {
		c.back("refused", "")
		return
	}
	to := c.now.UnixMilli()
	if x := s.Stops[i]; x.To != nil {
		to = x.To.AsTime().UnixMilli()
	}
	session := ""
	if open, _ := c.p.session(c.now); open != nil {
		session = open.Session
	}
	if slices.ContainsFunc(c.p.entries(), func(e entry) bool { return e.Kind == noted && e.From == from }) {
		c.back("known", "stop")
		return
	}
	n := c.p.undone(func(e *entry) bool { return e.Kind == noted && e.From == from })
	e := entry{Kind: noted, At: c.now.UnixMilli(), Kept: c.now.UnixMilli(), Key: key(n, c.p.id, "noted", strconv.FormatInt(from, 10)), Session: session, Reason: reason, From: from, To: to}
	body := &pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: stampOf(from), To: stampOf(to), Kind: pb.NoteKind_NOTE_KIND_STOP, Reason: reason, Crew: c.crew(session)}}}
	if c.record(e, body) {
		c.back("", "stop")
	}
}

// checks of a hand-back, in the order of the sheet.
var checks = []string{"check_tools", "check_guards", "check_isolation"}

// close hands the press back. What is not stated is asked about once more, and
// then written down as not stated.
func (c *call) close() {
	c.p.act.Lock()
	defer c.p.act.Unlock()
	open, _ := c.p.session(c.now)
	if open == nil || open.Session != c.r.PostFormValue("session") {
		c.back("", "")
		return
	}
	stated := map[string]bool{}
	for _, k := range checks {
		stated[k] = c.r.PostFormValue(k) == "yes"
	}
	if c.r.PostFormValue("anyway") == "" && slices.ContainsFunc(checks, func(k string) bool { return !stated[k] }) {
		render(c.w, http.StatusOK, c.closeView(open, stated, true))
		return
	}
	e := entry{Kind: closed, At: c.now.UnixMilli(), Kept: c.now.UnixMilli(), Key: key(0, c.p.id, open.Session, "closed"), Session: open.Session}
	body := &pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: open.Session, Crew: c.crew(open.Session),
		ToolsCountedOut: stated["check_tools"], GuardsRestored: stated["check_guards"], IsolationRemoved: stated["check_isolation"]}}}
	if c.record(e, body) {
		c.setWho("", "")
		c.back("", "")
	}
}
