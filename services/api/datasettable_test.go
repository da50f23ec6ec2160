package api

import (
	"bytes"
	"testing"

	"github.com/parquet-go/parquet-go"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/honesty"
	"github.com/downweb/downweb/services/tablefile"
)

// Every form of a data set is the same twice, its hash is in the manifest, the
// columns are the documented ones, and the CSV reads back to the kept bytes.
func TestDataSetFiles(t *testing.T) {
	d := honesty.Fleet{Seed: 4, Plants: 1, Presses: 2, Days: 6, Stations: 2}.Make().Data
	d.Rows[1].Stations[0].FoundNext = study.None
	kept := d.Bytes()
	x := &pb.Study{Id: "s1", Spec: &pb.StudySpec{Seed: 3, Period: &pb.Period{FirstDay: "2026-01-05", LastDay: "2026-01-12"}}, AsOf: &pb.AsOf{Pos: 9, RegistryRev: 2, RulesVersion: 1}, Version: "v1"}
	file := func(f pb.DataSetFormat) []byte {
		t.Helper()
		a, err := dataSetFile(x, kept, f)
		if err != nil {
			t.Fatal(err)
		}
		if b, err := dataSetFile(x, kept, f); err != nil || !bytes.Equal(a, b) {
			t.Errorf("%v differs the second time, %v", f, err)
		}
		return a
	}
	csv, pq, arrow := file(pb.DataSetFormat_DATA_SET_FORMAT_CSV), file(pb.DataSetFormat_DATA_SET_FORMAT_PARQUET), file(pb.DataSetFormat_DATA_SET_FORMAT_ARROW_STREAM)
	m, err := tablefile.ParseManifest(file(pb.DataSetFormat_DATA_SET_FORMAT_MANIFEST))
	if err != nil {
		t.Fatal(err)
	}
	if m.SHA256 != tablefile.Sum(csv) || m.Parameters["sha256.parquet"] != tablefile.Sum(pq) || m.Parameters["sha256.arrow"] != tablefile.Sum(arrow) || m.Parameters["sha256.bytes"] != d.SHA256() {
		t.Errorf("hashes of the manifest: %+v", m)
	}
	if m.Rows != len(d.Rows) || len(m.Columns) != len(d.Columns()) || m.AsOf.Pos != 9 || *m.Seed != 3 || m.Columns[3].Unit != "mm" || m.Columns[3].Doc == "" {
		t.Errorf("%+v", m)
	}
	if again, err := study.ReadCSV(bytes.NewReader(csv)); err != nil || !bytes.Equal(again.Bytes(), kept) {
		t.Errorf("the CSV is not the data set: %v", err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(pq), int64(len(pq)))
	if err != nil || f.NumRows() != int64(len(d.Rows)) || len(f.Schema().Columns()) != len(d.Columns()) {
		t.Errorf("Parquet: %v rows, %v", f.NumRows(), err)
	}
}
