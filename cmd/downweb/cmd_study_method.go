package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/analytics/method"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/study"
)

func (a *app) studyMethods() *cobra.Command {
	c := &cobra.Command{Use: "methods [NAME]", Short: "statistical methods for a table: formula, assumptions, source", Args: cobra.MaximumNArgs(1),
		Example: "  downweb study methods\n  downweb study methods spearman"}
	c.RunE = func(_ *cobra.Command, args []string) error {
		list := method.Methods()
		if len(args) == 1 {
			m, ok := method.Lookup(args[0])
			if !ok {
				return usagef("there is no method %q: downweb study methods lists them", args[0])
			}
			list = []method.Info{m}
		}
		if a.format == "json" {
			e := json.NewEncoder(a.out)
			e.SetIndent("", "  ")
			return e.Encode(list)
		}
		if len(args) == 1 {
			printMethod(a.out, &list[0])
			return nil
		}
		g := newGrid("method", "what it gives", "needs")
		for _, m := range list {
			g.row(m.Name, clip(m.Title, 60), strings.Join(m.Needs, ", "))
		}
		g.print(a.out)
		fmt.Fprintln(a.out, "Formula, assumptions and source of one: downweb study methods NAME")
		return nil
	}
	a.outputFlag(c, "table", "json")
	return c
}

func printMethod(w io.Writer, m *method.Info) {
	wrapped(w, "", "  ", m.Name+": "+m.Title)
	for _, p := range []struct {
		word string
		list []string
	}{{"Needs", m.Needs}, {"Takes", m.Takes}, {"Options", m.Options}} {
		if len(p.list) > 0 {
			wrapped(w, p.word+": ", "  ", strings.Join(p.list, ", "))
		}
	}
	wrapped(w, "Formula: ", "  ", m.Formula)
	for _, s := range m.Assumptions {
		wrapped(w, "Assumes: ", "  ", s)
	}
	for _, s := range m.Sources {
		wrapped(w, "Source: ", "  ", s)
	}
}

func (a *app) studyMethod() *cobra.Command {
	var q method.Request
	file, rows := "", ""
	c := &cobra.Command{Use: "method NAME", Short: "run a statistical method on a table, here", Args: exactly(1),
		Long: "Run a named statistical method on a CSV file with a header line, here and without any server. The columns get roles:\n" +
			"outcome, exposure, controls and so on; \"downweb study methods NAME\" says which a method needs and takes.",
		Example: "  downweb study method spearman --csv runs.csv --outcome lost --exposure km_since_clean --group machine\n" +
			"  downweb study method poisson --csv runs.csv --outcome lost --exposure missed --control jobs --group machine --offset km -o json"}
	c.RunE = func(c *cobra.Command, args []string) error {
		q.Method = args[0]
		if _, ok := method.Lookup(q.Method); !ok {
			return usagef("there is no method %q: downweb study methods lists them", q.Method)
		}
		if (file == "") == (rows == "") {
			return usagef("give the table: --csv FILE, or --export FILE for one that \"downweb study export\" wrote")
		}
		text, err := a.readFile(file + rows)
		if err != nil {
			return err
		}
		var t *method.Table
		if file != "" {
			t, err = method.ReadCSV(bytes.NewReader(text))
		} else {
			var ds *study.DataSet
			if ds, err = study.ReadCSV(bytes.NewReader(text)); err == nil {
				t = method.FromDataSet(ds)
			}
		}
		if err != nil {
			return usagef("%s: %w", file+rows, err)
		}
		r, err := method.Run(t, q)
		if errors.Is(err, stats.ErrInput) {
			return usagef("%s", err)
		}
		if err != nil {
			return err
		}
		if a.format == "json" {
			e := json.NewEncoder(a.out)
			e.SetIndent("", "  ")
			return e.Encode(r)
		}
		printMethodResult(a.out, r)
		return nil
	}
	f := c.Flags()
	f.StringVar(&file, "csv", "", "the table; - for stdin")
	f.StringVar(&rows, "export", "", "the table: a study's data set, in columns of meters, km, minutes, 0 and 1")
	f.StringVar(&q.Roles.Outcome, "outcome", "", "column that is compared")
	f.StringSliceVar(&q.Roles.Exposure, "exposure", nil, "columns that it is compared over")
	f.StringSliceVar(&q.Roles.Controls, "control", nil, "columns held fixed")
	f.StringVar(&q.Roles.Group, "group", "", "column of the unit whose level is taken out, e.g. the press")
	f.StringVar(&q.Roles.Cell, "cell", "", "column of a second unit whose level is taken out")
	f.StringVar(&q.Roles.Cluster, "cluster", "", "column of the unit whose rows may depend on each other (default: the group)")
	f.StringVar(&q.Roles.Time, "time", "", "column that orders the rows of a group")
	f.StringVar(&q.Roles.Offset, "offset", "", "column of the length or time that the outcome was counted over")
	f.StringVar(&q.Roles.Event, "event", "", "column that is 1 where a life ended in a failure")
	o := &q.Options
	f.Float64Var(&o.Level, "level", 0, "level of the intervals (default 0.95)")
	f.StringVar(&o.Model, "model", "", "linear or poisson")
	f.StringVar(&o.Correction, "correction", "", "CR0, CR1, CR2 or CR3; poisson also CR2-power")
	f.BoolVar(&o.Trend, "trend", false, "take a slope on time out of each group")
	f.IntVar(&o.Lags, "lags", 0, "lags, rows of a group")
	f.IntVar(&o.Leads, "leads", 0, "rows before an event")
	f.IntVar(&o.Washout, "washout", 0, "rows without exposure before an event")
	f.StringVar(&o.Align, "align", "", "onset or end")
	f.IntVar(&o.Draws, "draws", 0, "random draws (default 9999)")
	f.Uint64Var(&o.Seed, "seed", 0, "seed of the draws (default 1)")
	f.IntVar(&o.BlockLength, "block-length", 0, "rows per block")
	f.IntVar(&o.Bins, "bins", 0, "bins above the lowest dose")
	f.StringVar(&o.Weights, "weights", "", "rademacher or webb")
	f.BoolVar(&o.Rank, "rank", false, "of ranks")
	a.outputFlag(c, "table", "json")
	return c
}

