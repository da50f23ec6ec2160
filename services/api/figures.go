package api

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// figures are what is signed of a plant and period: the sums of its press-days
// by press, currency and basis of money.
type figures struct {
	plant, first, last string
	rules              uint32
	sums               []timeline.LossSum
}

// figuresFormat numbers the text below. Kept figures are never written anew, so
// what one version wrote, every later one must be able to write again.
const figuresFormat = "downweb figures 1"

// figureFields are the whole numbers of a sum, in the order they are written.
var figureFields = []struct {
	name string
	at   func(*timeline.LossSum) *int64
}{
	{"press_days", func(s *timeline.LossSum) *int64 { return &s.PressDays }},
	{"planned_busy_ms", func(s *timeline.LossSum) *int64 { return &s.PBT }},
	{"production_ms", func(s *timeline.LossSum) *int64 { return &s.APT }},
	{"valuable_us", func(s *timeline.LossSum) *int64 { return &s.Valuable }},
	{"good_mm", func(s *timeline.LossSum) *int64 { return &s.Good }},
	{"made_mm", func(s *timeline.LossSum) *int64 { return &s.Made }},
	{"measured_ms", func(s *timeline.LossSum) *int64 { return &s.Measured }},
	{"stated_ms", func(s *timeline.LossSum) *int64 { return &s.Stated }},
	{"unknown_ms", func(s *timeline.LossSum) *int64 { return &s.Unknown }},
	{"overrun_no_record_us", func(s *timeline.LossSum) *int64 { return &s.PartNoRecord }},
	{"stop_cleaning_us", func(s *timeline.LossSum) *int64 { return &s.PartDirtCleaning }},
	{"setup_cleaning_us", func(s *timeline.LossSum) *int64 { return &s.PartSetupCleaning }},
	{"good_outside_production_mm", func(s *timeline.LossSum) *int64 { return &s.GoodOutside }},
	{"extra_good_mm", func(s *timeline.LossSum) *int64 { return &s.ExtraGood }},
	{"booked_excess_mm", func(s *timeline.LossSum) *int64 { return &s.Excess }},
	{"note_spill_ms", func(s *timeline.LossSum) *int64 { return &s.NoteSpill }},
	{"assumed_rate_mm", func(s *timeline.LossSum) *int64 { return &s.AssumedMM }},
	{"outside_labour_nano", func(s *timeline.LossSum) *int64 { return &s.OutLabour }},
	{"closed_by_rule", func(s *timeline.LossSum) *int64 { return &s.ClosedByRule }},
}

func baseName(constrained bool) string {
	if constrained {
		return "contribution"
	}
	return "press"
}

// text is the canonical form: lines of words, zeros left out, sorted.
func (f *figures) text() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\nplant %s\nfirst_day %s\nlast_day %s\nrules %d\n", figuresFormat, f.plant, f.first, f.last, f.rules)
	sums := slices.Clone(f.sums)
	slices.SortFunc(sums, func(x, y timeline.LossSum) int {
		return cmp.Or(cmp.Compare(x.Key, y.Key), cmp.Compare(x.Currency, y.Currency), cmp.Compare(baseName(x.Constrained), baseName(y.Constrained)))
	})
	for i := range sums {
		s := &sums[i]
		fmt.Fprintf(&b, "sum %s %s %s\n", s.Key, cmp.Or(s.Currency, "-"), baseName(s.Constrained))
		for _, x := range figureFields {
			if v := *x.at(s); v != 0 {
				fmt.Fprintf(&b, "%s %d\n", x.name, v)
			}
		}
		for l := loss.LeafProduction; l < loss.NumLeaves; l++ {
			priced := s.Priced[l]
			if priced == nil {
				priced = new(big.Int)
			}
			if a := s.In[l]; a != (timeline.LeafAmount{}) || priced.Sign() != 0 {
				fmt.Fprintf(&b, "in %s %d %d %d %s\n", l.Slug(), a.US, a.MM, a.Material, priced)
			}
			if a := s.Out[l]; a != (timeline.LeafAmount{}) {
				fmt.Fprintf(&b, "out %s %d %d %d\n", l.Slug(), a.US, a.MM, a.Material)
			}
		}
	}
	return b.Bytes()
}

func (f *figures) sha256() string {
	h := sha256.Sum256(f.text())
	return hex.EncodeToString(h[:])
}

