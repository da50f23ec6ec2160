package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"bytes"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// width is the widest line that is printed.
const width = 100

// grid is a table for people: no frame, a heading, rows, a rule where one is asked for.
type grid struct {
	t table.Writer
}

// newGrid makes a grid with these headings. One that begins with ">" stands at the right.
func newGrid(headings ...string) *grid {
	g := &grid{table.NewWriter()}
	style := table.Style{Name: "downweb", Box: table.StyleBoxDefault, Format: table.FormatOptions{Header: text.FormatDefault, Row: text.FormatDefault, Footer: text.FormatDefault}}
	style.Box.PaddingLeft, style.Box.PaddingRight, style.Box.MiddleHorizontal, style.Box.MiddleSeparator = "", "  ", "─", "─"
	style.Options = table.Options{SeparateHeader: true}
	g.t.SetStyle(style)
	var configs []table.ColumnConfig
	row := table.Row{}
	for i, h := range headings {
		c := table.ColumnConfig{Number: i + 1}
		if rest, ok := strings.CutPrefix(h, ">"); ok {
			h, c.Align, c.AlignHeader = rest, text.AlignRight, text.AlignRight
		}
		configs = append(configs, c)
		row = append(row, h)
	}
	g.t.SetColumnConfigs(configs)
	g.t.AppendHeader(row)
	return g
}

func (g *grid) row(cells ...string) {
	row := make(table.Row, len(cells))
	for i, c := range cells {
		row[i] = c
	}
	g.t.AppendRow(row)
}

func (g *grid) rule() { g.t.AppendSeparator() }

// wide is the width of the widest line.
func (g *grid) wide() int {
	most := 0
	for line := range strings.SplitSeq(g.t.Render(), "\n") {
		most = max(most, utf8.RuneCountInString(strings.TrimRight(line, " ─")))
	}
	return most
}

// print writes the grid without blanks at the ends of lines.
func (g *grid) print(w io.Writer) {
	for line := range strings.SplitSeq(g.t.Render(), "\n") {
		if strings.HasPrefix(line, "──") { // rules as wide as the text, not as the padding
			line = strings.TrimSuffix(line, "──")
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}

// wrapped writes text in lines of at most the given width, all but the first indented.
func wrapped(w io.Writer, first, rest, words string) {
	line, empty := first, true
	for word := range strings.FieldsSeq(words) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			fmt.Fprintln(w, line)
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	if !empty {
		fmt.Fprintln(w, line)
	}
}

// writeJSONMessage writes a message as indented JSON, the same bytes for the same message.
func writeJSONMessage(w io.Writer, m proto.Message) error {
	line, err := jsonLine(m)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := json.Indent(&b, line, "", "  "); err != nil {
		return err
	}
	b.WriteByte('\n')
	_, err = w.Write(b.Bytes())
	return err
}

// jsonLine is a message as JSON without line ends. (protojson varies its blanks on purpose.)
func jsonLine(m proto.Message) ([]byte, error) {
	raw, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(m)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = json.Compact(&b, raw)
	return b.Bytes(), err
}

// writeCSV writes a header and rows.
func writeCSV(w io.Writer, header []string, rows [][]string) error {
	c := csv.NewWriter(w)
	if err := c.Write(header); err != nil {
		return err
	}
	if err := c.WriteAll(rows); err != nil {
		return err
	}
	return c.Error()
}
