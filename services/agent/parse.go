package agent

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// MaxLine is the longest line that is read, bytes.
const MaxLine = 1 << 20

// item is what a line has become: a slice's record, another event, or what is
// wrong with it.
type item struct {
	line  int
	press int // index in the agent's presses
	// A slice, encoded; its time, unix ms.
	record   []byte
	from, to int64
	// Any other event.
	ev *pb.Event
	// Not nil: refused.
	bad []eventlog.Violation
}

// parser turns lines into items. One goroutine uses it at a time.
type parser struct {
	presses []pressName
	index   map[string]int
	future  time.Duration
	clock   func() time.Time
	// crew replaces a badge; nil: left as it is (a check alone).
	crew func(plant string, at time.Time, badge string) (string, error)
	fast *fastLine
	now  timestamppb.Timestamp
}

func newParser(presses []string, future time.Duration, clock func() time.Time) *parser {
	p := &parser{presses: splitPresses(presses), index: map[string]int{}, future: future, clock: clock, fast: newFastLine()}
	for i, n := range presses {
		p.index[n] = i
	}
	return p
}

// lines parses whole lines; first is the number of the first. Records are
// kept in one buffer per call. Empty lines are passed over.
func (p *parser) lines(data []byte, first int) []item {
	items := make([]item, 0, bytes.Count(data, []byte{'\n'})+1)
	buf := make([]byte, 0, len(data)/2)
	now := p.clock()
	for n := first; len(data) > 0; n++ {
		var line []byte
		if i := bytes.IndexByte(data, '\n'); i >= 0 {
			line, data = data[:i], data[i+1:]
		} else {
			line, data = data, nil
		}
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		it := item{line: n}
		buf = p.one(&it, line, now, buf)
		items = append(items, it)
	}
	return items
}

// one parses a line, appending a slice's record to buf.
func (p *parser) one(it *item, line []byte, now time.Time, buf []byte) []byte {
	if len(line) > MaxLine {
		it.bad = tooLong(len(line))
		return buf
	}
	e := p.fast.decode(line)
	plain := e != nil
	if !plain {
		e = &pb.Event{}
		if err := protojson.Unmarshal(line, e); err != nil {
			it.bad = []eventlog.Violation{jsonViolation(err)}
			return buf
		}
	}
	p.complete(it, e, now)
	if it.bad != nil {
		return buf
	}
	s := e.GetSlice()
	if s == nil {
		it.ev = e
		return buf
	}
	it.from, it.to = ms(s.From), ms(s.To)
	at := len(buf)
	buf, err := eventlog.AppendEvent(buf, e)
	if err != nil {
		it.bad = []eventlog.Violation{{Field: "slice", Reason: err.Error()}}
		return buf[:at]
	}
	it.record = buf[at:len(buf):len(buf)]
	return buf
}

func tooLong(n int) []eventlog.Violation {
	return []eventlog.Violation{{Reason: fmt.Sprintf("line of %d bytes is longer than %d", n, MaxLine)}}
}

// complete fills in what the agent adds, checks, and replaces the badge.
func (p *parser) complete(it *item, e *pb.Event, now time.Time) {
	bad := func(field, reason string) { it.bad = append(it.bad, eventlog.Violation{Field: field, Reason: reason}) }
	if len(p.presses) == 1 {
		if e.Plant == "" {
			e.Plant = p.presses[0].plant
		}
		if e.Press == "" {
			e.Press = p.presses[0].press
		}
	}
	i, ok := p.find(e.Plant, e.Press)
	switch {
	case ok:
		it.press = i
	case e.Plant == "":
		bad("plant", "is required: the agent serves more than one press")
		return
	case e.Press == "":
		bad("press", "is required: the agent serves more than one press")
		return
	default:
		bad("press", fmt.Sprintf("%.40s/%.40s is not a press of this agent", e.Plant, e.Press))
		return
	}
	if e.Epoch != 0 || e.Seq != 0 {
		bad("seq", "epoch and seq are given by the agent")
		return
	}
	if e.RecordedAt == nil {
		p.now.Seconds, p.now.Nanos = now.Unix(), int32(now.Nanosecond()/1e6*1e6)
		e.RecordedAt = &timestamppb.Timestamp{Seconds: p.now.Seconds, Nanos: p.now.Nanos}
	}
	s := e.GetSlice()
	if s != nil && e.OccurredAt == nil {
		e.OccurredAt = s.From
	}
	if s != nil && e.SourceKey != "" {
		bad("source_key", "a slice carries none: its time is its key")
	}
	it.bad = append(it.bad, validate(e)...)
	if it.bad != nil {
		return
	}
	limit := now.Add(p.future).UnixMilli()
	late := func(field string, t *timestamppb.Timestamp) {
		if t != nil && ms(t) > limit {
			bad(field, fmt.Sprintf("%s is more than %v after the agent's clock", t.AsTime().Format(time.RFC3339Nano), p.future))
		}
	}
	late("occurred_at", e.OccurredAt)
	switch b := e.Body.(type) {
	case *pb.Event_Slice:
		late("slice.to", b.Slice.To)
	case *pb.Event_ReasonNoted:
		late("reason_noted.to", b.ReasonNoted.To)
	case *pb.Event_WasteBooked:
		late("waste_booked.to", b.WasteBooked.To)
	}
	late("recorded_at", e.RecordedAt)
	if s != nil || it.bad != nil || p.crew == nil {
		return
	}
	if c := crewOf(e); c != nil && *c != "" {
		name, err := p.crew(e.Plant, e.OccurredAt.AsTime(), *c)
		if err != nil {
			bad("crew", err.Error())
			return
		}
		*c = name
	}
}

