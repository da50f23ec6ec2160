package warehouse

import (
	"fmt"
	"strings"

	"github.com/downweb/downweb/analytics/timeline"
)

// field is one column of a projection: its name, its type and where it is in
// the row. The same list writes, reads and checks the schema.
type field[T any] struct {
	name string
	typ  string
	ptr  func(*T) any
}

// LeafColumns names the leaves' columns by leaf number; empty: no column. A
// test holds them equal to the slugs of package loss.
var LeafColumns = [timeline.MaxLeaf]string{
	1: "production", 2: "planned_cleaning", 3: "cleaning_overrun", 4: "planned_maintenance", 5: "contamination_stop",
	6: "other_breakdown", 7: "setup", 8: "trials", 9: "reel_change", 10: "waiting", 11: "unaccounted",
	12: "contamination_slow", 13: "other_slow", 14: "setup_waste", 15: "restart_waste", 16: "contamination_waste",
	17: "splice_waste", 18: "cure_waste", 19: "register_waste", 20: "material_waste", 21: "other_waste",
	22: "unbooked_waste", 23: "outside_waste", 24: "cleaning_in_break",
}

// hasTime and hasLength say which columns a leaf has inside and outside
// planned time.
func hasTime(leaf int, planned bool) bool {
	switch {
	case leaf == 24:
		return !planned
	case leaf == 1, leaf == 11, leaf == 12, leaf == 13:
		return leaf == 1 && !planned || leaf != 1 && planned
	case leaf == 23:
		return false
	}
	return leaf >= 2
}

func hasLength(leaf int) bool { return leaf == 8 || leaf >= 14 && leaf <= 23 }

const (
	typLow  = "LowCardinality(String)"
	typI64  = "Int64"
	typBool = "Bool"
)

