package method

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/downweb/downweb/analytics/stats"
)

// modest stands under every answer made from a record.
const modest = "What goes with the exposure in this record. Where nobody drew lots for the exposure, an unmeasured driver of both can make or hide it."

// job is one run: the request with its defaults filled in, the table in order
// of group and time, and the Result that grows.
type job struct {
	info  Info
	roles Roles
	opt   Options
	table *Table
	order []int // table rows by group, then time, then as they stand
	out   Result

	levels []term // controls beside those of the roles
}

func input(format string, a ...any) error {
	return fmt.Errorf("%w: %s", stats.ErrInput, fmt.Sprintf(format, a...))
}

func tooFew(format string, a ...any) error {
	return fmt.Errorf("%w: %s", stats.ErrTooFew, fmt.Sprintf(format, a...))
}

// given lists which roles of a request are taken.
func (r Roles) given() map[string]bool {
	return map[string]bool{
		"outcome": r.Outcome != "", "exposure": len(r.Exposure) > 0, "controls": len(r.Controls) > 0,
		"group": r.Group != "", "cell": r.Cell != "", "cluster": r.Cluster != "", "time": r.Time != "",
		"offset": r.Offset != "", "event": r.Event != "",
	}
}

func newJob(t *Table, q Request, m Info) (*job, error) {
	if err := t.check(); err != nil {
		return nil, err
	}
	given := q.Roles.given()
	for _, r := range m.Needs {
		if !given[r] {
			return nil, input("needs a column for %s", r)
		}
	}
	for r, is := range given {
		if is && !slices.Contains(m.Needs, r) && !slices.Contains(m.Takes, r) {
			return nil, input("takes no column for %s; it takes %q", r, append(slices.Clone(m.Needs), m.Takes...))
		}
	}
	if given["cell"] && !given["group"] {
		return nil, input("a cell needs a group")
	}
	j := &job{info: m, roles: q.Roles, table: t}
	var err error
	if j.opt, err = m.defaults(q.Options, q.Roles); err != nil {
		return nil, err
	}
	if err := j.sort(); err != nil {
		return nil, err
	}
	j.out = Result{
		Method: m.Name, Title: m.Title, Roles: q.Roles, Options: j.opt, Estimates: []Estimate{},
		Formula: m.Formula, Assumptions: slices.Clone(m.Assumptions), Sources: slices.Clone(m.Sources),
	}
	return j, nil
}

// sort orders rows by group and time.
func (j *job) sort() error {
	n := j.table.Rows()
	j.order = make([]int, n)
	for i := range j.order {
		j.order[i] = i
	}
	group := make([]int, n)
	if j.roles.Group != "" {
		_, g, err := j.codes(j.roles.Group)
		if err != nil {
			return err
		}
		group = g
	}
	compare := func(a, b int) int { return 0 }
	if j.roles.Time != "" {
		c, err := j.table.column(j.roles.Time)
		if err != nil {
			return err
		}
		if compare = func(a, b int) int { return cmp.Compare(c.Numbers[a], c.Numbers[b]) }; c.Text != nil {
			compare = func(a, b int) int { return cmp.Compare(c.Text[a], c.Text[b]) }
		}
	}
	slices.SortStableFunc(j.order, func(a, b int) int { return cmp.Or(cmp.Compare(group[a], group[b]), compare(a, b)) })
	for i := 1; i < n && j.inOrder(); i++ {
		a, b := j.order[i-1], j.order[i]
		if j.roles.Time != "" && group[a] == group[b] && compare(a, b) == 0 {
			return input("two rows of one group have the same %s (rows %d and %d)", j.roles.Time, a+1, b+1)
		}
	}
	return nil
}

// inOrder says whether the method looks at neighbouring rows.
func (j *job) inOrder() bool {
	return j.opt.Lags > 0 || j.opt.Leads > 0 || slices.Contains([]string{"circular-shift", "block-permutation"}, j.info.Name)
}

// numbers returns a column of numbers in order.
func (j *job) numbers(name string) ([]float64, error) {
	c, err := j.table.column(name)
	if err != nil {
		return nil, err
	}
	if c.Text != nil {
		return nil, input("column %s must hold numbers; it has text such as %q", name, firstText(c.Text))
	}
	out := make([]float64, len(j.order))
	for i, r := range j.order {
		out[i] = c.Numbers[r]
	}
	return out, nil
}