func printMethodResult(w io.Writer, r *method.Result) {
	wrapped(w, "", "  ", r.Method+": "+r.Title)
	text := fmt.Sprintf("%s rows", grouped(int64(r.Rows)))
	if r.Groups > 0 {
		text += fmt.Sprintf(", %d groups", r.Groups)
	}
	if r.Clusters > 0 {
		text += fmt.Sprintf(", %d clusters", r.Clusters)
	}
	fmt.Fprintln(w, text)
	for _, l := range r.LeftOut {
		wrapped(w, "", "  ", fmt.Sprintf("%d rows left out: %s", l.Rows, l.Reason))
	}
	fmt.Fprintln(w)
	value := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return strconv.FormatFloat(*v, 'g', 5, 64)
	}
	g := newGrid("term", "scale", ">value", ">from", ">to", ">p", ">p BH")
	for _, e := range append(r.Estimates, r.Sums...) {
		term := e.Term
		if e.Lag != nil {
			term += " lag " + strconv.Itoa(*e.Lag)
		}
		if e.From != nil && e.To != nil {
			term += " " + value(e.From) + "…" + value(e.To)
		}
		p, adjusted := "-", "-"
		if e.P != nil {
			p = pValue(*e.P)
		}
		if e.Adjusted != nil {
			adjusted = pValue(e.Adjusted.BH)
		}
		g.row(clip(term, 26), clip(e.Scale, 16), strconv.FormatFloat(e.Value, 'g', 5, 64), value(e.Low), value(e.High), p, adjusted)
	}
	g.print(w)
	for _, t := range r.Tests {
		wrapped(w, "Test: ", "  ", fmt.Sprintf("%s: statistic %.4g, p %s %s", t.Name, t.Statistic, pValue(t.P), t.Note))
	}
	for _, f := range r.Figures {
		fmt.Fprintf(w, "%s: %.5g\n", f.Name, f.Value)
	}
	fmt.Fprintln(w)
	wrapped(w, "Formula: ", "  ", r.Formula)
	for _, s := range r.Assumptions {
		wrapped(w, "Assumes: ", "  ", s)
	}
	for _, s := range r.Notes {
		wrapped(w, "! ", "  ", s)
	}
	for _, s := range r.Sources {
		wrapped(w, "Source: ", "  ", s)
	}
	wrapped(w, "! ", "  ", safetyLine)
}
