package registry

import (
	"strconv"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// enumPrefix is what all values of an enum begin with, e.g. "CADENCE_".
func enumPrefix(e protoreflect.EnumDescriptor) string {
	return strings.TrimSuffix(string(e.Values().ByNumber(0).Name()), "UNSPECIFIED")
}

// squash leaves letters and digits only, in lower case: "Start-up" and
// "STARTUP" are the same word.
func squash(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '-' || r == '_' || r == ' ':
			return -1
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return r
	}, s)
}

// enumName is the short spelling of a value; a number where it has no name.
func enumName(e protoreflect.EnumDescriptor, n protoreflect.EnumNumber) string {
	v := e.Values().ByNumber(n)
	if v == nil {
		return strconv.Itoa(int(n))
	}
	return strings.ToLower(strings.TrimPrefix(string(v.Name()), enumPrefix(e)))
}

// enumShort is the short spellings that mean something.
func enumShort(e protoreflect.EnumDescriptor) []string {
	var out []string
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); v.Number() != 0 {
			out = append(out, enumName(e, v.Number()))
		}
	}
	return out
}

var fullWeekdays = map[string]string{"monday": "mon", "tuesday": "tue", "wednesday": "wed",
	"thursday": "thu", "friday": "fri", "saturday": "sat", "sunday": "sun"}

// enumNumber reads a full or short spelling, or a plain number.
func enumNumber(e protoreflect.EnumDescriptor, s string) (protoreflect.EnumNumber, bool) {
	word := squash(s)
	if short, ok := fullWeekdays[word]; ok && e.Name() == "Weekday" {
		word = short
	}
	prefix := enumPrefix(e)
	for i := range e.Values().Len() {
		v := e.Values().Get(i)
		name := string(v.Name())
		if word == squash(name) || word == squash(strings.TrimPrefix(name, prefix)) {
			return v.Number(), true
		}
	}
	if n, err := strconv.ParseInt(s, 10, 32); err == nil {
		return protoreflect.EnumNumber(n), true
	}
	return 0, false
}

// suggest names the known key nearest to an unknown one, if any is near.
func suggest(key string, fields protoreflect.FieldDescriptors) string {
	best, at := 3, ""
	for i := range fields.Len() {
		name := string(fields.Get(i).Name())
		if squash(name) == squash(key) {
			return "; did you mean " + name + "?"
		}
		if d := distance(key, name); d < best && d < len(name)/2 {
			best, at = d, name
		}
	}
	if at == "" {
		return ""
	}
	return "; did you mean " + at + "?"
}

// distance is the Levenshtein distance of two short words, in bytes.
func distance(a, b string) int {
	if len(a) > 64 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diag := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := diag
			if a[i-1] != b[j-1] {
				cost++
			}
			diag = row[j]
			row[j] = min(cost, row[j]+1, row[j-1]+1)
		}
	}
	return row[len(b)]
}
