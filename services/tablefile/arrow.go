package tablefile

import (
	"io"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/ipc"
	"github.com/apache/arrow-go/v18/arrow/memory"
)

// arrowRows is how many rows one record batch holds at most.
const arrowRows = 1 << 16

func (c *Column) arrowField() arrow.Field {
	f := arrow.Field{Name: c.Name, Nullable: c.Null != nil}
	switch c.Kind {
	case Text:
		f.Type = arrow.BinaryTypes.String
	case Int:
		f.Type = arrow.PrimitiveTypes.Int64
	case Day:
		f.Type = arrow.FixedWidthTypes.Date32
	case Instant:
		f.Type = &arrow.TimestampType{Unit: arrow.Millisecond, TimeZone: "UTC"}
	case Float:
		f.Type = arrow.PrimitiveTypes.Float64
	default:
		f.Type = arrow.FixedWidthTypes.Boolean
	}
	if c.Unit != "" {
		f.Metadata = arrow.NewMetadata([]string{"unit"}, []string{c.Unit})
	}
	return f
}

func (c *Column) arrowArray(from, to int) arrow.Array {
	b := array.NewBuilder(memory.DefaultAllocator, c.arrowField().Type)
	defer b.Release()
	b.Reserve(to - from)
	for i := from; i < to; i++ {
		if c.null(i) {
			b.AppendNull()
			continue
		}
		switch b := b.(type) {
		case *array.StringBuilder:
			b.Append(c.Texts[i])
		case *array.Int64Builder:
			b.Append(c.Ints[i])
		case *array.Date32Builder:
			b.Append(arrow.Date32(c.Ints[i]))
		case *array.TimestampBuilder:
			b.Append(arrow.Timestamp(c.Ints[i]))
		case *array.Float64Builder:
			b.Append(c.Floats[i])
		case *array.BooleanBuilder:
			b.Append(c.Bools[i])
		}
	}
	return b.NewArray()
}

func writeArrow(w io.Writer, t *Table) error {
	fields := make([]arrow.Field, len(t.Columns))
	for i := range t.Columns {
		fields[i] = t.Columns[i].arrowField()
	}
	schema := arrow.NewSchema(fields, nil)
	out := ipc.NewWriter(w, ipc.WithSchema(schema))
	for from := 0; from < t.Rows(); from += arrowRows {
		to := min(t.Rows(), from+arrowRows)
		columns := make([]arrow.Array, len(t.Columns))
		for i := range t.Columns {
			columns[i] = t.Columns[i].arrowArray(from, to)
		}
		batch := array.NewRecordBatch(schema, columns, int64(to-from))
		err := out.Write(batch)
		batch.Release()
		for _, c := range columns {
			c.Release()
		}
		if err != nil {
			out.Close()
			return err
		}
	}
	return out.Close()
}
