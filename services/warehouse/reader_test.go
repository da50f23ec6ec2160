package warehouse

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
)

// The login of deploy/clickhouse/reader.sql is understood by the engine, names columns that there are, and those are enough
// for every view and hold nothing of people. That a server then refuses the rest is not tried: the embedded engine has no
// logins of its own.
func TestReaderLogin(t *testing.T) {
	ctx, db := testContext(t), openTest(t)
	text, err := os.ReadFile("../../deploy/clickhouse/reader.sql")
	if err != nil {
		t.Fatal(err)
	}
	plain := regexp.MustCompile(`(?m)^--.*$`).ReplaceAllString(string(text), "")
	few := db.cfg.Database + "_few"
	if err := db.conn.Exec(ctx, "CREATE DATABASE "+few); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.conn.Exec(ctx, "DROP DATABASE "+few) })
	grant := regexp.MustCompile(`(?s)^GRANT SELECT(?:\(([^)]*)\))? ON downweb\.(\w+) TO downweb_reader$`)
	var views, tables []string
	for q := range strings.SplitSeq(plain, ";") {
		if q = strings.TrimSpace(q); q == "" {
			continue
		}
		if err := db.conn.Exec(ctx, "EXPLAIN AST "+q); err != nil {
			t.Errorf("%s: %v", q, err)
		}
		m := grant.FindStringSubmatch(q)
		switch {
		case m == nil:
		case m[1] == "":
			views = append(views, m[2])
		default:
			tables = append(tables, m[2])
			// A table of the granted columns alone.
			err := db.conn.Exec(ctx, fmt.Sprintf("CREATE TABLE %s.%s ENGINE = ReplacingMergeTree(ver, gone) ORDER BY (plant, press, day) SETTINGS allow_nullable_key = 1 AS SELECT %s FROM %s LIMIT 0", few, m[2], m[1], m[2]))
			if err != nil {
				t.Errorf("%s: %v", m[2], err)
			}
			for _, no := range []string{"crew", "note", "author", "raw", "carry", "source_key"} {
				if regexp.MustCompile(`\b` + no + `\w*\b`).MatchString(m[1]) {
					t.Errorf("%s: %s is for those who work with people's data", m[2], no)
				}
			}
		}
	}
	if len(views) != 6 || len(tables) != 4 {
		t.Fatalf("views %v, tables %v", views, tables)
	}
	for _, v := range views {
		var made string
		if err := db.conn.QueryRow(ctx, "SELECT create_table_query FROM system.tables WHERE database = currentDatabase() AND name = '"+v+"'").Scan(&made); err != nil {
			t.Fatal(err)
		}
		if err := db.conn.Exec(ctx, strings.ReplaceAll(made, db.cfg.Database+".", few+".")); err != nil {
			t.Errorf("%s needs more than it is granted: %v", v, err)
			continue
		}
		if err := db.conn.Exec(ctx, "SELECT * FROM "+few+"."+v+" LIMIT 0"); err != nil {
			t.Errorf("%s needs more than it is granted: %v", v, err)
		}
	}
}
