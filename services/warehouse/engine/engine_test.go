package engine_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/shopspring/decimal"

	"github.com/downweb/downweb/services/warehouse/engine"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// code is the ClickHouse error code err carries, by clickhouse-go's own type.
func code(t *testing.T, err error) int32 {
	t.Helper()
	var e *clickhouse.Exception
	if !errors.As(err, &e) {
		t.Fatalf("no *clickhouse.Exception: %v", err)
	}
	return e.Code
}

func exec1(t *testing.T, conn clickhouse.Conn, sql string, args ...any) {
	t.Helper()
	if err := conn.Exec(t.Context(), sql, args...); err != nil {
		t.Fatalf("%.80s: %v", sql, err)
	}
}

func scan[T any](t *testing.T, conn clickhouse.Conn, sql string, args ...any) (v T) {
	t.Helper()
	if err := conn.QueryRow(t.Context(), sql, args...).Scan(&v); err != nil {
		t.Fatalf("%.80s: %v", sql, err)
	}
	return v
}

func TestServerVersion(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	v, err := conn.ServerVersion()
	if err != nil {
		t.Fatal(err)
	}
	if err := engine.CheckVersion(v.DisplayName, fmt.Sprintf("%d.%d.%d", v.Version.Major, v.Version.Minor, v.Version.Patch)); err != nil {
		t.Error(err)
	}
	if v.Timezone.String() != "UTC" {
		t.Errorf("zone %v", v.Timezone)
	}
	if err := conn.Ping(t.Context()); err != nil {
		t.Error(err)
	}
}

