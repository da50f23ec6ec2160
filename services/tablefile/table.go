// Package tablefile writes tables as files that other programs read: CSV, Parquet, an Arrow stream. Beside each stands a
// manifest that says what is in it, what it was asked with and what it was computed from.
//
// The same table gives the same bytes, so that two people can compare a SHA-256 instead of rows: nothing in a file or a
// manifest depends on a clock, a path or a map's order. The whole table is in memory.
package tablefile

import (
	"errors"
	"fmt"
	"reflect"
)

// Kind of the values of a column.
type Kind uint8

// Kinds. A missing value is an empty cell in CSV and a null elsewhere.
const (
	Text    Kind = iota + 1 // UTF-8
	Int                     // 64 bits
	Float                   // 64 bits
	Bool                    // true, false
	Day                     // local date, days since 1970-01-01; CSV: YYYY-MM-DD
	Instant                 // unix ms; CSV: RFC 3339 in UTC with milliseconds
)

var kindNames = map[Kind]string{Text: "text", Int: "int64", Float: "float64", Bool: "bool", Day: "date", Instant: "timestamp[ms, UTC]"}

// String is the kind's name as a manifest says it.
func (k Kind) String() string { return kindNames[k] }

// Column is one named column. Only the slice of its kind is used.
type Column struct {
	Name string // as the header says it; the unit is in the name: time_us
	Unit string // "us", "mm", "min", "EUR", "share"; empty for names and counts
	Doc  string // what it says, in a sentence
	Kind Kind

	Texts  []string
	Ints   []int64 // of Int, Day and Instant
	Floats []float64
	Bools  []bool
	Null   []bool // true: missing; nil: nothing is
}

func (c *Column) rows() int {
	switch c.Kind {
	case Text:
		return len(c.Texts)
	case Int, Day, Instant:
		return len(c.Ints)
	case Float:
		return len(c.Floats)
	case Bool:
		return len(c.Bools)
	}
	return 0
}

func (c *Column) null(i int) bool { return c.Null != nil && c.Null[i] }

// Table is columns of one length, in the order they are written.
type Table struct {
	Name    string
	Columns []Column
}

// Rows of the table.
func (t *Table) Rows() int {
	if len(t.Columns) == 0 {
		return 0
	}
	return t.Columns[0].rows()
}

// Check says why a table cannot be written: columns of different lengths, a name that is empty or stands twice.
func (t *Table) Check() error {
	if len(t.Columns) == 0 {
		return errors.New("a table without columns")
	}
	seen := map[string]bool{}
	for i := range t.Columns {
		c := &t.Columns[i]
		switch {
		case c.Name == "" || seen[c.Name]:
			return fmt.Errorf("column %d: the name %q is empty or stands twice", i+1, c.Name)
		case kindNames[c.Kind] == "":
			return fmt.Errorf("column %s has no kind", c.Name)
		case c.rows() != t.Rows():
			return fmt.Errorf("column %s has %d rows, the first has %d", c.Name, c.rows(), t.Rows())
		case c.Null != nil && len(c.Null) != c.rows():
			return fmt.Errorf("column %s has %d marks of missing values for %d rows", c.Name, len(c.Null), c.rows())
		}
		seen[c.Name] = true
	}
	return nil
}

// FromRows makes a table of structs: a column for each field, named by its tag col, with tags unit, kind ("day" or
// "instant" for an int64) and doc. Fields are string, int64, float64, bool, or a pointer to one, nil where missing.
// A struct that is not like that is a mistake in the program: it panics.
func FromRows[T any](name string, rows []T) *Table {
	t := &Table{Name: name}
	of := reflect.TypeFor[T]()
	for i := range of.NumField() {
		f := of.Field(i)
		c := Column{Name: f.Tag.Get("col"), Unit: f.Tag.Get("unit"), Doc: f.Tag.Get("doc")}
		kind, optional := f.Type, f.Type.Kind() == reflect.Pointer
		if optional {
			kind = f.Type.Elem()
			c.Null = make([]bool, 0, len(rows))
		}
		switch kind.Kind() {
		case reflect.String:
			c.Kind, c.Texts = Text, make([]string, 0, len(rows))
		case reflect.Int64:
			c.Kind, c.Ints = Int, make([]int64, 0, len(rows))
			switch f.Tag.Get("kind") {
			case "day":
				c.Kind = Day
			case "instant":
				c.Kind = Instant
			}
		case reflect.Float64:
			c.Kind, c.Floats = Float, make([]float64, 0, len(rows))
		case reflect.Bool:
			c.Kind, c.Bools = Bool, make([]bool, 0, len(rows))
		default:
			panic("tablefile: " + of.String() + "." + f.Name + " is of no kind of column")
		}
		for r := range rows {
			v := reflect.ValueOf(&rows[r]).Elem().Field(i)
			if optional {
				c.Null = append(c.Null, v.IsNil())
				if v.IsNil() {
					v = reflect.Zero(kind)
				} else {
					v = v.Elem()
				}
			}
			switch kind.Kind() {
			case reflect.String:
				c.Texts = append(c.Texts, v.String())
			case reflect.Int64:
				c.Ints = append(c.Ints, v.Int())
			case reflect.Float64:
				c.Floats = append(c.Floats, v.Float())
			case reflect.Bool:
				c.Bools = append(c.Bools, v.Bool())
			}
		}
		t.Columns = append(t.Columns, c)
	}
	if err := t.Check(); err != nil {
		panic("tablefile: " + of.String() + ": " + err.Error())
	}
	return t
}
