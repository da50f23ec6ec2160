package api

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/tablefile"
)

// dataSetTable is a study's data set as a table: the columns of its CSV form,
// with their units and what they mean.
func dataSetTable(d *study.DataSet) *tablefile.Table {
	t := &tablefile.Table{Name: "study_data"}
	n := len(d.Rows)
	add := func(of func(c *tablefile.Column)) {
		info := d.Columns()[len(t.Columns)]
		c := tablefile.Column{Name: info.Name, Unit: info.Unit, Doc: info.Doc}
		of(&c)
		t.Columns = append(t.Columns, c)
	}
	text := func(of func(r *study.Row) string) {
		add(func(c *tablefile.Column) {
			c.Kind, c.Texts = tablefile.Text, make([]string, n)
			for i := range d.Rows {
				c.Texts[i] = of(&d.Rows[i])
			}
		})
	}
	number := func(optional bool, of func(r *study.Row) int64) {
		add(func(c *tablefile.Column) {
			c.Kind, c.Ints = tablefile.Int, make([]int64, n)
			if optional {
				c.Null = make([]bool, n)
			}
			for i := range d.Rows {
				if v := of(&d.Rows[i]); !optional || v != study.None {
					c.Ints[i] = v
				} else {
					c.Null[i] = true
				}
			}
		})
	}
	text(func(r *study.Row) string { return r.Press })
	text(func(r *study.Row) string { return r.Plant })
	for _, of := range []func(r *study.Row) int64{
		func(r *study.Row) int64 { return int64(r.Day) },
		func(r *study.Row) int64 { return r.RunMM },
		func(r *study.Row) int64 { return r.RunWasteMM },
		func(r *study.Row) int64 { return r.RestartWasteMM },
		func(r *study.Row) int64 { return r.SetupWasteMM },
		func(r *study.Row) int64 { return r.ContaminationWasteMM },
		func(r *study.Row) int64 { return r.ContaminationMS },
		func(r *study.Row) int64 { return r.UnrelatedWasteMM },
		func(r *study.Row) int64 { return r.PlannedMM },
		func(r *study.Row) int64 { return r.PlannedMS },
		func(r *study.Row) int64 { return int64(r.Jobs) },
		func(r *study.Row) int64 { return int64(r.Shifts) },
		func(r *study.Row) int64 { return int64(r.CoveragePPM) },
	} {
		number(false, of)
	}
	t.Columns[2].Kind, t.Columns[2].Unit = tablefile.Day, ""
	for k := range d.Families {
		number(false, func(r *study.Row) int64 { return r.FamilyMM[k] })
	}
	for k := range d.Stations {
		text(func(r *study.Row) string { return r.Stations[k].State.String() })
		text(func(r *study.Row) string { return r.Stations[k].Next.String() })
		number(false, func(r *study.Row) int64 { return int64(r.Stations[k].Missed) })
		number(true, func(r *study.Row) int64 { return int64(r.Stations[k].FoundNext) })
		number(true, func(r *study.Row) int64 { return r.Stations[k].SinceCleanMM })
		number(false, func(r *study.Row) int64 {
			if r.Stations[k].Doubtful {
				return 1
			}
			return 0
		})
	}
	return t
}

// dataSetFile writes a study's kept data set in a format. The CSV is the one that
// `downweb study ask --csv` reads back to the same bytes.
func dataSetFile(x *pb.Study, kept []byte, f pb.DataSetFormat) ([]byte, error) {
	if f == pb.DataSetFormat_DATA_SET_FORMAT_UNSPECIFIED {
		return kept, nil
	}
	d, err := study.Parse(kept)
	if err != nil {
		return nil, err
	}
	switch f {
	case pb.DataSetFormat_DATA_SET_FORMAT_CSV:
		var text bytes.Buffer
		err := d.WriteCSV(&text)
		return text.Bytes(), err
	case pb.DataSetFormat_DATA_SET_FORMAT_PARQUET:
		b, _, err := tablefile.Make(tablefile.Parquet, dataSetTable(d), tablefile.Manifest{})
		return b, err
	case pb.DataSetFormat_DATA_SET_FORMAT_ARROW_STREAM:
		b, _, err := tablefile.Make(tablefile.Arrow, dataSetTable(d), tablefile.Manifest{})
		return b, err
	case pb.DataSetFormat_DATA_SET_FORMAT_MANIFEST:
		return dataSetManifest(x, d, kept)
	}
	return nil, invalid("format", fmt.Sprintf("%v is not known", f))
}

// dataSetManifest says what a study's exports hold, with the SHA-256 of the
// canonical bytes and of every form.
func dataSetManifest(x *pb.Study, d *study.DataSet, kept []byte) ([]byte, error) {
	spec := x.GetSpec()
	seed := spec.GetSeed()
	m := tablefile.Manifest{Query: "downweb study export " + x.GetId(), Parameters: map[string]string{"study": x.GetId(), "sha256.bytes": tablefile.Sum(kept)},
		Rules: int(x.GetAsOf().GetRulesVersion()), Seed: &seed, Version: x.GetVersion(), Notes: slices.Concat(x.GetDataNotes(), x.GetCautions())}
	if p := spec.GetPeriod(); p != nil {
		m.Period = &tablefile.Period{FirstDay: p.GetFirstDay(), LastDay: p.GetLastDay()}
	}
	if a := x.GetAsOf(); a != nil {
		m.AsOf = &tablefile.AsOf{Pos: a.GetPos(), RegistryRev: a.GetRegistryRev()}
	}
	table := dataSetTable(d)
	for _, f := range []tablefile.Format{tablefile.Parquet, tablefile.Arrow} {
		b, _, err := tablefile.Make(f, table, tablefile.Manifest{})
		if err != nil {
			return nil, err
		}
		m.Parameters["sha256."+string(f)] = tablefile.Sum(b)
	}
	var text bytes.Buffer
	if err := d.WriteCSV(&text); err != nil {
		return nil, err
	}
	m.Name, m.Format, m.Rows, m.SHA256 = table.Name, tablefile.CSV, len(d.Rows), tablefile.Sum(text.Bytes())
	for _, c := range d.Columns() {
		kind := tablefile.Int
		for i := range table.Columns {
			if table.Columns[i].Name == c.Name && table.Columns[i].Kind == tablefile.Text {
				kind = tablefile.Text
			}
		}
		m.Columns = append(m.Columns, tablefile.ManifestColumn{Name: c.Name, Kind: kind.String(), Unit: c.Unit, Doc: c.Doc})
	}
	return m.JSON()
}
