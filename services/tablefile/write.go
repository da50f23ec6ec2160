package tablefile

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"
)

// Format of a file.
type Format string

// Formats.
const (
	CSV     Format = "csv"     // RFC 4180 with a header line, line ends of one LF
	Parquet Format = "parquet" // Zstandard, one row group
	Arrow   Format = "arrow"   // Arrow IPC stream
)

// Write writes the whole table.
func Write(w io.Writer, f Format, t *Table) error {
	if err := t.Check(); err != nil {
		return fmt.Errorf("write %s: %w", f, err)
	}
	var err error
	switch f {
	case CSV:
		err = writeCSV(w, t)
	case Parquet:
		err = writeParquet(w, t)
	case Arrow:
		err = writeArrow(w, t)
	default:
		err = fmt.Errorf("no such format")
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", f, err)
	}
	return nil
}

// InstantLayout is how CSV writes instants.
const InstantLayout = "2006-01-02T15:04:05.000Z"

func (c *Column) text(i int) string {
	if c.null(i) {
		return ""
	}
	switch c.Kind {
	case Int:
		return strconv.FormatInt(c.Ints[i], 10)
	case Day:
		return time.Unix(86400*c.Ints[i], 0).UTC().Format(time.DateOnly)
	case Instant:
		return time.UnixMilli(c.Ints[i]).UTC().Format(InstantLayout)
	case Float:
		return strconv.FormatFloat(c.Floats[i], 'g', -1, 64)
	case Bool:
		return strconv.FormatBool(c.Bools[i])
	}
	return c.Texts[i]
}

func writeCSV(w io.Writer, t *Table) error {
	out := csv.NewWriter(w)
	line := make([]string, len(t.Columns))
	for i := range t.Columns {
		line[i] = t.Columns[i].Name
	}
	if err := out.Write(line); err != nil {
		return err
	}
	for r := range t.Rows() {
		for i := range t.Columns {
			line[i] = t.Columns[i].text(r)
		}
		if err := out.Write(line); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// inOrder is a group of fields in the order of their columns; the library's own sorts them by name.
type inOrder struct {
	parquet.Group
	names []string
}

func (g inOrder) Fields() []parquet.Field {
	fields := g.Group.Fields()
	slices.SortFunc(fields, func(a, b parquet.Field) int {
		return slices.Index(g.names, a.Name()) - slices.Index(g.names, b.Name())
	})
	return fields
}

func (c *Column) parquetNode() parquet.Node {
	var n parquet.Node
	switch c.Kind {
	case Text:
		n = parquet.String()
	case Int:
		n = parquet.Leaf(parquet.Int64Type)
	case Day:
		n = parquet.Date()
	case Instant:
		n = parquet.Timestamp(parquet.Millisecond)
	case Float:
		n = parquet.Leaf(parquet.DoubleType)
	default:
		n = parquet.Leaf(parquet.BooleanType)
	}
	if c.Null != nil {
		return parquet.Optional(n)
	}
	return parquet.Required(n)
}

func (c *Column) parquetValue(i int) parquet.Value {
	if c.null(i) {
		return parquet.NullValue()
	}
	switch c.Kind {
	case Int, Instant:
		return parquet.Int64Value(c.Ints[i])
	case Day:
		return parquet.Int32Value(int32(c.Ints[i]))
	case Float:
		return parquet.DoubleValue(c.Floats[i])
	case Bool:
		return parquet.BooleanValue(c.Bools[i])
	}
	return parquet.ByteArrayValue([]byte(c.Texts[i]))
}

// writeParquet writes one row group, whatever the number of rows, under a fixed name of the writer.
func writeParquet(w io.Writer, t *Table) error {
	root := inOrder{Group: parquet.Group{}}
	options := []parquet.WriterOption{parquet.CreatedBy("downweb", "1", "0"), parquet.Compression(&parquet.Zstd)}
	for i := range t.Columns {
		c := &t.Columns[i]
		root.Group[c.Name] = c.parquetNode()
		root.names = append(root.names, c.Name)
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit:"+c.Name, c.Unit))
		}
	}
	out := parquet.NewGenericWriter[any](w, append(options, parquet.NewSchema("table", root))...)
	rows := make([]parquet.Row, 0, 1024)
	for r := range t.Rows() {
		row := make(parquet.Row, len(t.Columns))
		for i := range t.Columns {
			c := &t.Columns[i]
			level := 0
			if c.Null != nil && !c.null(r) {
				level = 1
			}
			row[i] = c.parquetValue(r).Level(0, level, i)
		}
		if rows = append(rows, row); len(rows) == cap(rows) {
			if _, err := out.WriteRows(rows); err != nil {
				return err
			}
			rows = rows[:0]
		}
	}
	if _, err := out.WriteRows(rows); err != nil {
		return err
	}
	return out.Close()
}
