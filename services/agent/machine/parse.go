package machine

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// MaxMapping is the largest mapping file that is read, bytes.
const MaxMapping = 1 << 20

// Fraction of two whole numbers, read from "254/10", "25" or "0.5".
type Fraction struct{ Num, Den uint64 }

// UnmarshalYAML reads a fraction.
func (f *Fraction) UnmarshalYAML(n *yaml.Node) error {
	num, den, cut := strings.Cut(strings.TrimSpace(n.Value), "/")
	if !cut {
		den = "1"
		if whole, dec, has := strings.Cut(num, "."); has {
			num, den = whole+dec, "1"+strings.Repeat("0", len(dec))
		}
	}
	a, err1 := strconv.ParseUint(strings.TrimSpace(num), 10, 64)
	b, err2 := strconv.ParseUint(strings.TrimSpace(den), 10, 64)
	if err1 != nil || err2 != nil || a == 0 || b == 0 {
		return fmt.Errorf("line %d: %q is no length above 0 such as 1000, 0.5 or 254/10", n.Line, n.Value)
	}
	f.Num, f.Den = a, b
	return nil
}

func strict(text []byte, v any) error {
	d := yaml.NewDecoder(bytes.NewReader(text))
	d.KnownFields(true)
	err := d.Decode(v)
	if errors.Is(err, io.EOF) {
		return errors.New("nothing is in it")
	}
	if err != nil {
		return err
	}
	if err := d.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return errors.New("a second document is in it")
	}
	return nil
}

// ParseMapping reads a mapping file and checks what can be checked without the
// machine. All that is wrong is in the error.
func ParseMapping(text []byte) (*Mapping, error) {
	if len(text) > MaxMapping {
		return nil, fmt.Errorf("mapping: %d bytes are more than %d", len(text), MaxMapping)
	}
	m := &Mapping{}
	if err := strict(text, m); err != nil {
		return nil, fmt.Errorf("mapping: %w", err)
	}
	var errs []error
	bad := func(format string, v ...any) { errs = append(errs, fmt.Errorf("mapping: "+format, v...)) }
	if !pressPattern.MatchString(m.Press) {
		bad("press %q is not plant/press", m.Press)
	}
	n := 0
	for _, s := range m.sections() {
		if s.Kind != 0 {
			n++
		}
	}
	if n != 1 {
		bad("%d sections say how to reach the machine: want exactly one of opcua, mqtt, sparkplug, modbus", n)
	}
	if !(m.RunningMPerMin >= 0.001 && m.RunningMPerMin <= 2000) {
		bad("running_m_per_min %v is not 0.001 to 2000", m.RunningMPerMin)
	}
	if m.MaxGap < 0 || m.MaxGap > time.Minute {
		bad("max_gap %s is not 0 to 1m", m.MaxGap)
	}
	if m.Clock != "" && m.Clock != "agent" && m.Clock != "machine" {
		bad("clock %q is not agent or machine", m.Clock)
	}
	if m.MaxAge < 0 {
		bad("max_age %s is below 0", m.MaxAge)
	}
	s := &m.Signals
	for _, need := range []struct {
		name   string
		absent bool
	}{{"speed", s.Speed == nil}, {"good", s.Good == nil}, {"power", s.Power == nil}, {"good_on", s.GoodOn == nil}} {
		if need.absent {
			bad("signals.%s is missing", need.name)
		}
	}
	if s.Job == nil && s.JobOpen == nil {
		bad("signals: one of job and job_open is needed: without a job no set-up can be told")
	}
	for _, u := range m.uses() {
		if u.at == "" && u.need {
			bad("signals.%s.at is missing", u.name)
		}
	}
	for name, x := range map[string]*Number{"speed": s.Speed, "rated": s.Rated} {
		if x != nil && !(x.MmPerMin > 0 && x.MmPerMin <= 1e9) {
			bad("signals.%s.mm_per_min %v is not above 0", name, x.MmPerMin)
		}
	}
	for name, l := range map[string]*Length{"good": s.Good, "waste": s.Waste} {
		errs = append(errs, l.check(name)...)
	}
	for name, f := range map[string]*Flag{"power": s.Power, "fault": s.Fault, "good_on": s.GoodOn, "job_open": s.JobOpen} {
		if f == nil {
			continue
		}
		if err := f.prepare(); err != nil {
			bad("signals.%s: %w", name, err)
		}
	}
	if len(errs) == 0 {
		if err := m.Counter().Validate(); err != nil {
			errs = append(errs, err)
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return m, nil
}

func (l *Length) check(name string) (errs []error) {
	if l == nil {
		return nil
	}
	bad := func(format string, v ...any) { errs = append(errs, fmt.Errorf("mapping: signals."+name+format, v...)) }
	if l.Mm.Num == 0 {
		bad(".mm is missing: what one count is")
	}
	if l.Wrap > 0 && l.Bits > 0 {
		bad(": wrap and bits say the same thing: keep one")
	}
	if l.Bits < 0 || l.Bits > 64 {
		bad(".bits %d is not 1 to 64", l.Bits)
	}
	if l.Decimal && (l.Wrap > 0 || l.Bits > 0) {
		bad(": a decimal counter cannot wrap")
	}
	return errs
}

// prepare turns the lists into comparable text.
func (f *Flag) prepare() error {
	if f.Always {
		if f.At != "" || len(f.Is)+len(f.IsNot) > 0 {
			return errors.New("always stands alone")
		}
		return nil
	}
	if len(f.Is) > 0 && len(f.IsNot) > 0 {
		return errors.New("is and is_not: keep one")
	}
	voc, ok := vocabularies[f.Vocabulary]
	if f.Vocabulary != "" && !ok {
		return fmt.Errorf("vocabulary %q is not known; known are %s", f.Vocabulary, strings.Join(vocabularyNames(), ", "))
	}
	texts := func(in []any) ([]string, error) {
		var out []string
		for _, v := range in {
			if name, ok := v.(string); ok && f.Vocabulary != "" {
				n, ok := voc[fold(name)]
				if !ok {
					return nil, fmt.Errorf("%q is no state of %s", name, f.Vocabulary)
				}
				out = append(out, strconv.FormatInt(n, 10), fold(name))
				continue
			}
			out = append(out, text(v))
		}
		return out, nil
	}
	var err error
	if f.is, err = texts(f.Is); err != nil {
		return err
	}
	f.isNot, err = texts(f.IsNot)
	return err
}

// text is a value as it is compared: numbers without a needless fraction.
func text(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		return strings.TrimSpace(v)
	case bool:
		return strconv.FormatBool(v)
	case int:
		return strconv.Itoa(v)
	case int64:
		return strconv.FormatInt(v, 10)
	case uint64:
		return strconv.FormatUint(v, 10)
	case float64:
		if v == math.Trunc(v) && math.Abs(v) < 1<<53 {
			return strconv.FormatInt(int64(v), 10)
		}
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return fmt.Sprint(v)
}
