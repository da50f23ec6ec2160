package tablefile

import (
	"bytes"
	"encoding/csv"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/ipc"
	"github.com/parquet-go/parquet-go"
)

type row struct {
	Station string   `col:"station"`
	Day     int64    `col:"day" kind:"day"`
	At      *int64   `col:"at" kind:"instant"`
	TimeUs  int64    `col:"time_us" unit:"us" doc:"Time on the station."`
	Share   *float64 `col:"a_share" unit:"share"`
	Ok      bool     `col:"ok"`
}

func ptr[T any](v T) *T { return &v }

// 2026-03-29 is day 20541 of the epoch and 00:59:59.999Z is 1774745999999 ms (date -u -d).
var rows = []row{
	{"uv-1", 20541, ptr[int64](1774745999999), 90_000_000, ptr(0.1), true},
	{"die, \"station\"", -1, nil, math.MinInt64, nil, false},
	{"", 0, ptr[int64](-1), 1 << 53, ptr(1e-300), true},
}

func bytesOf(t *testing.T, f Format, table *Table) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, f, table); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestCSV(t *testing.T) {
	got := string(bytesOf(t, CSV, FromRows("stations", rows)))
	want := "station,day,at,time_us,a_share,ok\n" +
		"uv-1,2026-03-29,2026-03-29T00:59:59.999Z,90000000,0.1,true\n" +
		"\"die, \"\"station\"\"\",1969-12-31,,-9223372036854775808,,false\n" +
		",1970-01-01,1969-12-31T23:59:59.999Z,9007199254740992,1e-300,true\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// What is written is read back by the libraries' own readers, in the order of the columns, missing values missing.
func TestParquet(t *testing.T) {
	file := bytesOf(t, Parquet, FromRows("stations", rows))
	f, err := parquet.OpenFile(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range f.Schema().Columns() {
		names = append(names, strings.Join(c, "."))
	}
	if want := []string{"station", "day", "at", "time_us", "a_share", "ok"}; !reflect.DeepEqual(names, want) {
		t.Errorf("columns %v, want %v", names, want)
	}
	if unit, ok := f.Lookup("unit:time_us"); !ok || unit != "us" {
		t.Errorf("unit of time_us is %q", unit)
	}
	if got := f.Schema().String(); !strings.Contains(got, "TIMESTAMP(isAdjustedToUTC=true,unit=MILLIS)") || !strings.Contains(got, "(DATE)") {
		t.Errorf("schema\n%s", got)
	}
	type read struct {
		Station string   `parquet:"station"`
		Day     int32    `parquet:"day,date"`
		At      *int64   `parquet:"at,timestamp"`
		TimeUs  int64    `parquet:"time_us"`
		Share   *float64 `parquet:"a_share"`
		Ok      bool     `parquet:"ok"`
	}
	got, err := parquet.Read[read](bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for i, g := range got {
		if want := (read{rows[i].Station, int32(rows[i].Day), rows[i].At, rows[i].TimeUs, rows[i].Share, rows[i].Ok}); !reflect.DeepEqual(g, want) {
			t.Errorf("row %d: %+v, want %+v", i, g, want)
		}
	}
	if len(got) != len(rows) {
		t.Errorf("%d rows", len(got))
	}
}

func TestArrow(t *testing.T) {
	long := make([]row, arrowRows+3) // more than one batch
	for i := range long {
		long[i] = rows[i%len(rows)]
	}
	r, err := ipc.NewReader(bytes.NewReader(bytesOf(t, Arrow, FromRows("stations", long))))
	if err != nil {
		t.Fatal(err)
	}
	if unit, _ := r.Schema().Field(3).Metadata.GetValue("unit"); unit != "us" {
		t.Errorf("unit %q", unit)
	}
	n, batches := 0, 0
	for r.Next() {
		b := r.RecordBatch()
		batches++
		for i := range int(b.NumRows()) {
			want := rows[n%len(rows)]
			at := b.Column(2).(*array.Timestamp)
			if b.Column(0).(*array.String).Value(i) != want.Station || int64(b.Column(1).(*array.Date32).Value(i)) != want.Day ||
				at.IsNull(i) != (want.At == nil) || want.At != nil && int64(at.Value(i)) != *want.At ||
				b.Column(3).(*array.Int64).Value(i) != want.TimeUs || b.Column(4).IsNull(i) != (want.Share == nil) ||
				b.Column(5).(*array.Boolean).Value(i) != want.Ok {
				t.Fatalf("row %d differs: %v", n, b)
			}
			n++
		}
	}
	if r.Err() != nil || n != len(long) || batches != 2 {
		t.Errorf("%d rows in %d batches, err %v", n, batches, r.Err())
	}
}

// Two runs of the program, not only two calls, give the same bytes and the same manifest.
func TestSameTwice(t *testing.T) {
	if dir := os.Getenv("TABLEFILE_OUT"); dir != "" {
		for _, f := range []Format{CSV, Parquet, Arrow} {
			file, m, err := Make(f, FromRows("stations", rows), Manifest{Query: "q", Parameters: map[string]string{"b": "2", "a": "1", "c": "3"}, Seed: ptr[uint64](7)})
			if err != nil {
				t.Fatal(err)
			}
			text, err := m.JSON()
			if err != nil {
				t.Fatal(err)
			}
			if back, err := ParseManifest(text); err != nil || !reflect.DeepEqual(*back, m) || back.SHA256 != Sum(file) || back.Rows != 3 || back.Columns[3].Unit != "us" {
				t.Errorf("manifest read back: %+v, %v", back, err)
			}
			if err := os.WriteFile(filepath.Join(dir, string(f)), append(file, text...), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return
	}
	dirs := [2]string{t.TempDir(), t.TempDir()}
	for _, dir := range dirs {
		c := exec.Command(os.Args[0], "-test.run=^TestSameTwice$")
		c.Env = append(os.Environ(), "TABLEFILE_OUT="+dir)
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	for _, f := range []Format{CSV, Parquet, Arrow} {
		a, err := os.ReadFile(filepath.Join(dirs[0], string(f)))
		if err != nil {
			t.Fatal(err)
		}
		if b, _ := os.ReadFile(filepath.Join(dirs[1], string(f))); !bytes.Equal(a, b) || len(a) == 0 {
			t.Errorf("%s differs from run to run", f)
		}
	}
}

func TestEmptyAndWrong(t *testing.T) {
	for _, f := range []Format{CSV, Parquet, Arrow} {
		if len(bytesOf(t, f, FromRows[row]("none", nil))) == 0 {
			t.Errorf("%s of no rows is empty: its columns are lost", f)
		}
	}
	lines, err := csv.NewReader(bytes.NewReader(bytesOf(t, CSV, FromRows[row]("none", nil)))).ReadAll()
	if err != nil || len(lines) != 1 {
		t.Errorf("CSV of no rows: %v %v", lines, err)
	}
	for name, bad := range map[string]*Table{
		"no columns":  {},
		"two lengths": {Columns: []Column{{Name: "a", Kind: Int, Ints: []int64{1}}, {Name: "b", Kind: Int}}},
		"a name":      {Columns: []Column{{Name: "a", Kind: Int}, {Name: "a", Kind: Int}}},
		"no kind":     {Columns: []Column{{Name: "a"}}},
	} {
		if err := Write(io.Discard, CSV, bad); err == nil {
			t.Errorf("%s: written", name)
		}
	}
	if err := Write(io.Discard, "xls", FromRows("r", rows)); err == nil {
		t.Error("an unknown format was written")
	}
	if _, err := ParseManifest([]byte(`{"nmae":"x"}`)); err == nil {
		t.Error("a mistyped key of a manifest was taken")
	}
}
