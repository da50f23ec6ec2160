package machine

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/downweb/downweb/services/agent/counter"
)

// Recorded is one line of recorded traffic (JSON Lines): what a machine told at
// one instant, or that the connection was lost.
type Recorded struct {
	// At, by the agent's clock.
	At     time.Time       `json:"at"`
	Values []RecordedValue `json:"values,omitempty"`
	Lost   string          `json:"lost,omitempty"`
}

// RecordedValue is a Value in a file.
type RecordedValue struct {
	Address string     `json:"address"`
	At      *time.Time `json:"at,omitempty"`
	Value   any        `json:"value"`
	Bad     string     `json:"bad,omitempty"`
}

// Recorder writes what a machine tells.
type Recorder struct{ enc *json.Encoder }

// NewRecorder to w.
func NewRecorder(w io.Writer) *Recorder { return &Recorder{json.NewEncoder(w)} }

// Values writes a line.
func (r *Recorder) Values(now time.Time, values []Value) error {
	rec := Recorded{At: now.UTC()}
	for _, v := range values {
		x := RecordedValue{Address: v.Address, Value: v.Value}
		if !v.At.IsZero() {
			at := v.At.UTC()
			x.At = &at
		}
		if v.Bad {
			x.Bad = v.Why
			if x.Bad == "" {
				x.Bad = "not good"
			}
		}
		rec.Values = append(rec.Values, x)
	}
	return r.enc.Encode(rec)
}

// Lost writes that the connection is gone.
func (r *Recorder) Lost(now time.Time, why error) error {
	return r.enc.Encode(Recorded{At: now.UTC(), Lost: why.Error()})
}

// Try is what a mapping makes of recorded traffic.
type Try struct {
	// Lines read; Samples made of them; Slices and Reports made of those.
	Lines, Samples int
	Slices         []counter.Slice
	Reports        []counter.Report
	// Without says why lines made no sample, with how many.
	Without map[string]int
	// Unmapped addresses that the traffic holds, and mapped ones that it does
	// not.
	Unmapped, Untold []string
}

// maxRecorded is the longest line read, bytes.
const maxRecorded = 1 << 20

// TryOn runs recorded traffic through a mapping, as a live machine would be,
// and stores nothing.
func (m *Mapping) TryOn(r io.Reader) (*Try, error) {
	maker, err := counter.New(m.Counter())
	if err != nil {
		return nil, fmt.Errorf("try: %w", err)
	}
	t := &Try{Without: map[string]int{}}
	take := func(s []counter.Slice, rep []counter.Report) {
		t.Slices, t.Reports = append(t.Slices, s...), append(t.Reports, rep...)
	}
	as := NewAssembler(m)
	told := map[string]bool{}
	sc := bufio.NewScanner(r)
	sc.Buffer(make([]byte, 64<<10), maxRecorded)
	for n := 1; sc.Scan(); n++ {
		if strings.TrimSpace(sc.Text()) == "" {
			continue
		}
		var rec Recorded
		d := json.NewDecoder(strings.NewReader(sc.Text()))
		d.DisallowUnknownFields()
		d.UseNumber()
		if err := d.Decode(&rec); err != nil {
			return nil, fmt.Errorf("recorded traffic: line %d: %w", n, err)
		}
		if rec.At.IsZero() {
			return nil, fmt.Errorf("recorded traffic: line %d: no \"at\"", n)
		}
		t.Lines++
		if rec.Lost != "" {
			as.Lost()
			continue
		}
		var values []Value
		for _, x := range rec.Values {
			told[x.Address] = true
			v := Value{Address: x.Address, Value: plain(x.Value), Bad: x.Bad != "", Why: x.Bad}
			if x.At != nil {
				v.At = *x.At
			}
			values = append(values, v)
		}
		s, why := as.Take(values, rec.At)
		if why != "" {
			t.Without[why]++
			continue
		}
		if s.At == 0 {
			s.At = rec.At.UnixMilli()
		}
		t.Samples++
		take(maker.Add(s))
	}
	if err := sc.Err(); err != nil {
		if errors.Is(err, bufio.ErrTooLong) {
			err = fmt.Errorf("a line is longer than %d bytes", maxRecorded)
		}
		return nil, fmt.Errorf("recorded traffic: %w", err)
	}
	take(maker.Close())
	mapped := m.Addresses()
	for _, a := range mapped {
		if !told[a] {
			t.Untold = append(t.Untold, a)
		}
		delete(told, a)
	}
	for a := range told {
		t.Unmapped = append(t.Unmapped, a)
	}
	slices.Sort(t.Unmapped)
	return t, nil
}

// plain turns a JSON value into what an adapter gives.
func plain(v any) any {
	n, ok := v.(json.Number)
	if !ok {
		return v
	}
	if i, err := n.Int64(); err == nil {
		return i
	}
	var u uint64
	if _, err := fmt.Sscan(n.String(), &u); err == nil && !strings.ContainsAny(n.String(), ".eE") {
		return u
	}
	f, err := n.Float64()
	if err != nil {
		return n.String()
	}
	return f
}
