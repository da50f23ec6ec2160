package fleetsim

import (
	"encoding/base64"
	"encoding/json"
	"strconv"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// slice is one slice before it is written. rated 0: none given.
type slice struct {
	from, to    int64 // unix ms
	state       pb.State
	reason      string
	station     string
	job         string
	rated       int64
	good, waste int64 // mm
}

// sliceDelay is how long after its end a slice is taken down, ms.
const sliceDelay = 250

// appendSlice writes a slice as one line of protojson. It is the fast path:
// strings of the scenario need no escapes.
func appendSlice(b []byte, head string, s *slice) []byte {
	b = append(b, head...) // {"plant":"…","press":"…","recordedAt":"
	b = appendTime(b, s.to+sliceDelay)
	b = append(b, `","slice":{"from":"`...)
	b = appendTime(b, s.from)
	b = append(b, `","to":"`...)
	b = appendTime(b, s.to)
	b = append(b, `","state":"`...)
	b = append(b, stateNames[s.state]...)
	b = append(b, '"')
	b = appendText(b, `,"reason":"`, s.reason)
	b = appendText(b, `,"station":"`, s.station)
	b = appendText(b, `,"job":"`, s.job)
	b = appendLength(b, `,"ratedMmPerMin":"`, s.rated)
	b = appendLength(b, `,"goodMm":"`, s.good)
	b = appendLength(b, `,"wasteMm":"`, s.waste)
	return append(b, "}}\n"...)
}

var stateNames = func() (n [9]string) {
	for i := range n {
		n[i] = pb.State_name[int32(i)]
	}
	return n
}()

func appendText(b []byte, key, v string) []byte {
	if v == "" {
		return b
	}
	b = append(b, key...)
	b = append(b, v...)
	return append(b, '"')
}

func appendLength(b []byte, key string, v int64) []byte {
	if v == 0 {
		return b
	}
	b = append(b, key...)
	b = strconv.AppendInt(b, v, 10)
	return append(b, '"')
}

// appendTime writes unix milliseconds (1970 to 9999) as RFC 3339 in UTC.
func appendTime(b []byte, ms int64) []byte {
	days, rest := ms/86_400_000, ms%86_400_000
	// Civil date from days since 1970-01-01, by the Gregorian calendar's
	// 400-year cycle counted from 0000-03-01.
	z := days + 719_468
	era := z / 146_097
	doe := z - era*146_097
	yoe := (doe - doe/1460 + doe/36_524 - doe/146_096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	mp := (5*doy + 2) / 153
	day := doy - (153*mp+2)/5 + 1
	month := mp + 3
	if month > 12 {
		month -= 12
	}
	year := yoe + era*400
	if month <= 2 {
		year++
	}
	b = append(b, byte('0'+year/1000), byte('0'+year/100%10), byte('0'+year/10%10), byte('0'+year%10), '-')
	b = append2(b, month)
	b = append(b, '-')
	b = append2(b, day)
	b = append(b, 'T')
	sec := rest / 1000
	b = append2(b, sec/3600)
	b = append(b, ':')
	b = append2(b, sec/60%60)
	b = append(b, ':')
	b = append2(b, sec%60)
	if f := rest % 1000; f != 0 {
		b = append(b, '.', byte('0'+f/100), byte('0'+f/10%10), byte('0'+f%10))
	}
	return append(b, 'Z')
}

func append2(b []byte, v int64) []byte { return append(b, byte('0'+v/10), byte('0'+v%10)) }

// AppendLine writes any event as one line of protojson, fields by number: the
// same bytes always, which protojson itself does not promise.
func AppendLine(b []byte, e *pb.Event) []byte {
	return append(appendMessage(b, e.ProtoReflect()), '\n')
}

func appendMessage(b []byte, m protoreflect.Message) []byte {
	if ts, ok := m.Interface().(*timestamppb.Timestamp); ok {
		b = append(b, '"')
		b = appendTime(b, ts.Seconds*1000+int64(ts.Nanos)/1e6)
		return append(b, '"')
	}
	b = append(b, '{')
	first := true
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if !m.Has(fd) {
			continue
		}
		if !first {
			b = append(b, ',')
		}
		first = false
		b = append(b, '"')
		b = append(b, fd.JSONName()...)
		b = append(b, '"', ':')
		b = appendValue(b, fd, m.Get(fd))
	}
	return append(b, '}')
}

// appendValue writes one field; events have no lists and no maps.
func appendValue(b []byte, fd protoreflect.FieldDescriptor, v protoreflect.Value) []byte {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		return appendMessage(b, v.Message())
	case protoreflect.StringKind:
		s, _ := json.Marshal(v.String()) // a string cannot fail
		return append(b, s...)
	case protoreflect.BoolKind:
		return strconv.AppendBool(b, v.Bool())
	case protoreflect.EnumKind:
		if d := fd.Enum().Values().ByNumber(v.Enum()); d != nil {
			b = append(b, '"')
			b = append(b, d.Name()...)
			return append(b, '"')
		}
		return strconv.AppendInt(b, int64(v.Enum()), 10)
	case protoreflect.Int32Kind:
		return strconv.AppendInt(b, v.Int(), 10)
	case protoreflect.Uint32Kind:
		return strconv.AppendUint(b, v.Uint(), 10)
	case protoreflect.BytesKind:
		b = append(b, '"')
		b = base64.StdEncoding.AppendEncode(b, v.Bytes())
		return append(b, '"')
	case protoreflect.Int64Kind:
		b = append(b, '"')
		b = strconv.AppendInt(b, v.Int(), 10)
		return append(b, '"')
	}
	b = append(b, '"') // uint64, fixed64
	b = strconv.AppendUint(b, v.Uint(), 10)
	return append(b, '"')
}
