package study

import "slices"

// ColumnInfo documents one column of a data set's tabular form.
type ColumnInfo struct {
	Name string
	Unit string // "mm", "ms", "ppm", "d" (days since 1970-01-01); empty for names and counts
	Doc  string // what it holds and how it came about, in a sentence or two
}

// rowDocs documents rowColumns, in that order.
var rowDocs = []ColumnInfo{
	{"day", "d", "local production day of the press, days since 1970-01-01; a day without a run of at least 10 minutes and some length makes no row"},
	{"run_mm", "mm", "length made in PRODUCTION, good and waste"},
	{"run_waste_mm", "mm", "the outcome: counted waste in PRODUCTION and unplanned stops, less restart-after-clean waste; never below 0"},
	{"restart_waste_mm", "mm", "waste booked to restarts after a clean"},
	{"setup_waste_mm", "mm", "counted waste in SETUP"},
	{"contamination_waste_mm", "mm", "waste booked to contamination"},
	{"contamination_ms", "ms", "contamination stops and slow running, inside planned time"},
	{"unrelated_waste_mm", "mm", "waste booked to splices and material, which a clean should not go with"},
	{"planned_mm", "mm", "planned length of the jobs of the day; 0: unknown"},
	{"planned_ms", "ms", "planned busy time; 0: unknown"},
	{"jobs", "", "jobs run"},
	{"shifts", "", "shifts worked"},
	{"coverage_ppm", "ppm", "share of the planned time that the record covers; rows below the spec's least coverage are left out and counted"},
}

// stationDocs documents stationColumns, in that order.
var stationDocs = []ColumnInfo{
	{"state", "", "how the station entered the run, frozen at the first PRODUCTION slice: cleaned, not_cleaned (missed, or skipped for want of time, material or tool), unknown (a gap in the record: the row is left out and counted), not_exposed (no such station, not in use, or nothing was due)"},
	{"next", "", "state for the press's next run row; unknown on its last"},
	{"missed", "", "not-cleaned windows in a row up to this one"},
	{"found", "", "condition found at the next sign-off, 0 clean to 3 worst; missing: not recorded"},
	{"since_clean_mm", "mm", "length run since the last clean at the first PRODUCTION slice; missing: unknown"},
	{"doubtful", "", "1: cleaned, but signed off faster than the standard allows"},
}

// Columns documents the tabular form of the data set, in the order of WriteCSV.
func (d *DataSet) Columns() []ColumnInfo {
	out := []ColumnInfo{{"press", "", "plant/press"}, {"plant", "", "plant"}}
	out = append(out, rowDocs...)
	for _, f := range d.Families {
		out = append(out, ColumnInfo{"family." + f, "mm", "length made of product family " + f})
	}
	for _, s := range d.Stations {
		for _, c := range stationDocs {
			out = append(out, ColumnInfo{"station." + s + "." + c.Name, c.Unit, c.Doc})
		}
	}
	return slices.Clip(out)
}
