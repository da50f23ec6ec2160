package agent

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Nearly every line is a slice in one plain form. fastLine reads just that:
// known keys, each once; texts of ASCII without escapes; whole numbers in
// digits; times in UTC with at most three decimals; states by name. It
// refuses everything else, right or wrong, and protojson decides. A test
// holds what both accept equal.

// fastLine decodes into storage that is used again for the next line.
type fastLine struct {
	ev    pb.Event
	body  pb.Event_Slice
	slice pb.Slice
	ts    [4]timestamppb.Timestamp // occurred, recorded, from, to
	rated int64
	texts map[string]string
}

func newFastLine() *fastLine {
	f := &fastLine{texts: map[string]string{}}
	f.body.Slice = &f.slice
	return f
}

// text interns a short string.
func (f *fastLine) text(b []byte) string {
	if s, ok := f.texts[string(b)]; ok {
		return s
	}
	if len(f.texts) >= 4096 {
		clear(f.texts)
	}
	s := string(b)
	f.texts[s] = s
	return s
}

// decode returns the event, valid until the next call, or nil.
func (f *fastLine) decode(line []byte) *pb.Event {
	e, s := &f.ev, &f.slice
	e.Plant, e.Press, e.OccurredAt, e.RecordedAt, e.Body = "", "", nil, nil, nil
	s.From, s.To, s.State, s.Reason, s.Station, s.Job, s.RatedMmPerMin, s.GoodMm, s.WasteMm = nil, nil, 0, "", "", "", nil, 0, 0
	in := scan{b: line}
	var seen uint
	ok := in.object(func(key []byte) bool {
		var bit uint
		switch string(key) {
		case "plant":
			bit = 1
			e.Plant = f.text(in.str())
		case "press":
			bit = 2
			e.Press = f.text(in.str())
		case "occurredAt", "occurred_at":
			bit = 4
			e.OccurredAt = in.time(&f.ts[0])
		case "recordedAt", "recorded_at":
			bit = 8
			e.RecordedAt = in.time(&f.ts[1])
		case "slice":
			bit = 16
			if !f.decodeSlice(&in) {
				return false
			}
			e.Body = &f.body
		default:
			return false
		}
		if seen&bit != 0 {
			return false
		}
		seen |= bit
		return true
	})
	in.space()
	if !ok || in.bad || in.i != len(in.b) || e.Body == nil {
		return nil
	}
	return e
}

func (f *fastLine) decodeSlice(in *scan) bool {
	s := &f.slice
	var seen uint
	return in.object(func(key []byte) bool {
		var bit uint
		switch string(key) {
		case "from":
			bit = 1
			s.From = in.time(&f.ts[2])
		case "to":
			bit = 2
			s.To = in.time(&f.ts[3])
		case "state":
			bit = 4
			n, ok := stateByName[string(in.str())]
			if !ok {
				return false
			}
			s.State = n
		case "reason":
			bit = 8
			s.Reason = f.text(in.str())
		case "station":
			bit = 16
			s.Station = f.text(in.str())
		case "job":
			bit = 32
			s.Job = f.text(in.str())
		case "ratedMmPerMin", "rated_mm_per_min":
			bit = 64
			f.rated = in.int()
			s.RatedMmPerMin = &f.rated
		case "goodMm", "good_mm":
			bit = 128
			s.GoodMm = in.int()
		case "wasteMm", "waste_mm":
			bit = 256
			s.WasteMm = in.int()
		default:
			return false
		}
		if seen&bit != 0 {
			return false
		}
		seen |= bit
		return true
	})
}

var stateByName = func() map[string]pb.State {
	m := map[string]pb.State{}
	for n, s := range pb.State_value {
		m[n] = pb.State(s)
	}
	return m
}()

// scan walks over JSON; bad is set once anything is out of the plain form.
type scan struct {
	b   []byte
	i   int
	bad bool
}

