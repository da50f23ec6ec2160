package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/downweb/downweb/services/tablefile"
)

// columnKinds say what the columns of exported tables are, by name, or by table and name where one name means two things.
// What stands nowhere, and has no suffix of columnSuffixes, is text.
var columnKinds = kindsOf(map[tablefile.Kind]string{
	tablefile.Int: "on_time late missed skipped not_required unknown open n duties order missed_in_row risk rule slices visits left_out batch shared doubtful interrupted isolating " +
		"failures dirt_failures events missing dangling_voids dead lost spool_depth held_back grade not_cleaned_rows presses rev pos payload_bytes",
	tablefile.Float: "compliance compliance_low compliance_high low high mean_low mean_high mtbf_low mtbf_high mttr_low mttr_high center rate_ratio rate_ratio_low rate_ratio_high p p_adjusted hours_per_month",
	tablefile.Bool: "gap_cut expected isolate safety third_skip closed_by_rule reopened handed_back tools_counted_out guards_restored isolation_removed small voided " +
		"status.unknown stations-trend.left_out",
	tablefile.Day:     "day first_day last_day dirty_from",
	tablefile.Instant: "from to gap_from gap_to visit_from visit_to frontier at last_event agent_seen",
	tablefile.Text:    "loss.events",
})

// columnSuffixes are the endings that name a unit, with the kind of what is counted in it.
var columnSuffixes = []struct {
	suffix, unit string
	kind         tablefile.Kind
}{
	{"_us", "us", tablefile.Int}, {"_ms", "ms", tablefile.Int}, {"_mm", "mm", tablefile.Int}, {"_m", "m", tablefile.Float},
	{"_minutes", "min", tablefile.Float}, {"_hours", "h", tablefile.Float}, {"_at", "", tablefile.Instant},
}

func kindsOf(lists map[tablefile.Kind]string) map[string]tablefile.Kind {
	out := map[string]tablefile.Kind{}
	for kind, names := range lists {
		for name := range strings.FieldsSeq(names) {
			out[name] = kind
		}
	}
	return out
}

func kindOf(table, column string) tablefile.Kind {
	if k, ok := columnKinds[table+"."+column]; ok {
		return k
	}
	if k, ok := columnKinds[column]; ok {
		return k
	}
	for _, s := range columnSuffixes {
		if strings.HasSuffix(column, s.suffix) {
			return s.kind
		}
	}
	return tablefile.Text
}

// unitOf a column, from its name; empty where it has none.
func unitOf(column string) string {
	for _, s := range columnSuffixes {
		if strings.HasSuffix(column, s.suffix) {
			return s.unit
		}
	}
	switch column {
	case "minutes_per_100h":
		return "min/100 h"
	case "hours_per_month":
		return "h/month of 30.44 days"
	}
	return ""
}

// typedTable gives texts the kinds of their columns; an empty text that is not of a text column is a missing value. A text
// that is not of its column's kind is an error, never a silent change of the column.
func typedTable(name string, header []string, rows [][]string) (*tablefile.Table, error) {
	t := &tablefile.Table{Name: name}
	for i, column := range header {
		c := tablefile.Column{Name: column, Unit: unitOf(column), Kind: kindOf(name, column)}
		for n, row := range rows {
			if err := appendText(&c, row[i]); err != nil {
				return nil, fmt.Errorf("%s, row %d, column %s: %w", name, n+1, column, err)
			}
		}
		if c.Kind != tablefile.Text && c.Null == nil {
			c.Null = []bool{}
		}
		t.Columns = append(t.Columns, c)
	}
	return t, nil
}

func appendText(c *tablefile.Column, text string) (err error) {
	if c.Kind == tablefile.Text {
		c.Texts = append(c.Texts, text)
		return nil
	}
	missing := text == ""
	c.Null = append(c.Null, missing)
	var n int64
	switch c.Kind {
	case tablefile.Float:
		var v float64
		if !missing {
			v, err = strconv.ParseFloat(text, 64)
		}
		c.Floats = append(c.Floats, v)
		return err
	case tablefile.Bool:
		var v bool
		if !missing {
			v, err = strconv.ParseBool(text)
		}
		c.Bools = append(c.Bools, v)
		return err
	case tablefile.Int:
		if !missing {
			n, err = strconv.ParseInt(text, 10, 64)
		}
	default:
		layout, unit := time.RFC3339Nano, int64(1)
		if c.Kind == tablefile.Day {
			layout, unit = time.DateOnly, 86_400_000
		}
		var at time.Time
		if !missing {
			if at, err = time.Parse(layout, text); err == nil {
				n = at.UnixMilli() / unit
			}
		}
	}
	c.Ints = append(c.Ints, n)
	return err
}