func firstText(x []string) string {
	for _, s := range x {
		if _, err := strconv.ParseFloat(s, 64); s != "" && err != nil {
			return s
		}
	}
	return ""
}

// codes returns a column as whole numbers 0…, −1 where missing, in order, with
// the sorted values they stand for.
func (j *job) codes(name string) (values []string, code []int, err error) {
	c, err := j.table.column(name)
	if err != nil {
		return nil, nil, err
	}
	text := c.Text
	if text == nil {
		text = make([]string, len(c.Numbers))
		for i, v := range c.Numbers {
			if !math.IsNaN(v) {
				text[i] = strconv.FormatFloat(v, 'g', -1, 64)
			}
		}
	}
	values = slices.Clone(text)
	slices.Sort(values)
	values = slices.Compact(values)
	values = slices.DeleteFunc(values, func(s string) bool { return s == "" })
	at := map[string]int{"": -1}
	for i, v := range values {
		at[v] = i
	}
	code = make([]int, len(j.order))
	for i, r := range j.order {
		code[i] = at[text[r]]
	}
	return values, code, nil
}

// term is a column of the model, rows in order, NaN where missing.
type term struct {
	name     string
	lag      *int
	from, to *float64
	v        []float64
}

// terms makes the columns of a role: numbers as they are, text as one 0/1
// column per value but the first.
func (j *job) terms(columns []string) (out []term, err error) {
	for _, name := range columns {
		c, err := j.table.column(name)
		if err != nil {
			return nil, err
		}
		if c.Text == nil {
			v, err := j.numbers(name)
			if err != nil {
				return nil, err
			}
			out = append(out, term{name: name, v: v})
			continue
		}
		levels, err := j.levelTerms(name)
		if err != nil {
			return nil, err
		}
		out = append(out, levels...)
	}
	return out, nil
}

// levelTerms makes one 0/1 column per value of a column but the first.
func (j *job) levelTerms(name string) (out []term, err error) {
	values, code, err := j.codes(name)
	if err != nil {
		return nil, err
	}
	if len(values) > 200 {
		return nil, input("column %s has %d different values, 200 at most", name, len(values))
	}
	for k := 1; k < len(values); k++ {
		t := term{name: name + " = " + values[k], v: make([]float64, len(code))}
		for i, x := range code {
			switch x {
			case -1:
				t.v[i] = math.NaN()
			case k:
				t.v[i] = 1
			}
		}
		out = append(out, t)
	}
	return out, nil
}

// design is what a model is fitted to: complete rows only, in order.
type design struct {
	y, offset, trend     []float64
	terms, controls      []term
	group, cell, cluster []int // nil where not taken; groups are contiguous
	start                []int // first row of each group, the end last; one group when none is taken
	use                  []bool
	kept                 []int // places in order
}

