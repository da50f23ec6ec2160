package page

import (
	"slices"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	. "maragu.dev/gomponents/html" //nolint:staticcheck // one word an element

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// blankRows are empty lines on paper for what the sheet does not list.
const blankRows = 2

// paper is the sheet of a press and day for printing.
func (c *call) paper() {
	zone := c.zone()
	day := c.now.In(zone).Format(time.DateOnly)
	if d, err := time.Parse(time.DateOnly, c.r.URL.Query().Get("day")); err == nil {
		day = d.Format(time.DateOnly)
	}
	s := c.sheetNow()
	name := s.GetName()
	if name == "" {
		name = c.p.id
	}
	var all []row
	for _, r := range rows(s, nil, nil, c.now) {
		if !slices.ContainsFunc(all, func(x row) bool { return x.Task == r.Task }) {
			all = append(all, r)
		}
	}
	blank := func(class string) g.Node { return Td(Class(class)) }
	body := g.Map(all, func(r row) g.Node {
		due := c.t.of([]string{"due_now", "job_change", "due_later", "not_due"}[r.group])
		return Tr(Td(Class("code"), g.Text(r.Code)),
			Td(Strong(g.Text(r.Name)), g.If(r.Text != "", g.Group{Br(), g.Text(r.Text)}), Br(), Small(g.Text(due+", "+c.t.of("minutes", "{n}", number(r.Minutes))))),
			Td(Class("hz"), g.Text(strings.Join(hazardWords(c.t, r.Isolate, r.Safety, r.Hazards), ", "))),
			blank("f"), blank("t"), blank("i"))
	})
	var more g.Group
	for range blankRows {
		more = append(more, Tr(blank("code"), blank(""), blank("hz"), blank("f"), blank("t"), blank("i")))
	}
	field := func(key string) g.Node { return Span(Class("fill"), g.Text(c.t.of(key)+" "), Span(Class("rule"))) }
	box := func(text string) g.Node { return Span(Class("tickbox"), Span(Class("box")), g.Text(" "+text)) }
	render(c.w, 200, c.s.frame(c.t, frame{title: name + ", " + day, press: c.p, class: "paper", back: true, plain: true, to: c.base() + "/paper?day=" + day, head: P(Class("day"), g.Text(c.t.of("paper_title")))},
		Main(Class("one"),
			P(Class("screen"), g.Text(c.t.of("paper_print"))),
			Div(Class("fills"), field("paper_began"), field("paper_ended")),
			Div(Class("fills"), Span(g.Text(c.t.of("paper_for")+": ")), g.Map([]int{1, 2, 3, 4}, func(n int) g.Node { return box(c.t.of("occasion_" + strconv.Itoa(n))) })),
			Table(THead(Tr(g.Map([]string{"paper_code", "paper_task", "paper_hazards", "paper_found", "paper_time", "paper_initials"}, func(k string) g.Node { return Th(g.Text(c.t.of(k))) }))),
				TBody(body, more)),
			P(g.Text(c.t.of("paper_scale"))),
			P(g.Text(c.t.of("paper_reasons")+": "), g.Map(s.GetSkipReasons(), func(x *pb.SkipReason) g.Node {
				return g.Group{Span(Class("reason"), Strong(g.Text(reasonLetter(s, x.GetSlug()))), g.Text(" "+c.t.registry(x.GetText(), x.GetSlug()))), g.Text(" ")}
			})),
			Div(Class("fills"), Strong(g.Text(c.t.of("paper_checks")+":"))),
			Div(Class("checks"), g.Map(checks, func(k string) g.Node { return P(box(c.t.of(k))) })),
			P(Small(g.Text(c.t.of("paper_key", "{url}", "http://"+c.r.Host+c.base()+"/later")))),
		)))
}

// reasonLetter is a reason's letter on paper, by its place in the plant's list.
func reasonLetter(s *pb.PressSheet, slug string) string {
	i := slices.IndexFunc(s.GetSkipReasons(), func(x *pb.SkipReason) bool { return x.GetSlug() == slug })
	return string(rune('a' + i%26))
}

// lateLines are the lines of the form for keying in.
const lateLines = 12

// lateForm is what was typed, kept for the next try.
type lateForm struct {
	day, occasion, began, ended string
	checks                      map[string]bool
	lines                       [lateLines]lateLine
}

type lateLine struct{ code, time, found, what string }

func (c *call) readLate() lateForm {
	v := func(name string) string { return strings.TrimSpace(c.r.PostFormValue(name)) }
	f := lateForm{day: v("day"), occasion: v("occasion"), began: v("began"), ended: v("ended"), checks: map[string]bool{}}
	for _, k := range checks {
		f.checks[k] = v(k) == "yes"
	}
	for i := range f.lines {
		n := strconv.Itoa(i)
		f.lines[i] = lateLine{strings.ToUpper(v("code" + n)), v("time" + n), v("found" + n), v("what" + n)}
	}
	return f
}

func (c *call) laterPage() {
	render(c.w, 200, c.lateView(lateForm{day: c.now.In(c.zone()).Format(time.DateOnly), occasion: "1"}, nil, ""))
}

const (
	paperBack = 30                   // days that may be keyed in
	lateNote  = "entered from paper" // stands in the log, in every language
)

// later keeps what was written on paper, with the times on it. Keyed in twice,
// it is kept once.
func (c *call) later() {
	c.p.act.Lock()
	defer c.p.act.Unlock()
	f := c.readLate()
	list, events, bad := c.lateEvents(f)
	if len(bad) == 0 && len(list) == 0 {
		bad = append(bad, c.t.of("later_empty"))
	}
	if len(bad) > 0 {
		render(c.w, 200, c.lateView(f, bad, ""))
		return
	}
	n := 0
	for i := range list {
		if k := list[i].Kind; k == signed || k == skipped {
			n++
		}
	}
	if c.recordAll(list, events) {
		render(c.w, 200, c.lateView(lateForm{day: f.day, occasion: f.occasion}, nil, c.t.of("later_kept", "{n}", strconv.Itoa(n))))
	}
}

// lateEvents makes events of a form, or says what is wrong with it.
func (c *call) lateEvents(f lateForm) (list []entry, events []*pb.Event, bad []string) {
	zone, s := c.zone(), c.sheetNow()
	day, err := time.ParseInLocation(time.DateOnly, f.day, zone)
	if err != nil || day.After(c.now) || c.now.Sub(day) > (paperBack+1)*24*time.Hour {
		return nil, nil, []string{c.t.of("later_bad_day", "{day}", f.day)}
	}
	at := func(text string) int64 {
		x, err := time.ParseInLocation("2006-01-02 15:04", f.day+" "+text, zone)
		if err != nil || x.After(c.now) {
			bad = append(bad, c.t.of("later_bad_time", "{time}", text))
			return 0
		}
		return x.UnixMilli()
	}
	add := func(e entry, body *pb.Event) {
		e.Kept, e.Paper = c.now.UnixMilli(), true
		body.Plant, body.Press, body.SourceKey, body.OccurredAt = c.p.plant, c.p.name, e.Key, stampOf(e.At)
		list, events = append(list, e), append(events, body)
	}
	crew := ""
	if badge := strings.TrimSpace(c.r.PostFormValue("badge")); badge != "" && len(badge) <= 64 {
		if crew, err = c.s.cfg.Agent.Pseudonym(c.p.plant, badge); err != nil {
			return nil, nil, []string{c.t.of("busy")}
		}
	}
	session, from, to := "", int64(0), int64(0)
	if f.began != "" || f.ended != "" {
		occasion, err := strconv.Atoi(f.occasion)
		if err != nil || occasion < 1 || occasion > 4 || f.began == "" || f.ended == "" {
			return nil, nil, []string{c.t.of("later_half")}
		}
		if from, to = at(f.began), at(f.ended); len(bad) > 0 {
			return nil, nil, bad
		}
		if to < from { // over midnight
			to = time.UnixMilli(to).In(zone).AddDate(0, 0, 1).UnixMilli()
		}
		if to > c.now.UnixMilli() {
			return nil, nil, []string{c.t.of("later_bad_time", "{time}", f.ended)}
		}
		session = "paper-" + time.UnixMilli(from).UTC().Format("20060102-1504")
		add(entry{Kind: opened, At: from, Key: key(0, c.p.id, session, "opened"), Session: session, Occasion: int32(occasion)},
			&pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: session, Occasion: pb.Occasion(occasion), Crew: crew}}})
	}
	codes := taskCodes(s)
	for _, l := range f.lines {
		if l.code == "" && l.time == "" {
			continue
		}
		r := lateRow(s, codes, l.code)
		if r == nil {
			bad = append(bad, c.t.of("later_bad_code", "{code}", l.code))
			continue
		}
		when := at(l.time)
		if when != 0 && session != "" {
			if when < from {
				when = time.UnixMilli(when).In(zone).AddDate(0, 0, 1).UnixMilli()
			}
			if when > to {
				bad = append(bad, c.t.of("later_order"))
				continue
			}
		}
		e := entry{At: when, Session: session, Task: r.Task, Station: r.Station, Duty: "paper"}
		if reason, ok := strings.CutPrefix(l.what, "skip:"); ok {
			if !slices.ContainsFunc(s.GetSkipReasons(), func(x *pb.SkipReason) bool { return x.GetSlug() == reason }) {
				bad = append(bad, c.t.of("later_bad_reason"))
				continue
			}
			e.Kind, e.Reason = skipped, reason
			e.Key = key(0, c.p.id, "paper", string(e.Kind), r.Task, strconv.FormatInt(when, 10))
			add(e, &pb.Event{Body: &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: session, Task: r.Task, Station: r.Station, Reason: reason, Crew: crew}}})
			continue
		}
		outcome := pb.Outcome_OUTCOME_CLEANED
		if len(r.Outcomes) > 0 {
			outcome = r.Outcomes[0]
		}
		if n, err := strconv.Atoi(l.what); err == nil && n > 0 && pb.Outcome_name[int32(n)] != "" && (len(r.Outcomes) == 0 || slices.Contains(r.Outcomes, pb.Outcome(n))) {
			outcome = pb.Outcome(n)
		}
		e.Kind, e.Outcome, e.Condition = signed, int32(outcome), condition(l.found)
		e.Key = key(0, c.p.id, "paper", string(e.Kind), r.Task, strconv.FormatInt(when, 10))
		add(e, &pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: session, Task: r.Task, Station: r.Station, Outcome: outcome,
			ConditionFound: e.Condition, Crew: crew, Note: lateNote}}})
	}
	if session != "" {
		add(entry{Kind: closed, At: to, Key: key(0, c.p.id, session, "closed"), Session: session},
			&pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: session, Crew: crew,
				ToolsCountedOut: f.checks["check_tools"], GuardsRestored: f.checks["check_guards"], IsolationRemoved: f.checks["check_isolation"]}}})
	}
	return list, events, bad
}