// Every type the warehouse stores goes in by batch and comes out the same.
func TestTypesThereAndBack(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	exec1(t, conn, `CREATE TABLE types (at DateTime64(3, 'UTC'), low LowCardinality(String), e Enum8('down' = 1, 'run' = 2),
		tags Array(LowCardinality(String)), nums Array(Array(Int32)), money Decimal(18, 4), big UInt64, maybe Nullable(Int64),
		none Nullable(String), f Float64, s String, b Bool, d Date, fixed FixedString(4), m Map(String, UInt32), i16 Int16) ENGINE = MergeTree ORDER BY at`)
	type row struct {
		At    time.Time         `ch:"at"`
		Low   string            `ch:"low"`
		E     string            `ch:"e"`
		Tags  []string          `ch:"tags"`
		Nums  [][]int32         `ch:"nums"`
		Money decimal.Decimal   `ch:"money"`
		Big   uint64            `ch:"big"`
		Maybe *int64            `ch:"maybe"`
		None  *string           `ch:"none"`
		F     float64           `ch:"f"`
		S     string            `ch:"s"`
		B     bool              `ch:"b"`
		D     time.Time         `ch:"d"`
		Fixed string            `ch:"fixed"`
		M     map[string]uint32 `ch:"m"`
		I16   int16             `ch:"i16"`
	}
	n := int64(-7)
	want := []row{
		{At: time.Date(2026, 3, 29, 1, 59, 59, 999e6, time.UTC), Low: "a", E: "run", Tags: []string{"x", "y"}, Nums: [][]int32{{1, -2}, {}}, Money: decimal.RequireFromString("-12345678901234.5678"), Big: math.MaxUint64, Maybe: &n, F: math.Inf(-1), S: "tab\tquote'back\\slash\nnul\x00ü✓", B: true, D: time.Date(2026, 6, 28, 0, 0, 0, 0, time.UTC), Fixed: "abcd", M: map[string]uint32{"k": 9}, I16: math.MinInt16},
		{At: time.Date(1969, 12, 31, 23, 59, 59, 1e6, time.UTC), Low: "", E: "down", Tags: []string{}, Nums: [][]int32{}, Money: decimal.RequireFromString("0.0001"), D: time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), Fixed: "\x00\x00\x00\x00", M: map[string]uint32{}},
	}
	batch, err := conn.PrepareBatch(t.Context(), "INSERT INTO types")
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	for i := range want {
		if err := batch.AppendStruct(&want[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := batch.Send(); err != nil {
		t.Fatal(err)
	}
	var got []row
	if err := conn.Select(t.Context(), &got, "SELECT * FROM types ORDER BY at DESC"); err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("%d rows", len(got))
	}
	for i := range want {
		if !got[i].Money.Equal(want[i].Money) {
			t.Errorf("row %d: money %v", i, got[i].Money)
		}
		got[i].Money = want[i].Money
		if !reflect.DeepEqual(got[i], want[i]) {
			t.Errorf("row %d:\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
}

func TestBatchIsOnePart(t *testing.T) {
	conn, db := warehousetest.Open(t)
	exec1(t, conn, "CREATE TABLE big (id UInt64, plant LowCardinality(String), at DateTime64(3, 'UTC'), mm Int64) ENGINE = MergeTree ORDER BY id")
	const rows = 200_000
	start := time.Now()
	batch, err := conn.PrepareBatch(t.Context(), "INSERT INTO big")
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	var sum uint64
	for i := range uint64(rows) {
		if err := batch.Append(i, "p"+strconv.Itoa(int(i%12)), time.UnixMilli(int64(i)*1000), int64(i)); err != nil {
			t.Fatal(err)
		}
		sum += i
	}
	built := time.Now()
	if err := batch.Send(); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d rows: built in %v, sent in %v", rows, built.Sub(start), time.Since(built))
	if n, s := scan[uint64](t, conn, "SELECT count() FROM big"), scan[uint64](t, conn, "SELECT sum(id) FROM big"); n != rows || s != sum {
		t.Errorf("stored %d rows with sum %d, want %d and %d", n, s, rows, sum)
	}
	if parts := scan[uint64](t, conn, "SELECT count() FROM system.parts WHERE database = {db:String} AND table = 'big' AND level = 0", clickhouse.Named("db", db)); parts != 1 {
		t.Errorf("one INSERT made %d parts", parts)
	}
}

func TestParameters(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	for _, s := range awkward {
		if got := scan[string](t, conn, "SELECT {s:String}", clickhouse.Named("s", s)); got != s {
			t.Errorf("%q came back as %q", s, got)
		}
	}
	if got := scan[*string](t, conn, "SELECT {s:Nullable(String)}", clickhouse.Named("s", nil)); got != nil {
		t.Errorf("NULL came back as %q", *got)
	}
	if got := scan[string](t, conn, "SELECT arrayStringConcat({s:Array(String)}, '|')", clickhouse.Named("s", []string{"a'b", `c\d`, "e\tf"})); got != "a'b|c\\d|e\tf" {
		t.Errorf("array came back as %q", got)
	}
	at := time.Date(2026, 10, 25, 0, 59, 59, 123e6, time.UTC)
	if got := scan[time.Time](t, conn, "SELECT {t:DateTime64(3, 'UTC')}", clickhouse.DateNamed("t", at, clickhouse.MilliSeconds)); !got.Equal(at) {
		t.Errorf("instant came back as %v", got)
	}
	if got := scan[int64](t, conn, "SELECT {a:UInt64} + {a:UInt64} - {b:Int64}", clickhouse.Named("a", uint64(20)), clickhouse.Named("b", int64(-2))); got != 42 {
		t.Errorf("got %d", got)
	}
	if c := code(t, conn.QueryRow(t.Context(), "SELECT {s:String}").Scan(new(string))); c != 456 {
		t.Errorf("a parameter not given: code %d", c)
	}
}

var awkward = []string{"", "plain", "'; DROP TABLE t; --", `\'; DROP TABLE t; --`, "tab\tnewline\ncr\r", `back\slash\\`, `\N`, "NULL", "nul\x00in", "ü✓🏭", "{s:String}", "%25&a=b+c", `"`, "`", "\\", "\\t"}

func FuzzParameter(f *testing.F) {
	for _, s := range awkward {
		f.Add(s)
	}
	conn, _ := warehousetest.Open(f)
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 4096 {
			t.Skip("a URL is no place for this")
		}
		if got := scan[string](t, conn, "SELECT {s:String}", clickhouse.Named("s", s)); got != s {
			t.Errorf("%q came back as %q", s, got)
		}
	})
}

func TestExceptionsAreTyped(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	for sql, want := range map[string]int32{
		"SELECT * FROM nowhere": 60,
		"SELEC 1":               62,
		"SELECT nope":           47,
		"SELECT throwIf(number = 3, 'stop') FROM numbers(9)": 395,
		"SELECT 1 SETTINGS nope = 1":                         115,
	} {
		if c := code(t, conn.Exec(t.Context(), sql)); c != want {
			t.Errorf("%s: code %d, want %d", sql, c, want)
		}
		if rows, err := conn.Query(t.Context(), sql); err == nil {
			rows.Close()
			t.Errorf("%s: no error", sql)
		} else if c := code(t, err); c != want {
			t.Errorf("%s: code %d, want %d", sql, c, want)
		}
	}
	if _, err := conn.PrepareBatch(t.Context(), "INSERT INTO nowhere (a)"); code(t, err) != 60 {
		t.Errorf("batch into nowhere: %v", err)
	}
	// The insert itself: a value that no row of the table may have.
	exec1(t, conn, "CREATE TABLE checked (a Int32, CONSTRAINT positive CHECK a > 0) ENGINE = MergeTree ORDER BY a")
	batch, err := conn.PrepareBatch(t.Context(), "INSERT INTO checked")
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	batch.Append(int32(1))
	batch.Append(int32(-1))
	if c := code(t, batch.Send()); c != 469 {
		t.Errorf("constraint: code %d", c)
	}
	if n := scan[uint64](t, conn, "SELECT count() FROM checked"); n != 0 {
		t.Errorf("a failed insert stored %d rows", n)
	}
}

// A failure after output has begun ends in a typed error, never in a short result that looks whole.
func TestExceptionInTheMiddle(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	const sql = "SELECT number, throwIf(number = 4000000, 'late') FROM numbers(5000000) SETTINGS max_block_size = 65536, max_threads = 1"
	rows, err := conn.Query(t.Context(), sql)
	if err != nil {
		t.Fatalf("the first block already fails: %v", err)
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		n++
	}
	if c := code(t, rows.Err()); c != 395 || n == 0 {
		t.Errorf("code %d after %d rows", c, n)
	}
	res := curlLike(t, "POST", "/", sql)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err == nil || !strings.Contains(string(text[max(0, len(text)-400):]), "late") {
		t.Errorf("plain HTTP: err %v, end %q", err, text[max(0, len(text)-100):])
	}
}

func TestCancelStopsTheQuery(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	for _, sql := range []string{
		"SELECT count() FROM numbers(1000000000000) WHERE NOT ignore(sipHash64(number), 'cancel-me')",
		"SELECT number, 'cancel-me' FROM numbers(1000000000000)",
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond)
		start := time.Now()
		rows, err := conn.Query(ctx, sql)
		if err == nil {
			for rows.Next() {
			}
			err = rows.Err()
			go rows.Close()
		}
		cancel()
		if err == nil || time.Since(start) > 5*time.Second {
			t.Errorf("%s: %v after %v", sql, err, time.Since(start))
		}
		left := uint64(1)
		for deadline := time.Now().Add(10 * time.Second); left > 0 && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
			left = scan[uint64](t, conn, "SELECT count() FROM system.processes WHERE query LIKE '%cancel'||'-me%'")
		}
		if left > 0 {
			t.Errorf("%s: still running", sql)
		}
	}
}