// design loads outcome, controls and units, and keeps the rows in which all of
// them and the given terms are present.
func (j *job) design(terms []term) (*design, error) {
	d := &design{terms: slices.Clone(terms)}
	var err error
	if d.y, err = j.numbers(j.roles.Outcome); err != nil {
		return nil, err
	}
	if d.controls, err = j.terms(j.roles.Controls); err != nil {
		return nil, err
	}
	d.controls = append(d.controls, j.levels...)
	n := len(j.order)
	reason := make([]string, n)
	drop := func(why string, bad func(i int) bool) {
		for i := range n {
			if reason[i] == "" && bad(i) {
				reason[i] = why
			}
		}
	}
	missing := func(name string, v []float64) {
		drop(name+" is missing", func(i int) bool { return math.IsNaN(v[i]) })
	}
	missing(j.roles.Outcome, d.y)
	for _, t := range slices.Concat(d.terms, d.controls) {
		if t.lag != nil && *t.lag > 0 {
			drop(fmt.Sprintf("%s is missing, or the row is among the first %d of its group", t.name, j.opt.Lags),
				func(i int) bool { return math.IsNaN(t.v[i]) })
			continue
		}
		missing(t.name, t.v)
	}
	if j.roles.Offset != "" {
		v, err := j.numbers(j.roles.Offset)
		if err != nil {
			return nil, err
		}
		missing(j.roles.Offset, v)
		drop(j.roles.Offset+" is not above 0", func(i int) bool { return !(v[i] > 0) })
		d.offset = make([]float64, n)
		for i, x := range v {
			d.offset[i] = math.Log(max(x, math.SmallestNonzeroFloat64))
		}
	}
	if j.opt.Trend {
		if j.roles.Time == "" || j.roles.Group == "" {
			return nil, input("a trend needs columns for time and group")
		}
		if d.trend, err = j.numbers(j.roles.Time); err != nil {
			return nil, err
		}
		missing(j.roles.Time, d.trend)
	}
	codes := map[string][]int{}
	for _, name := range []string{j.roles.Group, j.roles.Cell, j.roles.Cluster} {
		if name == "" || codes[name] != nil {
			continue
		}
		if _, codes[name], err = j.codes(name); err != nil {
			return nil, err
		}
		drop(name+" is missing", func(i int) bool { return codes[name][i] < 0 })
	}
	counts := map[string]int{}
	for i, why := range reason {
		if why == "" {
			d.kept = append(d.kept, i)
		} else {
			counts[why]++
		}
	}
	j.out.LeftOut = nil
	for why, n := range counts {
		j.out.LeftOut = append(j.out.LeftOut, LeftOut{why, n})
	}
	slices.SortFunc(j.out.LeftOut, func(a, b LeftOut) int { return cmp.Compare(a.Reason, b.Reason) })
	if len(d.kept) == 0 {
		return nil, tooFew("no row has every column")
	}
	d.y, d.offset, d.trend = pick(d.y, d.kept), pick(d.offset, d.kept), pick(d.trend, d.kept)
	for _, ts := range [][]term{d.terms, d.controls} {
		for i := range ts {
			ts[i].v = pick(ts[i].v, d.kept)
		}
	}
	d.group = renumber(codes[j.roles.Group], d.kept)
	d.cell = renumber(codes[j.roles.Cell], d.kept)
	d.cluster = renumber(codes[j.roles.Cluster], d.kept)
	d.start = []int{0}
	for i := 1; i < len(d.kept); i++ {
		if d.group != nil && d.group[i] != d.group[i-1] {
			d.start = append(d.start, i)
		}
	}
	d.start = append(d.start, len(d.kept))
	if j.out.Rows = len(d.kept); d.group != nil {
		j.out.Groups = len(d.start) - 1
	}
	return d, nil
}

func pick(v []float64, at []int) []float64 {
	if v == nil {
		return nil
	}
	out := make([]float64, len(at))
	for k, i := range at {
		out[k] = v[i]
	}
	return out
}

// renumber gives the values met 0, 1, … in order of first sight.
func renumber(code, at []int) []int {
	if code == nil {
		return nil
	}
	id := map[int]int{}
	out := make([]int, len(at))
	for k, i := range at {
		if _, ok := id[code[i]]; !ok {
			id[code[i]] = len(id)
		}
		out[k] = id[code[i]]
	}
	return out
}

func (j *job) note(format string, a ...any) {
	s := fmt.Sprintf(format, a...)
	if !slices.Contains(j.out.Notes, s) {
		j.out.Notes = append(j.out.Notes, s)
	}
}

func (j *job) figure(name string, v float64) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		j.out.Figures = append(j.out.Figures, Figure{name, v})
	}
}

// number is nil for what JSON cannot hold.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func whole(v int) *int { return &v }

// finish adds what every Result has and checks its promise.
func (j *job) finish() error {
	r := &j.out
	if j.info.Name != "adjust" {
		j.note(modest)
	}
	var p []float64
	for i := range r.Estimates {
		e := &r.Estimates[i]
		if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
			return fmt.Errorf("%w: %s has no finite value", stats.ErrNotConverged, e.Term)
		}
		if e.P != nil {
			p = append(p, *e.P)
		}
	}
	if len(p) < 2 || len(p) < len(r.Estimates) {
		return nil
	}
	return adjust(r.Estimates, p)
}

// adjust fills the corrections for the number of estimates.
func adjust(es []Estimate, p []float64) error {
	holm, err := stats.Holm(p)
	if err != nil {
		return err
	}
	bh, err := stats.BenjaminiHochberg(p)
	if err != nil {
		return err
	}
	by, err := stats.BenjaminiYekutieli(p)
	if err != nil {
		return err
	}
	for i := range es {
		if es[i].Adjusted == nil {
			es[i].Adjusted = &Adjusted{}
		}
		a := es[i].Adjusted
		a.Holm, a.BH, a.BY = holm[i], bh[i], by[i]
	}
	return nil
}
