package main

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strconv"
	"strings"
)

//go:embed report.html
var reportPage string

var reportTemplate = template.Must(template.New("report").Funcs(template.FuncMap{
	"right": func(head string) bool { return strings.HasPrefix(head, ">") },
	"head":  func(head string) string { return strings.TrimPrefix(head, ">") },
	"at":    func(t reportTable, i int) bool { return i < len(t.Heads) && strings.HasPrefix(t.Heads[i], ">") },
	"width": func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) + "%" },
}).Parse(reportPage))

// html writes one page that asks nobody for anything.
func (r *weekReport) html(w io.Writer) error {
	if err := reportTemplate.Execute(w, r); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

// text writes the digest: the answer, what changed, the five largest losses, presses, what was missed, and the cautions.
func (r *weekReport) text(w io.Writer) {
	fmt.Fprintf(w, "%s, week %s (%s, %s)\n\n", r.Name, r.Week, r.Days, r.Zone)
	wrapped(w, "", "  ", r.Sentence)
	for _, c := range r.Change {
		wrapped(w, "", "  ", c)
	}
	if r.Known != "" {
		wrapped(w, "", "  ", r.Known)
	}
	section := func(title string, t reportTable, keep func(reportRow) bool) {
		g := newGrid(t.Heads...)
		n := 0
		for _, x := range t.Rows {
			if keep(x) {
				g.row(x.Cells...)
				n++
			}
		}
		if n == 0 {
			return
		}
		fmt.Fprintf(w, "\n%s\n\n", title)
		g.print(w)
	}
	all := func(reportRow) bool { return true }
	section("The largest losses", r.largest(5), all)
	section("Presses", r.Presses, all)
	section("Duties missed or skipped", r.Duties, func(x reportRow) bool { return !x.Sum && (x.Cells[3] != "0" || x.Cells[4] != "0") })
	fmt.Fprintln(w)
	for _, list := range [][]string{r.Restated, r.Cautions, r.Pins} {
		for _, line := range list {
			wrapped(w, "", "  ", line)
		}
	}
}

// largest keeps the n longest bars of the ladder.
func (r *weekReport) largest(n int) reportTable {
	t := r.Losses
	t.Rows = nil
	taken := map[int]bool{}
	for range n {
		best := -1
		for i, x := range r.Losses.Rows {
			if !x.Sum && x.Bar > 0 && !taken[i] && (best < 0 || x.Bar > r.Losses.Rows[best].Bar) {
				best = i
			}
		}
		if best < 0 {
			break
		}
		taken[best] = true
		t.Rows = append(t.Rows, r.Losses.Rows[best])
	}
	return t
}
