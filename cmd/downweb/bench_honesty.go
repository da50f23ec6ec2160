package main

import (
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/services/honesty"
)

// honestyPlan is what `downweb bench honesty` does.
type honestyPlan struct {
	Rows   []string
	Fleets int
	Piece  int
	Book   string
	Table  string
}

func (a *app) benchHonesty() *cobra.Command {
	plan := honestyPlan{}
	c := &cobra.Command{Use: "honesty", Short: "how often the default study is right about fleets whose truth is known", Args: exactly(0),
		Long: "Asks the default study about simulated fleets and counts how often its interval holds the truth and its test calls\n" +
			"what is not there. The counts are kept in a book after every piece, so that it can be stopped and taken up again;\n" +
			"fleets are numbered and seeded by their number. The table is written from the book.",
		Example: "  downweb bench honesty --fleets 50 --book b.json\n  nice downweb bench honesty --fleets 2000 --book honesty.json --table HONESTY.md"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if plan.Fleets < honesty.FirstFleets || plan.Piece < honesty.FirstFleets {
			return usagef("--fleets and --piece must be at least %d", honesty.FirstFleets)
		}
		rows := honesty.Rows()
		var names []string
		for i := range rows {
			names = append(names, rows[i].Name)
		}
		for _, n := range plan.Rows {
			if !slices.Contains(names, n) {
				return usagef("--rows: %q is none of %s", n, strings.Join(names, ", "))
			}
		}
		book := &honesty.Book{Method: study.Method, Rows: map[string]*honesty.Tally{}, First: map[string]*honesty.Tally{}}
		if plan.Book != "" {
			var err error
			if book, err = honesty.Open(plan.Book, study.Method); err != nil {
				return err
			}
		}
		bar := a.progress("honesty")
		defer bar.done()
		if err := plan.run(c, book, rows, func(done, total int) { bar.step(int64(done), int64(total)) }); err != nil {
			return err
		}
		command := fmt.Sprintf("downweb bench honesty --fleets %d --book honesty.json --table HONESTY.md", plan.Fleets)
		if plan.Table != "" {
			var text strings.Builder
			if err := book.Table(&text, rows, command); err != nil {
				return err
			}
			return os.WriteFile(plan.Table, []byte(text.String()), 0o644)
		}
		return book.Table(a.out, rows, command)
	}
	f := c.Flags()
	f.StringSliceVar(&plan.Rows, "rows", nil, "rows to run; none: all")
	f.IntVar(&plan.Fleets, "fleets", 2000, "fleets of each row, those of earlier runs included")
	f.IntVar(&plan.Piece, "piece", 50, "fleets between two writings of the book")
	f.StringVar(&plan.Book, "book", "", "file that keeps the counts")
	f.StringVar(&plan.Table, "table", "", "write the table here instead of to stdout")
	return c
}

// run brings every row to the wanted number of fleets, a piece of each row at a time.
func (p *honestyPlan) run(c *cobra.Command, book *honesty.Book, rows []honesty.Row, tell func(done, total int)) error {
	wanted := func(r *honesty.Row) bool { return len(p.Rows) == 0 || slices.Contains(p.Rows, r.Name) }
	have := func(r *honesty.Row) int {
		if t := book.Rows[r.Name]; t != nil {
			return t.Fleets
		}
		return 0
	}
	for {
		done, total, least := 0, 0, -1
		for i := range rows {
			if !wanted(&rows[i]) {
				continue
			}
			n := min(have(&rows[i]), p.Fleets)
			done, total = done+n, total+p.Fleets
			if n < p.Fleets && (least < 0 || n < have(&rows[least])) {
				least = i
			}
		}
		tell(done, total)
		if least < 0 {
			return nil
		}
		if err := c.Context().Err(); err != nil {
			return err
		}
		if err := book.Add(&rows[least], min(p.Piece, p.Fleets-have(&rows[least]))); err != nil {
			return err
		}
		if p.Book != "" {
			if err := book.Save(p.Book); err != nil {
				return err
			}
		}
	}
}