// Five million rows pass through without the engine's memory growing with them.
func TestStreamIsBounded(t *testing.T) {
	p, err := warehousetest.Start(t, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	conn := warehousetest.Connect(t, p.Addr, "default", warehousetest.Password, "downweb")
	scan[uint64](t, conn, "SELECT count() FROM numbers(10)")
	before := rss(t, p.PID())
	rows, err := conn.Query(t.Context(), "SELECT number, toString(number) || repeat('x', 80) FROM numbers(5000000)")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var n, peak int64
	var id uint64
	var s string
	for rows.Next() {
		if err := rows.Scan(&id, &s); err != nil || id != uint64(n) {
			t.Fatalf("row %d: id %d, %v", n, id, err)
		}
		if n++; n%100_000 == 0 {
			peak = max(peak, rss(t, p.PID()))
		}
	}
	if rows.Err() != nil || n != 5_000_000 {
		t.Fatalf("%d rows, %v", n, rows.Err())
	}
	grown := (peak - before) >> 20
	t.Logf("500 MB passed through; the engine grew by %d MiB", grown)
	if grown > 200 {
		t.Errorf("the engine grew by %d MiB", grown)
	}
}

// rss is a process's memory in bytes.
func rss(t *testing.T, pid int) int64 {
	t.Helper()
	var total, resident int64
	if text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid)); err == nil {
		if _, err := fmt.Sscan(string(text), &total, &resident); err != nil {
			t.Fatal(err)
		}
		return resident * int64(os.Getpagesize())
	}
	out, err := exec.Command("ps", "-o", "rss=", "-p", strconv.Itoa(pid)).Output()
	if err != nil {
		t.Fatalf("ps: %v", err)
	}
	if _, err := fmt.Sscan(string(out), &resident); err != nil {
		t.Fatal(err)
	}
	return resident << 10
}