func (p *parser) find(plant, press string) (int, bool) {
	if len(p.presses) <= 16 {
		for i := range p.presses {
			if p.presses[i].press == press && p.presses[i].plant == plant {
				return i, true
			}
		}
		return 0, false
	}
	i, ok := p.index[plant+"/"+press]
	return i, ok
}

// validate checks an event; a void that names its target by source_key is
// checked as if the identity, known later, were there.
func validate(e *pb.Event) []eventlog.Violation {
	v := e.GetVoided()
	if !targetsKey(v) {
		return eventlog.Validate(e)
	}
	if v.FirstSeq != 0 || v.LastSeq != 0 {
		return []eventlog.Violation{{Field: "voided.epoch", Reason: "is required with first_seq and last_seq"}}
	}
	full := proto.Clone(e).(*pb.Event)
	w := full.GetVoided()
	w.Epoch, w.FirstSeq, w.LastSeq = 1, 1, 1
	if w.Earliest == nil {
		w.Earliest = e.OccurredAt
	}
	return eventlog.Validate(full)
}

func targetsKey(v *pb.Voided) bool { return v != nil && v.Epoch == 0 && v.TargetSourceKey != "" }

func ms(t *timestamppb.Timestamp) int64 { return t.Seconds*1000 + int64(t.Nanos)/1e6 }

// crewOf points at the crew field of an event's body.
func crewOf(e *pb.Event) *string {
	switch b := e.Body.(type) {
	case *pb.Event_CleaningOpened:
		return &b.CleaningOpened.Crew
	case *pb.Event_CleaningClosed:
		return &b.CleaningClosed.Crew
	case *pb.Event_StationSignedOff:
		return &b.StationSignedOff.Crew
	case *pb.Event_StationSkipped:
		return &b.StationSkipped.Crew
	case *pb.Event_ReasonNoted:
		return &b.ReasonNoted.Crew
	case *pb.Event_DefectSeen:
		return &b.DefectSeen.Crew
	case *pb.Event_WasteBooked:
		return &b.WasteBooked.Crew
	}
	return nil
}

var (
	jsonPrefix = regexp.MustCompile(`^proto:[\s\x{00a0}]*(?:syntax error[\s\x{00a0}]*)?(?:\(line 1:(\d+)\):[\s\x{00a0}]*)?`)
	jsonField  = regexp.MustCompile(`(?:field "?|duplicate field "|field name "?)([A-Za-z0-9_.\[\]]+)`)
)

// jsonViolation says what protojson found, with the column and, where it
// names one, the field.
func jsonViolation(err error) eventlog.Violation {
	text := err.Error()
	var v eventlog.Violation
	column := ""
	if m := jsonPrefix.FindStringSubmatch(text); m != nil {
		text = text[len(m[0]):]
		column = m[1]
		if strings.Contains(m[0], "syntax error") {
			text = "not valid JSON: " + text
		}
	}
	text = strings.ReplaceAll(text, "\u00a0", " ")
	if strings.HasPrefix(text, "unexpected EOF") || text == "EOF" {
		text = "not valid JSON: the line ends inside the event"
	}
	if m := jsonField.FindStringSubmatch(text); m != nil {
		v.Field = m[1]
	}
	if len(text) > 300 {
		text = strings.ToValidUTF8(text[:300], "") + " …"
	}
	if column != "" {
		text = "column " + column + ": " + text
	}
	v.Reason = text
	return v
}
