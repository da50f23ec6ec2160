package method

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"github.com/downweb/downweb/analytics/stats"
)

// Column is one column of a table: numbers (NaN is missing) or text ("" is
// missing), the other slice being nil.
type Column struct {
	Name    string
	Numbers []float64
	Text    []string
}

// Table is columns of one length, each name once.
type Table struct{ Columns []Column }

// Rows is the number of rows.
func (t *Table) Rows() int {
	if len(t.Columns) == 0 {
		return 0
	}
	return max(len(t.Columns[0].Numbers), len(t.Columns[0].Text))
}

// Names lists the columns in order.
func (t *Table) Names() (out []string) {
	for _, c := range t.Columns {
		out = append(out, c.Name)
	}
	return out
}

func (t *Table) check() error {
	seen := map[string]bool{}
	for _, c := range t.Columns {
		switch n := max(len(c.Numbers), len(c.Text)); {
		case c.Name == "" || seen[c.Name]:
			return fmt.Errorf("%w: a column's name %q is empty or repeated", stats.ErrInput, c.Name)
		case c.Numbers != nil && c.Text != nil:
			return fmt.Errorf("%w: column %s holds numbers and text", stats.ErrInput, c.Name)
		case n != t.Rows():
			return fmt.Errorf("%w: column %s has %d rows, the first one %d", stats.ErrInput, c.Name, n, t.Rows())
		}
		for i, v := range c.Numbers {
			if math.IsInf(v, 0) {
				return fmt.Errorf("%w: column %s, row %d is infinite", stats.ErrInput, c.Name, i+1)
			}
		}
		seen[c.Name] = true
	}
	if t.Rows() == 0 {
		return fmt.Errorf("%w: the table has no rows", stats.ErrTooFew)
	}
	return nil
}

func (t *Table) column(name string) (*Column, error) {
	for i := range t.Columns {
		if t.Columns[i].Name == name {
			return &t.Columns[i], nil
		}
	}
	return nil, fmt.Errorf("%w: the table has no column %q; it has %q", stats.ErrInput, name, t.Names())
}

// missing cells of a CSV file.
var missing = []string{"", "NA", "NaN", "null"}

// ReadCSV reads a table with a header line. A column whose cells are all
// numbers or missing (empty, NA, NaN, null) is a column of numbers, any other
// one is text.
func ReadCSV(r io.Reader) (*Table, error) {
	all, err := csv.NewReader(r).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", stats.ErrInput, err)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%w: no header line", stats.ErrInput)
	}
	t := &Table{Columns: make([]Column, len(all[0]))}
	rows := all[1:]
	for j, name := range all[0] {
		numbers := make([]float64, len(rows))
		isText := false
		for i, rec := range rows {
			if numbers[i] = math.NaN(); slices.Contains(missing, rec[j]) {
				continue
			}
			if numbers[i], err = strconv.ParseFloat(rec[j], 64); err != nil {
				isText = true
				break
			}
		}
		c := Column{Name: name, Numbers: numbers}
		if isText {
			c = Column{Name: name, Text: make([]string, len(rows))}
			for i, rec := range rows {
				if !slices.Contains(missing, rec[j]) {
					c.Text[i] = rec[j]
				}
			}
		}
		t.Columns[j] = c
	}
	return t, t.check()
}