// lateRow is the task of a code.
func lateRow(s *pb.PressSheet, codes map[string]string, code string) *row {
	for _, r := range rows(s, nil, nil, time.Time{}) {
		if codes[r.Task] == code {
			return &r
		}
	}
	return nil
}

func (c *call) lateView(f lateForm, bad []string, kept string) g.Node {
	s := c.sheetNow()
	option := func(value, text, now string) g.Node {
		return Option(Value(value), g.If(value == now, Selected()), g.Text(text))
	}
	field := func(key string, n ...g.Node) g.Node { return Label(Class("field"), g.Text(c.t.of(key)), g.Group(n)) }
	var lines g.Group
	for i, l := range f.lines {
		n := strconv.Itoa(i)
		label := func(key string) g.Node {
			return Aria("label", c.t.of("later_line")+" "+strconv.Itoa(i+1)+": "+c.t.of(key))
		}
		lines = append(lines, Div(Class("entry"),
			Input(Type("text"), Name("code"+n), Value(l.code), MaxLength("3"), AutoComplete("off"), g.Attr("autocapitalize", "characters"), g.Attr("spellcheck", "false"), Placeholder(c.t.of("paper_code")), label("paper_code")),
			Input(Type("time"), Name("time"+n), Value(l.time), label("paper_time")),
			Select(Name("found"+n), label("found"), option("", c.t.of("paper_found"), l.found), g.Map([]int{0, 1, 2, 3}, func(v int) g.Node {
				return option(strconv.Itoa(v), strconv.Itoa(v)+" "+c.t.of("found_"+strconv.Itoa(v)), l.found)
			})),
			Select(Name("what"+n), label("later_done"), g.Map([]int{1, 2, 3}, func(v int) g.Node { return option(strconv.Itoa(v), c.t.of("outcome_"+strconv.Itoa(v)), l.what) }),
				g.Map(s.GetSkipReasons(), func(x *pb.SkipReason) g.Node {
					return option("skip:"+x.GetSlug(), reasonLetter(s, x.GetSlug())+" "+c.t.registry(x.GetText(), x.GetSlug()), l.what)
				}))))
	}
	return c.s.frame(c.t, frame{title: c.t.of("later_title"), press: c.p, back: true, to: c.base() + "/later"},
		Main(ID("live"), Class("one"),
			P(g.Text(c.t.of("later_text"))),
			g.If(kept != "", P(ID("kept"), Class("good"), Role("status"), Span(Class("tick"), g.Text("✓ ")), g.Text(kept))),
			g.If(len(bad) > 0, Div(ID("bad"), Class("alarm"), Role("alert"), Ul(g.Map(bad, func(b string) g.Node { return Li(g.Text(b)) })))),
			Form(ID("later"), Method("post"), Action(c.base()+"/later"), AutoComplete("off"),
				Div(Class("fields"),
					field("paper_day", Input(Type("date"), Name("day"), Value(f.day), Required())),
					field("who", Input(Type("text"), Name("badge"), MaxLength("64"), AutoComplete("off"), g.Attr("autocapitalize", "none"), g.Attr("spellcheck", "false"))),
					field("paper_for", Select(Name("occasion"), g.Map([]int{1, 2, 3, 4}, func(n int) g.Node { return option(strconv.Itoa(n), c.t.of("occasion_"+strconv.Itoa(n)), f.occasion) }))),
					field("paper_began", Input(Type("time"), Name("began"), Value(f.began))),
					field("paper_ended", Input(Type("time"), Name("ended"), Value(f.ended)))),
				lines,
				g.Map(checks, func(k string) g.Node {
					return Label(Class("choice wide"), Input(Type("checkbox"), Name(k), Value("yes"), g.If(f.checks[k], Checked())), Span(g.Text(c.t.of(k))))
				}),
				Button(Class("big wide done"), g.Text(c.t.of("later_send"))))))
}