func pressDayColumns() []field[timeline.PressDay] {
	type R = timeline.PressDay
	cols := []field[R]{
		{"plant", typLow, func(r *R) any { return &r.Plant }},
		{"press", typLow, func(r *R) any { return &r.Press }},
		{"day", "Int32", func(r *R) any { return (*int32)(&r.Day) }},
		{"currency", typLow, func(r *R) any { return &r.Currency }},
		{"hour_micro", typI64, func(r *R) any { return &r.HourMicro }},
		{"constrained", typBool, func(r *R) any { return &r.Constrained }},
		{"pbt_ms", typI64, func(r *R) any { return &r.PBT }},
		{"apt_ms", typI64, func(r *R) any { return &r.APT }},
	}
	for _, planned := range []bool{true, false} {
		for leaf, name := range LeafColumns {
			if name == "" {
				continue
			}
			in := func(r *R) *timeline.LeafAmount {
				if planned {
					return &r.In[leaf]
				}
				return &r.Out[leaf]
			}
			prefix := map[bool]string{true: "in_", false: "out_"}[planned]
			if hasTime(leaf, planned) {
				cols = append(cols, field[R]{prefix + name + "_us", typI64, func(r *R) any { return &in(r).US }})
			}
			if hasLength(leaf) {
				cols = append(cols,
					field[R]{prefix + name + "_mm", typI64, func(r *R) any { return &in(r).MM }},
					field[R]{prefix + name + "_nano", typI64, func(r *R) any { return &in(r).Material }})
			}
		}
	}
	i64 := func(name string, f func(r *R) *int64) {
		cols = append(cols, field[R]{name, typI64, func(r *R) any { return f(r) }})
	}
	i64("part_no_record_us", func(r *R) *int64 { return &r.PartNoRecord })
	i64("part_dirt_cleaning_us", func(r *R) *int64 { return &r.PartDirtCleaning })
	i64("part_setup_cleaning_us", func(r *R) *int64 { return &r.PartSetupCleaning })
	i64("valuable_us", func(r *R) *int64 { return &r.Valuable })
	i64("good_mm", func(r *R) *int64 { return &r.Good })
	i64("made_mm", func(r *R) *int64 { return &r.Made })
	i64("measured_ms", func(r *R) *int64 { return &r.Measured })
	i64("stated_ms", func(r *R) *int64 { return &r.Stated })
	i64("unknown_ms", func(r *R) *int64 { return &r.Unknown })
	i64("good_outside_mm", func(r *R) *int64 { return &r.GoodOutside })
	i64("extra_good_mm", func(r *R) *int64 { return &r.ExtraGood })
	i64("excess_mm", func(r *R) *int64 { return &r.Excess })
	i64("note_spill_ms", func(r *R) *int64 { return &r.NoteSpill })
	i64("assumed_mm", func(r *R) *int64 { return &r.AssumedMM })
	i64("unknown_reasons", func(r *R) *int64 { return &r.UnknownReasons })
	i64("out_labour_nano", func(r *R) *int64 { return &r.OutLabour })
	i64("overlap_ms", func(r *R) *int64 { return &r.OverlapMS })
	i64("overlap_mm", func(r *R) *int64 { return &r.OverlapMM })
	i64("sessions", func(r *R) *int64 { return &r.Sessions })
	i64("closed_by_rule", func(r *R) *int64 { return &r.ClosedByRule })
	i64("run_ms", func(r *R) *int64 { return &r.RunMS })
	i64("run_mm", func(r *R) *int64 { return &r.RunMM })
	i64("run_waste_mm", func(r *R) *int64 { return &r.RunWaste })
	i64("setup_run_waste_mm", func(r *R) *int64 { return &r.SetupRunWaste })
	i64("first_run_ms", func(r *R) *int64 { return &r.FirstRun })
	i64("last_run_ms", func(r *R) *int64 { return &r.LastRun })
	i64("jobs", func(r *R) *int64 { return &r.Jobs })
	i64("planned_mm", func(r *R) *int64 { return &r.PlannedMM })
	i64("shifts", func(r *R) *int64 { return &r.Shifts })
	return append(cols,
		field[R]{"families", "Array(String)", func(r *R) any { return &r.Families }},
		field[R]{"family_mm", "Array(Int64)", func(r *R) any { return &r.FamilyMM }},
		field[R]{"stations", "Array(String)", func(r *R) any { return &r.Stations }},
		field[R]{"station_state", "Array(UInt8)", func(r *R) any { return &r.StationState }},
		field[R]{"station_since_mm", "Array(Int64)", func(r *R) any { return &r.StationSinceMM }},
		field[R]{"station_in_row", "Array(Int32)", func(r *R) any { return &r.StationInRow }},
		field[R]{"station_found", "Array(Int8)", func(r *R) any { return &r.StationFound }},
		field[R]{"through_ms", typI64, func(r *R) any { return &r.Through }},
		field[R]{"carry", "String", func(r *R) any { return &r.Carry }},
		field[R]{"downstream_mm", typI64, func(r *R) any { return &r.Downstream }},
		field[R]{"restart_cleans", typI64, func(r *R) any { return &r.RestartCleans }},
		field[R]{"restart_mm", typI64, func(r *R) any { return &r.RestartMM }},
		field[R]{"restart_waste_mm", typI64, func(r *R) any { return &r.RestartWaste }},
		field[R]{"restart_excess_mm", typI64, func(r *R) any { return &r.RestartExcess }},
		field[R]{"restart_squares_cm2", typI64, func(r *R) any { return &r.RestartSquares }},
	)
}

func shiftFactColumns() []field[timeline.ShiftFact] {
	type R = timeline.ShiftFact
	return []field[R]{
		{"plant", typLow, func(r *R) any { return &r.Plant }},
		{"press", typLow, func(r *R) any { return &r.Press }},
		{"day", "Int32", func(r *R) any { return (*int32)(&r.Day) }},
		{"shift", typLow, func(r *R) any { return &r.Shift }},
		{"planned", typBool, func(r *R) any { return &r.Planned }},
		{"leaf", "UInt8", func(r *R) any { return &r.Leaf }},
		{"sub", "UInt8", func(r *R) any { return &r.Sub }},
		{"state", "UInt8", func(r *R) any { return (*uint8)(&r.State) }},
		{"reason", typLow, func(r *R) any { return &r.Reason }},
		{"station", typLow, func(r *R) any { return &r.Station }},
		{"job", "String", func(r *R) any { return &r.Job }},
		{"rated", typI64, func(r *R) any { return &r.Rated }},
		{"minor", typBool, func(r *R) any { return &r.Minor }},
		{"family", typLow, func(r *R) any { return &r.Family }},
		{"dur_ms", typI64, func(r *R) any { return &r.Dur }},
		{"good_mm", typI64, func(r *R) any { return &r.Good }},
		{"waste_mm", typI64, func(r *R) any { return &r.Waste }},
		{"material_nano", typI64, func(r *R) any { return &r.Material }},
		{"stops", typI64, func(r *R) any { return &r.Stops }},
	}
}

