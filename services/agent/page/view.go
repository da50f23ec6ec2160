package page

import (
	"encoding/json"
	"slices"
	"strconv"
	"time"

	g "maragu.dev/gomponents"
	. "maragu.dev/gomponents/html" //nolint:staticcheck // one word an element

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// outdated is how old a sheet may be before the page says that the server is
// not reached, whatever the last question brought.
const outdated = 5 * time.Minute

// sheet is the page of a press.
func (c *call) sheet() {
	c.p.mu.Lock()
	s, fresh, version := c.p.sheet, c.p.fresh, c.p.version
	list := standing(c.p.book)
	c.p.mu.Unlock()
	open, idle := c.p.session(c.now)
	all := rows(s, list, open, c.now)
	title := s.GetName()
	if title == "" {
		title = c.p.id
	}
	zone := c.zone()
	render(c.w, 200, c.s.frame(c.t, frame{title: title, press: c.p, head: P(Class("day"), g.Text(c.now.In(zone).Format(time.DateOnly)))},
		Main(ID("live"), g.Attr("data-version", strconv.FormatUint(version, 10)), g.Attr("data-live", c.base()+"/live"), g.Attr("data-now", strconv.FormatInt(c.now.UnixMilli(), 10)),
			c.ageView(s, fresh, zone),
			c.saidView(),
			Section(Class("session"), c.sessionView(open, idle, zone)),
			Section(Class("rows"), c.groupsView(s, all, open, zone)),
			Section(Class("end"), c.stopsView(s, list, zone), g.If(open != nil, A(Class("big wide"), Href(c.base()+"/close"), g.Text(c.t.of("hand_back")))), c.hazardsView(s)),
		)))
}

// ageView says how old the due list is.
func (c *call) ageView(s *pb.PressSheet, fresh bool, zone *time.Location) g.Node {
	if s == nil {
		return P(Class("alarm"), g.Text(c.t.of("no_sheet")))
	}
	made := s.GetMadeAt().AsTime()
	old := c.now.Sub(made)
	key, class := "sheet_age", "age"
	if !fresh || old > outdated {
		key, class = "sheet_offline", "alarm"
	}
	return P(ID("age"), Class(class), g.Text(c.t.of(key, "{time}", moment(made.UnixMilli(), c.now, zone), "{age}", age(c.t, old))))
}

func (c *call) saidView() g.Node {
	said := c.said()
	if said == "" {
		return nil
	}
	return P(ID("said"), Class("alarm"), Role("status"), g.Text(c.t.of(said, "{why}", "")))
}

// sessionView is where a session is begun, and what is known of the open one.
func (c *call) sessionView(open, idle *entry, zone *time.Location) g.Node {
	session := ""
	if open != nil {
		session = open.Session
	}
	who := Form(ID("who"), Class("who"), Method("post"), Action(c.base()+"/who"), AutoComplete("off"),
		Label(For("badge"), g.Text(c.t.of("who"))),
		Div(Class("line"), Input(ID("badge"), Name("badge"), Type("text"), MaxLength("64"), AutoComplete("off"), g.Attr("autocapitalize", "none"), g.Attr("spellcheck", "false"), Aria("describedby", "who-hint")),
			Button(Class("big"), g.Text(c.t.of("who_ok")))),
		P(ID("who-hint"), Class("hint"), g.Text(c.t.of("who_hint"))))
	if c.crew(session) != "" {
		who = P(Class("who"), Span(Class("tick"), g.Text("✓")), g.Text(" "+c.t.of("who_known")))
	}
	if open != nil {
		return g.Group{
			H2(g.Text(c.t.of("occasion_" + strconv.Itoa(int(open.Occasion))))),
			P(Class("timer"), g.Attr("data-since", strconv.FormatInt(open.At, 10)), g.Text(span(c.now.UnixMilli()-open.At))),
			P(Class("since"), g.Text(c.t.of("open_since", "{time}", moment(open.At, c.now, zone)))),
			who,
		}
	}
	return g.Group{
		g.If(idle != nil, lazy(func() g.Node {
			return P(Class("alarm"), g.Text(c.t.of("idle", "{time}", moment(idle.At, c.now, zone))))
		})),
		who,
		Form(Class("occasions"), Method("post"), Action(c.base()+"/open"), H2(g.Text(c.t.of("begin_text"))),
			Div(Class("grid"), g.Map([]int{1, 2, 3, 4}, func(n int) g.Node {
				return Button(Class("big"), Name("occasion"), Value(strconv.Itoa(n)), g.Text(c.t.of("occasion_"+strconv.Itoa(n))))
			}))),
	}
}

// span is a time as h:mm.
func span(ms int64) string {
	m := max(0, ms) / 60000
	return strconv.FormatInt(m/60, 10) + ":" + time.Unix(m%60*60, 0).UTC().Format("04")
}

// groupsView is the list of tasks.
func (c *call) groupsView(s *pb.PressSheet, all []row, open *entry, zone *time.Location) g.Node {
	var out g.Group
	for _, x := range []struct {
		of  group
		key string
	}{{dueNow, "due_now"}, {atJobChange, "job_change"}, {dueLater, "due_later"}, {notDue, "not_due"}} {
		var items g.Group
		for i := range all {
			if all[i].group == x.of {
				items = append(items, c.rowView(s, &all[i], open, zone))
			}
		}
		switch {
		case x.of == dueNow:
			out = append(out, H2(g.Text(c.t.of(x.key))))
			if len(items) == 0 && s != nil {
				out = append(out, P(g.Text(c.t.of("nothing_due"))))
			}
			out = append(out, Ol(Class("tasks"), items))
		case len(items) > 0:
			out = append(out, Details(ID("group-"+x.key), Class("group"), Summary(g.Text(c.t.of(x.key)+" ("+strconv.Itoa(len(items))+")")), Ol(Class("tasks"), items)))
		}
	}
	return out
}

// rowView is one task: what can hurt, what it is, and the touch for it.
func (c *call) rowView(s *pb.PressSheet, r *row, open *entry, zone *time.Location) g.Node {
	class := "row"
	if r.Done != nil {
		class += " over"
	}
	var facts []g.Node
	if r.Text != "" {
		facts = append(facts, Span(g.Text(r.Text)))
	}
	if r.Minutes > 0 {
		facts = append(facts, Span(g.Text(c.t.of("minutes", "{n}", number(r.Minutes)))))
	}
	switch {
	case r.Done != nil:
	case r.Overdue >= time.Minute:
		facts = append(facts, Strong(Class("late"), g.Text(c.t.of("overdue", "{age}", age(c.t, r.Overdue)))))
	case !r.Due.IsZero():
		key := "due_at"
		if r.Expected {
			key = "due_about"
		}
		facts = append(facts, Span(g.Text(c.t.of(key, "{time}", moment(r.Due.UnixMilli(), c.now, zone)))))
	}
	return Li(ID(rowAnchor(r.Task)), Class(class),
		c.hazardTags(r),
		Div(Class("what"),
			H3(g.Text(r.Name)),
			P(Class("facts"), Span(Class("code"), g.Text(r.Code)), g.Group(facts))),
		Div(Class("act"), c.actView(s, r, open, zone)),
		g.If(open != nil && r.Done == nil, lazy(func() g.Node { return c.moreView(s, r) })))
}

func (c *call) hazardTags(r *row) g.Node {
	list := hazardWords(c.t, r.Isolate, r.Safety, r.Hazards)
	if len(list) == 0 {
		return nil
	}
	return Ul(Class("hazards"), g.Map(list, func(w string) g.Node { return Li(g.Text(w)) }))
}

// hidden fields that name a row.
func hidden(r *row) g.Node {
	return g.Group{Input(Type("hidden"), Name("task"), Value(r.Task)), Input(Type("hidden"), Name("duty"), Value(r.Duty))}
}

// actView is the touch, or what came of it.
func (c *call) actView(s *pb.PressSheet, r *row, open *entry, zone *time.Location) g.Node {
	if r.Done == nil {
		if open == nil {
			return nil
		}
		return Form(Method("post"), Action(c.base()+"/sign"), hidden(r), Button(Class("big done"), g.Text(c.t.of("done"))))
	}
	e := r.Done
	var out g.Group
	if e.Kind == skipped {
		reason := e.Reason
		for _, x := range s.GetSkipReasons() {
			if x.GetSlug() == e.Reason {
				reason = c.t.registry(x.GetText(), x.GetSlug())
			}
		}
		out = append(out, P(Class("state left"), g.Text(c.t.of("skipped_at", "{time}", moment(e.At, c.now, zone), "{reason}", reason))))
	} else {
		out = append(out, P(Class("state"), Span(Class("tick"), g.Text("✓ ")), g.Text(c.t.of("signed_at", "{what}", c.t.of("outcome_"+strconv.Itoa(int(e.Outcome))), "{time}", moment(e.At, c.now, zone)))))
		if e.Condition != nil {
			out = append(out, P(Class("facts"), g.Text(c.t.of("found_"+strconv.Itoa(int(*e.Condition))))))
		}
	}
	if e.recent(c.now) && e.Task == r.Task {
		out = append(out, c.undoView(e))
	}
	return out
}

func (c *call) undoView(e *entry) g.Node {
	left := e.Kept + undoFor.Milliseconds() - c.now.UnixMilli()
	return Form(Method("post"), Action(c.base()+"/undo"), Class("undo"), g.Attr("data-until", strconv.FormatInt(e.Kept+undoFor.Milliseconds(), 10)), Input(Type("hidden"), Name("key"), Value(e.Key)),
		Button(Class("small"), g.Text(c.t.of("undo"))), Span(Class("hint"), g.Text(c.t.of("undo_left", "{n}", strconv.FormatInt((left+59999)/60000, 10)))))
}

// moreView is what may be said beside the touch: found, what, a note, or why
// the task is left out.
func (c *call) moreView(s *pb.PressSheet, r *row) g.Node {
	choice := func(name, value, text string, on bool) g.Node {
		return Label(Class("choice"), Input(Type("radio"), Name(name), Value(value), g.If(on, Checked())), Span(g.Text(text)))
	}
	outcomes := r.Outcomes
	if len(outcomes) == 0 {
		outcomes = []pb.Outcome{pb.Outcome_OUTCOME_CLEANED, pb.Outcome_OUTCOME_INSPECTED_CLEAN, pb.Outcome_OUTCOME_REPLACED_PART}
	}
	id := "more-" + r.Task + "-" + r.Duty
	return Details(ID(id), Class("more"), Summary(g.Text(c.t.of("more"))),
		Form(ID("with-"+r.Task+"-"+r.Duty), Method("post"), Action(c.base()+"/sign"), AutoComplete("off"), hidden(r),
			FieldSet(Legend(g.Text(c.t.of("found"))), Div(Class("grid"), g.Map([]int{0, 1, 2, 3}, func(n int) g.Node { return choice("found", strconv.Itoa(n), c.t.of("found_"+strconv.Itoa(n)), false) }))),
			FieldSet(Legend(g.Text(c.t.of("what"))), Div(Class("grid"), g.Map(outcomes, func(o pb.Outcome) g.Node {
				return choice("outcome", strconv.Itoa(int(o)), c.t.of("outcome_"+strconv.Itoa(int(o))), o == outcomes[0])
			}))),
			Label(Class("field"), g.Text(c.t.of("note")), Input(Type("text"), Name("note"), MaxLength("500"), AutoComplete("off"))),
			Button(Class("big wide done"), g.Text(c.t.of("done_with")))),
		g.If(len(s.GetSkipReasons()) > 0, Form(Class("skip"), Method("post"), Action(c.base()+"/skip"), hidden(r),
			H4(g.Text(c.t.of("skip"))), Div(Class("grid"), g.Map(s.GetSkipReasons(), func(x *pb.SkipReason) g.Node {
				return Button(Class("big"), Name("reason"), Value(x.GetSlug()), g.Text(c.t.registry(x.GetText(), x.GetSlug())))
			})))))
}

// stopsAsked is how many stops are asked about at once.
const stopsAsked = 2

// stopsView asks why the press stood.
func (c *call) stopsView(s *pb.PressSheet, list []entry, zone *time.Location) g.Node {
	var out g.Group
	told := map[int64]bool{}
	for i := range list {
		e := &list[i]
		if e.Kind != noted {
			continue
		}
		told[e.From] = true
		if !e.recent(c.now) {
			continue
		}
		reason := e.Reason
		for _, x := range s.GetReasons() {
			if x.GetSlug() == reason {
				reason = c.t.registry(x.GetText(), x.GetSlug())
			}
		}
		out = append(out, Div(Class("told"), P(Class("state"), Span(Class("tick"), g.Text("✓ ")),
			g.Text(c.t.of("stop_told", "{from}", moment(e.From, c.now, zone), "{to}", moment(e.To, c.now, zone), "{reason}", reason))), c.undoView(e)))
	}
	asked := 0
	for _, x := range s.GetStops() {
		from := x.GetFrom().AsTime().UnixMilli()
		if told[from] || asked == stopsAsked {
			continue
		}
		asked++
		to := c.t.of("stop_lasts")
		if x.To != nil {
			to = moment(x.To.AsTime().UnixMilli(), c.now, zone)
		}
		at := strconv.FormatInt(from, 10)
		out = append(out, Details(ID("stop-"+at), Class("group"), Summary(g.Text(c.t.of("stop_why", "{from}", moment(from, c.now, zone), "{to}", to))),
			Form(Method("post"), Action(c.base()+"/reason"), Input(Type("hidden"), Name("from"), Value(at)), Div(Class("grid"), g.Map(s.GetReasons(), func(r *pb.Reason) g.Node {
				return Button(Class("big"), Name("reason"), Value(r.GetSlug()), g.Text(c.t.registry(r.GetText(), r.GetSlug())))
			})))))
	}
	if len(out) == 0 {
		return nil
	}
	return Div(ID("stop"), H2(g.Text(c.t.of("stop"))), out)
}

// hazardsView is the longer caution of every hazard of the plan.
func (c *call) hazardsView(s *pb.PressSheet) g.Node {
	var list []pb.Hazard
	for _, t := range s.GetTasks() {
		list = append(list, t.GetHazards()...)
	}
	slices.Sort(list)
	if list = slices.Compact(list); len(list) == 0 {
		return nil
	}
	return Details(ID("hurts"), Class("group"), Summary(g.Text(c.t.of("cautions_more"))), Ul(Class("hurts"), g.Map(list, func(h pb.Hazard) g.Node {
		return Li(g.Text(c.t.of("warn_" + strconv.Itoa(int(h)))))
	})))
}

// closePage asks for the hand-back checks.
func (c *call) closePage() {
	open, _ := c.p.session(c.now)
	if open == nil {
		c.back("", "")
		return
	}
	render(c.w, 200, c.closeView(open, nil, false))
}

func (c *call) closeView(open *entry, stated map[string]bool, asked bool) g.Node {
	s := c.sheetNow()
	var left []string
	for _, r := range rows(s, c.p.entries(), open, c.now) {
		if r.group == dueNow && r.Done == nil {
			left = append(left, r.Name)
		}
	}
	var missing []string
	for _, k := range checks {
		if asked && !stated[k] {
			missing = append(missing, k)
		}
	}
	return c.s.frame(c.t, frame{title: c.t.of("hand_back"), press: c.p, back: true},
		Main(ID("live"), Class("one"),
			Form(ID("close"), Method("post"), Action(c.base()+"/close"), Input(Type("hidden"), Name("session"), Value(open.Session)),
				P(g.Text(c.t.of("hand_back_text"))),
				g.Map(checks, func(k string) g.Node {
					return Label(Class("choice wide"), Input(Type("checkbox"), Name(k), Value("yes"), g.If(stated[k], Checked())), Span(g.Text(c.t.of(k))))
				}),
				g.If(len(left) > 0, Div(Class("left"), P(Strong(g.Text(c.t.of("close_left")))), Ul(g.Map(left, func(n string) g.Node { return Li(g.Text(n)) })))),
				g.If(len(missing) > 0, Div(ID("missing"), Class("alarm"), Role("alert"), P(g.Text(c.t.of("close_missing"))), Ul(g.Map(missing, func(k string) g.Node { return Li(g.Text(c.t.of(k))) })))),
				Button(Class("big wide done"), g.Text(c.t.of("close"))),
				g.If(len(missing) > 0, Button(Class("big wide"), Name("anyway"), Value("yes"), g.Text(c.t.of("close_anyway")))),
			)))
}

// manifest lets a tablet put the sheet on its home screen.
func (c *call) manifest() {
	name := c.sheetNow().GetName()
	if name == "" {
		name = c.p.id
	}
	icon := func(file, sizes, kind string) map[string]string {
		return map[string]string{"src": "/static/" + file, "sizes": sizes, "type": kind, "purpose": "any"}
	}
	c.w.Header().Set("Content-Type", "application/manifest+json")
	_ = json.NewEncoder(c.w).Encode(map[string]any{"id": c.base(), "name": name + ": " + c.t.of("app"), "short_name": name, "start_url": c.base(), "scope": "/", "display": "standalone",
		"lang": c.t.lang, "background_color": "#ffffff", "theme_color": "#ffffff",
		"icons": []map[string]string{icon("icon.svg", "any", "image/svg+xml"), icon("icon-192.png", "192x192", "image/png"), icon("icon-512.png", "512x512", "image/png")}})
}