func TestManyAtOnce(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	exec1(t, conn, "CREATE TABLE many (w UInt32, i UInt32) ENGINE = MergeTree ORDER BY (w, i)")
	var wg sync.WaitGroup
	for w := range uint32(8) {
		wg.Go(func() {
			for i := range uint32(25) {
				batch, err := conn.PrepareBatch(t.Context(), "INSERT INTO many")
				if err != nil {
					t.Error(err)
					return
				}
				batch.Append(w, i)
				if err := batch.Send(); err != nil {
					t.Error(err)
				}
				var n uint64
				ctx := clickhouse.Context(t.Context(), clickhouse.WithSettings(clickhouse.Settings{"max_threads": w + 1}))
				var threads string
				if err := conn.QueryRow(ctx, "SELECT count(), toString(getSetting('max_threads')) FROM many WHERE w = {w:UInt32}", clickhouse.Named("w", w)).Scan(&n, &threads); err != nil {
					t.Error(err)
				} else if n != uint64(i)+1 || threads != fmt.Sprint(w+1) {
					t.Errorf("worker %d sees %d rows after %d inserts, and max_threads %s", w, n, i+1, threads)
				}
			}
		})
	}
	wg.Wait()
}

// Settings, database and SET last for one request.
func TestNothingLeaks(t *testing.T) {
	conn, db := warehousetest.Open(t)
	ctx := clickhouse.Context(t.Context(), clickhouse.WithSettings(clickhouse.Settings{"max_threads": 1, "final": true}))
	var v string
	if err := conn.QueryRow(ctx, "SELECT toString(getSetting('max_threads')) || toString(getSetting('final'))").Scan(&v); err != nil || v != "1true" {
		t.Errorf("settings: %q, %v", v, err)
	}
	exec1(t, conn, "SET final = 1")
	exec1(t, conn, "USE system")
	if v := scan[string](t, conn, "SELECT toString(getSetting('final')) || currentDatabase()"); v != "false"+db {
		t.Errorf("left over: %q", v)
	}
	bad := clickhouse.Context(t.Context(), clickhouse.WithSettings(clickhouse.Settings{"no_such_setting": 1}))
	if c := code(t, conn.Exec(bad, "SELECT 1")); c != 115 {
		t.Errorf("unknown setting: code %d", c)
	}
	inject := clickhouse.Context(t.Context(), clickhouse.WithSettings(clickhouse.Settings{"max_threads`=1, `final": 1}))
	if c := code(t, conn.Exec(inject, "SELECT 1")); c != 115 {
		t.Errorf("a setting's name that is no name: code %d", c)
	}
	quote := clickhouse.Context(t.Context(), clickhouse.WithSettings(clickhouse.Settings{"session_timezone": "UTC', final = '1"}))
	if err := conn.Exec(quote, "SELECT 1"); err == nil {
		t.Error("a setting's value broke out of its quotes")
	}
}