func (s *scan) space() {
	for s.i < len(s.b) {
		switch s.b[s.i] {
		case ' ', '\t', '\r', '\n':
			s.i++
		default:
			return
		}
	}
}

func (s *scan) is(c byte) bool {
	s.space()
	if s.i < len(s.b) && s.b[s.i] == c {
		s.i++
		return true
	}
	return false
}

// object calls f at the value of each key.
func (s *scan) object(f func(key []byte) bool) bool {
	if !s.is('{') {
		return false
	}
	if s.is('}') {
		return true
	}
	for {
		key := s.str()
		if s.bad || !s.is(':') || !f(key) || s.bad {
			return false
		}
		if s.is(',') {
			continue
		}
		return s.is('}')
	}
}

func (s *scan) str() []byte {
	if !s.is('"') {
		s.bad = true
		return nil
	}
	from := s.i
	for ; s.i < len(s.b); s.i++ {
		switch c := s.b[s.i]; {
		case c == '"':
			s.i++
			return s.b[from : s.i-1]
		case c == '\\' || c < 0x20 || c >= 0x7f:
			s.bad = true
			return nil
		}
	}
	s.bad = true
	return nil
}

// int reads digits, bare or in quotes, without sign or leading zero.
func (s *scan) int() int64 {
	s.space()
	quoted := s.i < len(s.b) && s.b[s.i] == '"'
	if quoted {
		s.i++
	}
	from, n := s.i, int64(0)
	for s.i < len(s.b) && s.b[s.i] >= '0' && s.b[s.i] <= '9' {
		n = n*10 + int64(s.b[s.i]-'0')
		s.i++
	}
	digits := s.i - from
	if digits == 0 || digits > 18 || digits > 1 && s.b[from] == '0' {
		s.bad = true
		return 0
	}
	if quoted {
		if s.i >= len(s.b) || s.b[s.i] != '"' {
			s.bad = true
			return 0
		}
		s.i++
	} else if s.i < len(s.b) {
		switch s.b[s.i] {
		case ',', '}', ' ', '\t', '\r', '\n':
		default: // a fraction, an exponent or rubbish
			s.bad = true
		}
	}
	return n
}

// time reads 2026-06-15T04:00:00Z or 2026-06-15T04:00:00.123Z.
func (s *scan) time(t *timestamppb.Timestamp) *timestamppb.Timestamp {
	b := s.str()
	if s.bad || len(b) < 20 || b[4] != '-' || b[7] != '-' || b[10] != 'T' || b[13] != ':' || b[16] != ':' || b[len(b)-1] != 'Z' {
		s.bad = true
		return nil
	}
	num := func(from, to int) int {
		n := 0
		for _, c := range b[from:to] {
			if c < '0' || c > '9' {
				s.bad = true
			}
			n = n*10 + int(c-'0')
		}
		return n
	}
	year, month, day, hour, minute, sec := num(0, 4), num(5, 7), num(8, 10), num(11, 13), num(14, 16), num(17, 19)
	nanos := 0
	switch n := len(b) - 20; {
	case n == 0:
	case b[19] != '.' || n < 2 || n > 4:
		s.bad = true
	default:
		nanos = num(20, 19+n)
		for range 10 - n {
			nanos *= 10
		}
	}
	if s.bad || year < 1970 || year > 2199 || month < 1 || month > 12 || day < 1 || day > 28 && day > daysIn(year, month) ||
		hour > 23 || minute > 59 || sec > 59 {
		s.bad = true
		return nil
	}
	t.Seconds = daysSince1970(year, month, day)*86400 + int64(hour*3600+minute*60+sec)
	t.Nanos = int32(nanos)
	return t
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// daysSince1970 counts days of the Gregorian calendar, years from March on.
func daysSince1970(year, month, day int) int64 {
	y, m := year, month-3
	if m < 0 {
		y, m = y-1, m+12
	}
	return int64(365*y + y/4 - y/100 + y/400 + (153*m+2)/5 + day - 1 - 719468)
}
