package warehousetest_test

import (
	"context"
	"os"
	"os/exec"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

func TestEveryTestHasItsOwnDatabase(t *testing.T) {
	a, nameA := warehousetest.Open(t)
	b, nameB := warehousetest.Open(t)
	if nameA == nameB {
		t.Fatalf("both are %s", nameA)
	}
	if err := a.Exec(t.Context(), "CREATE TABLE t (x UInt8) ENGINE = MergeTree ORDER BY x"); err != nil {
		t.Fatal(err)
	}
	if err := b.Exec(t.Context(), "SELECT * FROM t"); err == nil {
		t.Error("one test's table is another's")
	}
}

func TestDatabaseIsDroppedWithTheTest(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	var name string
	t.Run("inner", func(t *testing.T) { _, name = warehousetest.Open(t) })
	var n uint64
	if err := conn.QueryRow(context.Background(), "SELECT count() FROM system.databases WHERE name = '"+name+"'").Scan(&n); err != nil || n != 0 {
		t.Errorf("%s: %d left, %v", name, n, err)
	}
}

// Nothing of it runs on in the test's own process, so that packages may check for leaked goroutines.
func TestNoGoroutineStays(t *testing.T) {
	ignore := goleak.IgnoreCurrent()
	t.Run("use", func(t *testing.T) {
		conn, _ := warehousetest.Open(t)
		if err := conn.Ping(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
	goleak.VerifyNone(t, ignore)
}

// Without the engine a laptop skips and says why; CI fails.
func TestMissingEngine(t *testing.T) {
	if os.Getenv("WAREHOUSETEST_INNER") != "" {
		warehousetest.DSN(t)
		return
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for _, ci := range []string{"", "true"} {
		empty := t.TempDir()
		cmd := exec.Command(self, "-test.run=^TestMissingEngine$", "-test.v")
		cmd.Env = []string{"WAREHOUSETEST_INNER=1", "CI=" + ci, "HOME=" + empty, "XDG_CACHE_HOME=" + empty, "PATH=" + empty, "TMPDIR=" + empty}
		out, err := cmd.CombinedOutput()
		if text := string(out); !strings.Contains(text, "npm is needed") || (err != nil) != (ci == "true") || strings.Contains(text, "--- SKIP") != (ci == "") {
			t.Errorf("CI=%q: %v\n%s", ci, err, text)
		}
	}
}