// parseFigures reads the canonical form.
func parseFigures(text []byte) (*figures, error) {
	f := &figures{}
	bad := func(n int, line string) error { return fmt.Errorf("signed figures, line %d: %q", n+1, line) }
	for n, line := range strings.Split(strings.TrimSuffix(string(text), "\n"), "\n") {
		w := strings.Fields(line)
		if n == 0 {
			if line != figuresFormat {
				return nil, bad(n, line)
			}
			continue
		}
		if len(w) < 2 {
			return nil, bad(n, line)
		}
		var err error
		switch w[0] {
		case "plant":
			f.plant = w[1]
		case "first_day":
			f.first = w[1]
		case "last_day":
			f.last = w[1]
		case "rules":
			var v uint64
			v, err = strconv.ParseUint(w[1], 10, 32)
			f.rules = uint32(v)
		case "sum":
			if len(w) != 4 {
				return nil, bad(n, line)
			}
			s := timeline.LossSum{Key: w[1]}
			s.Constrained = w[3] == baseName(true)
			if w[2] != "-" {
				s.Currency = w[2]
			}
			f.sums = append(f.sums, s)
		default:
			if len(f.sums) == 0 || !parseFigure(&f.sums[len(f.sums)-1], w) {
				return nil, bad(n, line)
			}
		}
		if err != nil {
			return nil, bad(n, line)
		}
	}
	return f, nil
}

func parseFigure(s *timeline.LossSum, w []string) bool {
	if w[0] != "in" && w[0] != "out" {
		for _, x := range figureFields {
			if x.name == w[0] {
				v, err := strconv.ParseInt(w[1], 10, 64)
				*x.at(s) = v
				return err == nil
			}
		}
		return false
	}
	for l := loss.LeafProduction; l < loss.NumLeaves; l++ {
		if l.Slug() != w[1] || len(w) < 5 {
			continue
		}
		var v [3]int64
		for i := range v {
			var err error
			if v[i], err = strconv.ParseInt(w[2+i], 10, 64); err != nil {
				return false
			}
		}
		a := timeline.LeafAmount{US: v[0], MM: v[1], Material: v[2]}
		if w[0] == "out" {
			s.Out[l] = a
			return len(w) == 5
		}
		s.In[l] = a
		var ok bool
		s.Priced[l], ok = new(big.Int).SetString(w[len(w)-1], 10)
		return ok && len(w) == 6
	}
	return false
}

// sumDays adds press-days up as the warehouse does.
func sumDays(days []timeline.PressDay) []timeline.LossSum {
	type key struct {
		press, currency string
		constrained     bool
	}
	at := map[key]int{}
	var out []timeline.LossSum
	for i := range days {
		d := timeline.LossSum{Key: days[i].Plant + "/" + days[i].Press, PressDays: 1, PressDay: days[i]}
		k := key{d.Key, d.Currency, d.Constrained}
		j, ok := at[k]
		if !ok {
			j = len(out)
			at[k] = j
			out = append(out, timeline.LossSum{Key: d.Key, PressDay: timeline.PressDay{Currency: d.Currency, Constrained: d.Constrained}})
		}
		s := &out[j]
		for _, x := range figureFields {
			*x.at(s) += *x.at(&d)
		}
		for l := range d.In {
			s.In[l].US, s.In[l].MM, s.In[l].Material = s.In[l].US+d.In[l].US, s.In[l].MM+d.In[l].MM, s.In[l].Material+d.In[l].Material
			s.Out[l].US, s.Out[l].MM, s.Out[l].Material = s.Out[l].US+d.Out[l].US, s.Out[l].MM+d.Out[l].MM, s.Out[l].Material+d.Out[l].Material
			if d.In[l].US != 0 {
				if s.Priced[l] == nil {
					s.Priced[l] = new(big.Int)
				}
				s.Priced[l].Add(s.Priced[l], new(big.Int).Mul(big.NewInt(d.In[l].US), big.NewInt(d.HourMicro)))
			}
		}
	}
	return out
}

// tree is the loss tree of the figures.
func (f *figures) tree() *pb.LossTree {
	t := newTreeSum()
	for i := range f.sums {
		t.addDays(&f.sums[i])
	}
	return t.tree("", 0)
}

// same says whether two sets hold the same numbers, whatever rules made them.
func (f *figures) same(o *figures) bool {
	x := *o
	x.rules = f.rules
	return bytes.Equal(f.text(), x.text())
}

// movedPresses are the presses whose planned time, production or rated time of
// good length differ: the totals behind OEE.
func movedPresses(a, b *figures) map[string]bool {
	type total struct{ pbt, apt, valuable, good, made int64 }
	sum := func(f *figures) map[string]total {
		out := map[string]total{}
		for i := range f.sums {
			s := &f.sums[i]
			t := out[s.Key]
			out[s.Key] = total{t.pbt + s.PBT, t.apt + s.APT, t.valuable + s.Valuable, t.good + s.Good, t.made + s.Made}
		}
		return out
	}
	x, y := sum(a), sum(b)
	out := map[string]bool{}
	for k := range x {
		if x[k] != y[k] {
			out[k] = true
		}
	}
	for k := range y {
		if x[k] != y[k] {
			out[k] = true
		}
	}
	return out
}