func visitColumns() []field[timeline.StationVisit] {
	type R = timeline.StationVisit
	i64 := func(name string, f func(r *R) *int64) field[R] {
		return field[R]{name, typI64, func(r *R) any { return f(r) }}
	}
	return []field[R]{
		{"plant", typLow, func(r *R) any { return &r.Plant }},
		{"press", typLow, func(r *R) any { return &r.Press }},
		{"day", "Int32", func(r *R) any { return (*int32)(&r.Day) }},
		i64("session_from_ms", func(r *R) *int64 { return &r.SessionFrom }),
		{"session", "String", func(r *R) any { return &r.Session }},
		{"seq", "Int32", func(r *R) any { return &r.Seq }},
		{"occasion", "UInt8", func(r *R) any { return (*uint8)(&r.Occasion) }},
		i64("session_to_ms", func(r *R) *int64 { return &r.SessionTo }),
		{"closed_by_rule", typBool, func(r *R) any { return &r.ClosedByRule }},
		i64("allowance_ms", func(r *R) *int64 { return &r.Allowance }),
		i64("overrun_ms", func(r *R) *int64 { return &r.Overrun }),
		i64("unused_ms", func(r *R) *int64 { return &r.Unused }),
		i64("closing_ms", func(r *R) *int64 { return &r.Closing }),
		{"station", typLow, func(r *R) any { return &r.Station }},
		{"task", typLow, func(r *R) any { return &r.Task }},
		i64("from_ms", func(r *R) *int64 { return &r.From }),
		i64("to_ms", func(r *R) *int64 { return &r.To }),
		i64("time_ms", func(r *R) *int64 { return &r.Time }),
		i64("standard_ms", func(r *R) *int64 { return &r.Standard }),
		i64("interruption_ms", func(r *R) *int64 { return &r.Interruption }),
		{"mark", typLow, func(r *R) any { return &r.Mark }},
		{"crew", typLow, func(r *R) any { return &r.Crew }},
		i64("own_ms", func(r *R) *int64 { return &r.Own }),
		{"checks", "UInt8", func(r *R) any { return (*uint8)(&r.Checks) }},
	}
}

func dutyColumns() []field[timeline.DutyRow] {
	type R = timeline.DutyRow
	i64 := func(name string, f func(r *R) *int64) field[R] {
		return field[R]{name, typI64, func(r *R) any { return f(r) }}
	}
	return []field[R]{
		{"plant", typLow, func(r *R) any { return &r.Plant }},
		{"press", typLow, func(r *R) any { return &r.Press }},
		{"day", "Int32", func(r *R) any { return (*int32)(&r.Day) }},
		{"task", typLow, func(r *R) any { return &r.Task }},
		i64("due_ms", func(r *R) *int64 { return &r.Due }),
		{"cadence", "UInt8", func(r *R) any { return (*uint8)(&r.Cadence) }},
		{"station", typLow, func(r *R) any { return &r.Station }},
		i64("opens_ms", func(r *R) *int64 { return &r.Opens }),
		i64("closes_ms", func(r *R) *int64 { return &r.Closes }),
		{"outcome", "UInt8", func(r *R) any { return &r.Outcome }},
		i64("done_ms", func(r *R) *int64 { return &r.DoneAt }),
		{"reason", typLow, func(r *R) any { return &r.Reason }},
		{"third_skip", typBool, func(r *R) any { return &r.ThirdSkip }},
		{"hazards", "Array(UInt8)", func(r *R) any { return &r.Hazards }},
		{"isolate", typBool, func(r *R) any { return &r.Isolate }},
	}
}

// createTable is the statement of a projection table: what the schema files
// hold, and what a rebuild makes beside them.
func createTable[T any](name string, cols []field[T], orderBy, partitionBy, settings string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "CREATE TABLE IF NOT EXISTS %s\n(\n", name)
	for _, c := range cols {
		codec := ""
		if c.typ == typI64 {
			codec = " CODEC(T64, ZSTD(1))"
		}
		fmt.Fprintf(&b, "    %s %s%s,\n", c.name, c.typ, codec)
	}
	b.WriteString("    ver UInt64 CODEC(Delta, ZSTD(1)),\n    gone UInt8\n)\nENGINE = ReplacingMergeTree(ver, gone)\n")
	if partitionBy != "" {
		fmt.Fprintf(&b, "PARTITION BY %s\n", partitionBy)
	}
	fmt.Fprintf(&b, "ORDER BY (%s)\nSETTINGS fsync_after_insert = 1, fsync_part_directory = 1%s", orderBy, settings)
	return b.String()
}