func TestMemoryLimit(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	if c := code(t, conn.Exec(t.Context(), "SELECT groupArray(number) FROM numbers(2000000000) FORMAT Null")); c != 241 {
		t.Errorf("code %d", c)
	}
	if n := scan[uint8](t, conn, "SELECT 1"); n != 1 {
		t.Error("the engine did not survive")
	}
}

func TestCompressionIsRefusedClearly(t *testing.T) {
	opt, err := clickhouse.ParseDSN(warehousetest.DSN(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, method := range []clickhouse.CompressionMethod{clickhouse.CompressionLZ4, clickhouse.CompressionZSTD} {
		opt.Compression = &clickhouse.Compression{Method: method}
		conn, err := clickhouse.Open(opt)
		if err != nil {
			t.Fatal(err)
		}
		err = conn.Ping(t.Context())
		if c := code(t, err); c != 48 || !strings.Contains(err.Error(), "compression") {
			t.Errorf("%v: %v", method, err)
		}
		conn.Close()
	}
}

func TestPassword(t *testing.T) {
	dsn, _ := url.Parse(warehousetest.DSN(t))
	for _, who := range [][2]string{{"default", "wrong"}, {"default", ""}, {"reader", warehousetest.Password}, {"nobody", warehousetest.Password}, {"", "x"}} {
		conn := warehousetest.Connect(t, dsn.Host, who[0], who[1], "")
		if c := code(t, conn.Ping(t.Context())); c != 516 {
			t.Errorf("%q: code %d", who, c)
		}
	}
	req, _ := http.NewRequest("POST", "http://"+dsn.Host, strings.NewReader("SELECT 1"))
	req.Header.Set("X-ClickHouse-User", "default")
	req.Header.Set("X-ClickHouse-Key", warehousetest.Password)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if text, _ := io.ReadAll(res.Body); string(text) != "1\n" {
		t.Errorf("by headers: %d %s", res.StatusCode, text)
	}
}

func TestReaderOnlyReads(t *testing.T) {
	writer, db := warehousetest.Open(t)
	dsn, _ := url.Parse(warehousetest.DSN(t))
	exec1(t, writer, "CREATE TABLE t (a Int32) ENGINE = MergeTree ORDER BY a")
	exec1(t, writer, "INSERT INTO t VALUES (1), (2)")
	reader := warehousetest.Connect(t, dsn.Host, "reader", warehousetest.ReaderPassword, db)
	ctx := clickhouse.Context(t.Context(), clickhouse.WithSettings(clickhouse.Settings{"max_execution_time": 20, "readonly": 0}))
	var n uint64
	if err := reader.QueryRow(ctx, "SELECT count() FROM t WHERE a > {a:Int32}", clickhouse.Named("a", 0)).Scan(&n); err != nil || n != 2 {
		t.Fatalf("reading: %d, %v", n, err)
	}
	outfile := filepath.Join(t.TempDir(), "out")
	for sql, want := range map[string]int32{
		"INSERT INTO t VALUES (3)":                                       164,
		"CREATE TABLE u (a Int32) ENGINE = Memory":                       164,
		"DROP TABLE t":                                                   164,
		"ALTER TABLE t DELETE WHERE 1":                                   164,
		"SELECT * FROM file('/etc/passwd', 'LineAsString')":              164,
		"SELECT file('/etc/passwd')":                                     164,
		"SELECT `file`('/etc/passwd')":                                   164,
		"SELECT `\\x66ile`('/etc/passwd')":                               164,
		"SELECT * FROM eval(concat('SELECT fi', 'le(''/etc/passwd'')'))": 164,
		"SELECT \"fil\\x65\"('/etc/passwd')":                             164,
		"SELECT * FROM url('http://127.0.0.1:1/', 'LineAsString')":       164,
		"SELECT * FROM remote('127.0.0.1', system.one)":                  164,
		"SELECT * FROM executable('cat', 'TSV', 'a String')":             164,
		"SELECT 1 INTO OUTFILE '" + outfile + "'":                        164,
		"SELECT 1 INTO/**/OUTFILE '" + outfile + "'":                     164,
		"KILL QUERY WHERE 1 ASYNC":                                       164,
		"SELECT 1; KILL QUERY WHERE 1 ASYNC":                             164,
		"SELECT 1; SELECT 2":                                             164,
		"SET readonly = 0":                                               164,
		"SELECT 1 SETTINGS readonly = 0":                                 164,
		"SYSTEM SHUTDOWN":                                                164,
		"SELEC 1":                                                        62,
		"":                                                               62,
		"SELECT * FROM nowhere":                                          60,
	} {
		if err := reader.Exec(t.Context(), sql); err == nil {
			t.Errorf("%s: done", sql)
		} else if c := code(t, err); c != want {
			t.Errorf("%s: code %d, want %d: %v", sql, c, want, err)
		}
	}
	if _, err := os.Stat(outfile); err == nil {
		t.Error("the reader wrote a file")
	}
	experiment := clickhouse.Context(t.Context(), clickhouse.WithSettings(clickhouse.Settings{"allow_experimental_eval_table_function": 1}))
	if c := code(t, reader.Exec(experiment, "SELECT 1")); c != 115 {
		t.Errorf("a reader switches on an experiment: code %d", c)
	}
	batch, err := reader.PrepareBatch(t.Context(), "INSERT INTO t")
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	batch.Append(int32(4))
	if c := code(t, batch.Send()); c != 164 {
		t.Errorf("batch: code %d", c)
	}
	for _, sql := range []string{"SHOW TABLES", "DESCRIBE t", "EXPLAIN SELECT 1", "WITH 1 AS x SELECT x", "(SELECT 1)", "EXISTS TABLE t"} {
		if err := reader.Exec(t.Context(), sql); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
	}
	if n := scan[uint64](t, writer, "SELECT count() FROM t"); n != 2 {
		t.Errorf("the table has %d rows now", n)
	}
}

// curlLike sends a request without clickhouse-go, as user default.
func curlLike(t *testing.T, method, target, body string) *http.Response {
	t.Helper()
	dsn, _ := url.Parse(warehousetest.DSN(t))
	req, err := http.NewRequest(method, "http://"+dsn.Host+target, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.SetBasicAuth("default", warehousetest.Password)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func TestPlainHTTP(t *testing.T) {
	query := func(sql string) string { return "/?query=" + url.QueryEscape(sql) }
	for _, c := range []struct {
		method, target, body string
		status               int
		want                 string
	}{
		{"GET", "/ping", "", 200, "Ok.\n"},
		{"GET", "/", "", 200, "Ok.\n"},
		{"GET", query("SELECT 1"), "", 200, "1\n"},
		{"POST", "/", "SELECT 'a\\tb', 2", 200, "a\\tb\t2\n"},
		{"POST", "/?default_format=JSONEachRow", "SELECT 1 AS x", 200, "{\"x\":1}\n"},
		{"POST", "/", "SELECT 1 AS x FORMAT CSVWithNames", 200, "\"x\"\n1\n"},
		{"POST", "/?param_s=a%5Ctb", "SELECT {s:String} AS x FORMAT JSONEachRow", 200, "{\"x\":\"a\\tb\"}\n"},
		{"POST", "/?database=system", "SELECT currentDatabase()", 200, "system\n"},
		{"POST", "/?database=nowhere", "SELECT 1", 500, "81"},
		{"POST", query("SELECT"), "1 + 1", 200, "2\n"},
		{"POST", "/", "SELECT 1; SELECT 2", 500, "62"},
		{"POST", "/", "SELECT number FROM numbers(200000) FORMAT Null", 200, ""},
		{"GET", query("CREATE DATABASE by_get"), "", 500, "164"},
		{"PUT", "/", "SELECT 1", 501, "48"},
		{"POST", "/?session_id=x", "SELECT 1", 501, "48"},
		{"POST", "/?a=%zz", "SELECT 1", 500, "36"},
	} {
		res := curlLike(t, c.method, c.target, c.body)
		text, err := io.ReadAll(res.Body)
		res.Body.Close()
		got := string(text)
		if c.status != 200 {
			got = res.Header.Get("X-ClickHouse-Exception-Code")
		}
		if err != nil || res.StatusCode != c.status || got != c.want {
			t.Errorf("%s %s %s: %d %q (%v), want %d %q", c.method, c.target, c.body, res.StatusCode, got, err, c.status, c.want)
		}
	}
	// Blocks without a row that passes come before the one that has it.
	res := curlLike(t, "POST", "/?max_block_size=1000&max_threads=1", "SELECT number FROM numbers(3000000) WHERE number = 2999999")
	text, _ := io.ReadAll(res.Body)
	res.Body.Close()
	if string(text) != "2999999\n" {
		t.Errorf("one row far behind: %q", text)
	}
	// Totals and FORMAT Null see the whole query.
	res = curlLike(t, "POST", "/", "SELECT number % 2 AS k, count() FROM numbers(300000) GROUP BY k WITH TOTALS ORDER BY k")
	text, _ = io.ReadAll(res.Body)
	res.Body.Close()
	if string(text) != "0\t150000\n1\t150000\n\n0\t300000\n" {
		t.Errorf("totals: %q", text)
	}
	res = curlLike(t, "POST", "/?max_block_size=1000&max_threads=1", "SELECT throwIf(number = 2999999) FROM numbers(3000000) FORMAT Null")
	res.Body.Close()
	if got := res.Header.Get("X-ClickHouse-Exception-Code"); got != "395" {
		t.Errorf("FORMAT Null: code %q", got)
	}
	// Formats that have a head or a foot are whole however large they are.
	res = curlLike(t, "POST", "/?default_format=CSVWithNames", "SELECT number FROM numbers(300000)")
	text, _ = io.ReadAll(res.Body)
	res.Body.Close()
	if lines := strings.Count(string(text), "\n"); lines != 300_001 {
		t.Errorf("CSVWithNames: %d lines", lines)
	}
}

func TestPlainInsert(t *testing.T) {
	conn, db := warehousetest.Open(t)
	exec1(t, conn, "CREATE TABLE t (a Int32, s String DEFAULT 'none') ENGINE = MergeTree ORDER BY a")
	for _, c := range [][2]string{
		{"INSERT INTO t FORMAT JSONEachRow", `{"s":"x","a":1}` + "\n" + `{"a":2}`},
		{"INSERT INTO t (s, a) FORMAT TabSeparated", "y\t3\nz\\tz\t4\n"},
		{"INSERT INTO t (a) VALUES", "(5),(6)"},
		{"INSERT INTO t FORMAT CSV", ""},
		{"", "INSERT INTO t FORMAT CSV\n7,\"q\"\n"},
		{"", "INSERT INTO t SELECT 8, 'FORMAT CSV'"},
	} {
		res := curlLike(t, "POST", "/?database="+db+"&query="+url.QueryEscape(c[0]), c[1])
		if text, _ := io.ReadAll(res.Body); res.StatusCode != 200 {
			t.Errorf("%q: %s", c, text)
		}
		res.Body.Close()
	}
	want := "1x 2none 3y 4z\tz 5none 6none 7q 8FORMAT CSV"
	if got := scan[string](t, conn, "SELECT arrayStringConcat(groupArray(toString(a) || s), ' ') FROM (SELECT * FROM t ORDER BY a)"); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// With the real curl, as an operator would.
func TestCurl(t *testing.T) {
	curl, err := exec.LookPath("curl")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("curl is not installed")
		}
		t.Skip("curl is not installed")
	}
	dsn, _ := url.Parse(warehousetest.DSN(t))
	out, err := exec.Command(curl, "-sS", "-u", "default:"+warehousetest.Password, "http://"+dsn.Host+"/?query=SELECT%201").CombinedOutput()
	if err != nil || string(out) != "1\n" {
		t.Errorf("%v: %s", err, out)
	}
	out, err = exec.Command(curl, "-sS", "-u", "default:"+warehousetest.Password, "http://"+dsn.Host, "--data-binary", "SELECT sum(number) FROM numbers(10)").CombinedOutput()
	if err != nil || string(out) != "45\n" {
		t.Errorf("%v: %s", err, out)
	}
}
