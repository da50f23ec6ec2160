//go:build linux

package faults

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// T16, engine: whatever statement the reading user sends, with whatever settings, nothing is written, no
// file is read or made and nobody is dialed. Statements are put together from hostile pieces, harmless wrappings and
// spellings; what is asked for openly must be refused, and what is let through must have had no effect.
func TestReaderAnyStatement(t *testing.T) {
	writer, db := warehousetest.Open(t)
	ctx := limited(t, 2*time.Minute)
	for _, sql := range []string{"CREATE TABLE facts (a Int64, s String) ENGINE = MergeTree ORDER BY a", "INSERT INTO facts SELECT number, toString(number) FROM numbers(1000)"} {
		if err := writer.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	state := func() (s string) {
		t.Helper()
		err := writer.QueryRow(ctx, `SELECT toString((SELECT (count(), sum(cityHash64(a, s))) FROM facts)) ||
			toString((SELECT groupArray((name, engine)) FROM (SELECT name, engine FROM system.tables WHERE database = currentDatabase() ORDER BY name)))`).Scan(&s)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}

	dir := t.TempDir()
	const secret = "canary-7d1f0c"
	canary := filepath.Join(dir, "canary.tsv")
	if err := os.WriteFile(canary, []byte(secret+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	var dialed atomic.Int64
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			dialed.Add(1)
			c.Close()
		}
	}()
	addr := ln.Addr().String()

	dsn, _ := url.Parse(warehousetest.DSN(t))
	ask := func(user, password, sql string, settings url.Values) (status int, body string) {
		q := url.Values{"database": {db}}
		for k, v := range settings {
			q[k] = v
		}
		req, err := http.NewRequestWithContext(ctx, "POST", "http://"+dsn.Host+"/?"+q.Encode(), strings.NewReader(sql))
		if err != nil {
			t.Fatal(err)
		}
		req.SetBasicAuth(user, password)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
		defer res.Body.Close()
		text, _ := io.ReadAll(io.LimitReader(res.Body, 1<<20))
		return res.StatusCode, string(text)
	}

	// The checks can fail: who may do everything reads the canary, reaches the listener, and changes the state.
	before := state()
	if _, got := ask("default", warehousetest.Password, "SELECT * FROM file('"+canary+"', 'TSV', 's String')", nil); !strings.Contains(got, secret) {
		t.Errorf("the writer does not read the canary either: %q", got)
	}
	ask("default", warehousetest.Password, "SELECT * FROM url('http://"+addr+"/x', 'TSV', 's String') SETTINGS http_max_tries = 1", nil)
	if dialed.Load() == 0 {
		t.Error("the writer does not reach the listener either")
	}
	if code, got := ask("default", warehousetest.Password, "INSERT INTO facts VALUES (-1, 'x')", nil); code != 200 || state() == before {
		t.Errorf("the writer's row is not seen: %d %s", code, got)
	}
	if err := writer.Exec(ctx, "ALTER TABLE facts DELETE WHERE a < 0 SETTINGS mutations_sync = 2"); err != nil || state() != before {
		t.Fatalf("the state does not come back: %v", err)
	}
	dialed.Store(0)

	out := filepath.Join(dir, "out")
	tables := []string{ // table functions that read, dial or run
		"file('" + canary + "', 'TSV', 's String')", "file('" + canary + "')", "url('http://" + addr + "/x', 'TSV', 's String')",
		"s3('http://" + addr + "/b/x.tsv', 'k', 's', 'TSV', 's String')", "remote('" + addr + "', system.one)", "remoteSecure('" + addr + "', system, one)",
		"cluster('default', system.one)", "mysql('" + addr + "', 'd', 't', 'u', 'p')", "postgresql('" + addr + "', 'd', 't', 'u', 'p')", "mongodb('" + addr + "', 'd', 't', 'u', 'p', 's String')",
		"redis('" + addr + "', 's', 's String')", "executable('cat', 'TSV', 's String')", "hdfs('hdfs://" + addr + "/x', 'TSV', 's String')",
		"azureBlobStorage('http://" + addr + "', 'c', 'x', 'k', 's', 'TSV', 's String')", "sqlite('" + canary + "', 't')", "jdbc('" + addr + "', 'd', 't')", "odbc('" + addr + "', 'd', 't')",
		"deltaLake('http://" + addr + "/b', 'k', 's')", "iceberg('http://" + addr + "/b', 'k', 's')", "gcs('http://" + addr + "/b/x.tsv', 'TSV', 's String')",
		"input('s String')", "fileCluster('default', '" + canary + "', 'TSV', 's String')", "urlCluster('default', 'http://" + addr + "/', 'TSV', 's String')",
		"fuzzQuery('SELECT 1')", "loop(file('" + canary + "'))", "viewIfPermitted(SELECT * FROM file('" + canary + "') ELSE null('s String'))",
		"merge(file('" + canary + "'), 'x')", "arrowFlight('" + addr + "', 'd')", "ytsaurus('http://" + addr + "', 'd', 'o', 's String')", "python('x')",
	}
	scalars := []string{"file('" + canary + "')", "dictGet('d', 'a', 1)", "catboostEvaluate('" + canary + "', 1)", "evalMLMethod('m', 1)", "aiGenerateContent('c', 'p')"}
	statements := []string{
		"INSERT INTO facts VALUES (1, 'x')", "INSERT INTO facts SELECT number, '' FROM numbers(3)", "INSERT INTO FUNCTION file('" + out + "', 'TSV', 's String') VALUES ('x')",
		"INSERT INTO FUNCTION url('http://" + addr + "/x', 'TSV', 's String') VALUES ('x')", "CREATE TABLE u (a Int8) ENGINE = Memory", "CREATE TEMPORARY TABLE u (a Int8)",
		"CREATE TABLE u ENGINE = File(TSV, '" + canary + "')", "CREATE VIEW v AS SELECT 1", "CREATE DATABASE u", "CREATE FUNCTION u AS x -> x", "CREATE USER u", "GRANT ALL ON *.* TO reader",
		"CREATE DICTIONARY d (a UInt64) PRIMARY KEY a SOURCE(HTTP(URL 'http://" + addr + "/' FORMAT 'TSV')) LAYOUT(FLAT()) LIFETIME(0)", "CREATE NAMED COLLECTION c AS a = 1",
		"DROP TABLE facts", "TRUNCATE TABLE facts", "DETACH TABLE facts", "RENAME TABLE facts TO x", "EXCHANGE TABLES facts AND facts", "OPTIMIZE TABLE facts FINAL", "UNDROP TABLE facts",
		"ALTER TABLE facts DELETE WHERE 1", "ALTER TABLE facts UPDATE s = '' WHERE 1", "ALTER TABLE facts ADD COLUMN b Int8", "ALTER TABLE facts FREEZE", "DELETE FROM facts WHERE 1", "UPDATE facts SET s = '' WHERE 1",
		"BACKUP TABLE facts TO File('" + out + "')", "RESTORE TABLE facts FROM File('" + out + "')", "SYSTEM SHUTDOWN", "SYSTEM STOP MERGES", "SYSTEM FLUSH LOGS", "KILL QUERY WHERE 1 ASYNC",
		"SET readonly = 0", "SET max_execution_time = 0", "USE system", "SELECT * FROM facts INTO OUTFILE '" + out + "'", "SELECT 1 INTO OUTFILE '" + out + "' TRUNCATE FORMAT CSV", "ATTACH TABLE facts",
		"SELECT 1 SETTINGS readonly = 0", "EXPLAIN SELECT * FROM file('" + canary + "')", "DESCRIBE TABLE file('" + canary + "')", "SELECT 1; DROP TABLE facts", "CHECK TABLE facts; DROP TABLE facts",
		"SELECT * FROM eval(concat('SELECT * FROM fi', 'le(''" + canary + "'')'))", "EXECUTE AS default SELECT 1", "SELECT * FROM facts PARALLEL WITH DROP TABLE facts", "START TRANSACTION", "MOVE USER u TO x",
	}
	wrap := []func(sql string) string{
		func(s string) string { return "SELECT * FROM (" + s + ")" },
		func(s string) string { return "WITH x AS (" + s + ") SELECT * FROM x" },
		func(s string) string { return s + " UNION ALL " + s },
		func(s string) string { return "SELECT * FROM facts WHERE s IN (" + s + ")" },
		func(s string) string { return "SELECT (" + s + " LIMIT 1)" },
		func(s string) string { return "SELECT * FROM facts AS l CROSS JOIN (" + s + ") AS r" },
		func(s string) string { return "/* " + secret[:3] + " */ " + s },
		func(s string) string { return "-- x\n" + s },
		func(s string) string { return "EXPLAIN SYNTAX " + s },
		func(s string) string { return "(" + s + ")" },
		func(s string) string { return s + " FORMAT JSONEachRow" },
		func(s string) string { return "SELECT * FROM view(" + s + ")" },
		func(s string) string { return "SELECT 1; " + s },
	}
	spell := []func(string) string{
		func(s string) string { return s },
		strings.ToLower,
		func(s string) string { return strings.ReplaceAll(s, "file(", "`file`(") },
		func(s string) string { return strings.ReplaceAll(s, "url(", "\"url\"(") },
		func(s string) string { return strings.ReplaceAll(s, "file(", "`\\x66ile`(") },
		func(s string) string { return strings.ReplaceAll(s, "(", " /**/ (") },
		func(s string) string { return strings.ReplaceAll(s, " ", "\n\t") },
		func(s string) string { return strings.ReplaceAll(s, "file(", "FILE(") },
		func(s string) string { return "\ufeff" + s },
	}
	settings := []string{"readonly=0", "readonly=1", "allow_ddl=1", "allow_introspection_functions=1", "allow_experimental_eval_table_function=1", "max_execution_time=0", "max_memory_usage=0",
		"engine_file_allow_create_multiple_files=1", "profile=default", "role=admin", "log_queries=0", "param_x=1", "allow_experimental_analyzer=0", "dialect=prql", "user=default", "password=x", "wait_end_of_query=1"}

	kinds := map[string]int{}
	through := 0
	one := func(rt *rapid.T) {
		var sql, kind string
		openly := true // nothing but a refusal is right
		switch rapid.IntRange(0, 3).Draw(rt, "piece") {
		case 0:
			kind, sql = "statement", rapid.SampledFrom(statements).Draw(rt, "statement")
		case 1:
			kind, sql = "scalar", "SELECT "+rapid.SampledFrom(scalars).Draw(rt, "scalar")
		case 2:
			kind, sql = "table", "SELECT * FROM "+rapid.SampledFrom(tables).Draw(rt, "table")
		case 3: // pieces of statements put together anyhow
			kind, openly = "soup", false
			words := strings.Fields(strings.Join(statements, " ") + " " + strings.Join(tables, " "))
			sql = "SELECT " + strings.Join(rapid.SliceOfN(rapid.SampledFrom(words), 1, 8).Draw(rt, "words"), " ")
		}
		if kind == "table" || kind == "scalar" {
			for range rapid.IntRange(0, 2).Draw(rt, "depth") {
				i := rapid.IntRange(0, len(wrap)-1).Draw(rt, "wrap")
				sql = wrap[i](sql)
				openly = openly && i != 8 && i != 3 // EXPLAIN SYNTAX does nothing; an IN may be seen to be empty first
			}
		}
		sql = rapid.SampledFrom(spell).Draw(rt, "spell")(sql)
		q := url.Values{}
		for _, s := range rapid.SliceOfN(rapid.SampledFrom(settings), 0, 2).Draw(rt, "settings") {
			k, v, _ := strings.Cut(s, "=")
			q.Set(k, v)
		}
		kinds[kind]++
		code, body := ask("reader", warehousetest.ReaderPassword, sql, q)
		if strings.Contains(body, secret) {
			rt.Fatalf("%q with %v reads a file: %q", sql, q, body)
		}
		if code == 200 {
			through++
			if openly {
				rt.Fatalf("%q with %v is answered: %q", sql, q, body)
			}
		}
		if n := dialed.Load(); n != 0 {
			rt.Fatalf("%q with %v dials out", sql, q)
		}
		if _, err := os.Stat(out); err == nil {
			rt.Fatalf("%q with %v makes a file", sql, q)
		}
		if kind == "statement" || code == 200 {
			if now := state(); now != before {
				rt.Fatalf("%q with %v changes the tables: %s, before %s", sql, q, now, before)
			}
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		for range 10 {
			one(rt)
		}
	})
	if now := state(); now != before {
		t.Errorf("the tables are %s, before %s", now, before)
	}
	t.Log(fmt.Sprint(kinds), through, "harmless ones let through")
	if code, got := ask("reader", warehousetest.ReaderPassword, "SELECT count() FROM facts", nil); code != 200 || got != "1000\n" {
		t.Errorf("the reader cannot read any more: %d %q", code, got)
	}
}
