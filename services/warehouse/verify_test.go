package warehouse

import (
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Two readings show that nothing was raised between them only if one engine gave both.
func TestFaultsNone(t *testing.T) {
	at := time.Now()
	before := engineFaults{raised: 3, up: time.Minute, read: at}
	for name, c := range map[string]struct {
		before, now engineFaults
		want        bool
	}{
		"nothing was raised":       {before, engineFaults{3, 0, time.Minute + 10*time.Second, at.Add(10 * time.Second)}, true},
		"seconds are rounded":      {before, engineFaults{3, 0, time.Minute, at.Add(1900 * time.Millisecond)}, true},
		"an error":                 {before, engineFaults{4, 0, time.Minute + 10*time.Second, at.Add(10 * time.Second)}, false},
		"a write that failed":      {before, engineFaults{3, 1, time.Minute + 10*time.Second, at.Add(10 * time.Second)}, false},
		"another engine":           {before, engineFaults{3, 0, 5 * time.Second, at.Add(10 * time.Second)}, false},
		"another, up for longer":   {before, engineFaults{3, 0, 2 * time.Minute, at.Add(3 * time.Minute)}, false},
		"fewer errors":             {before, engineFaults{0, 0, time.Minute + time.Second, at.Add(time.Second)}, false},
		"nothing known before":     {engineFaults{}, engineFaults{0, 0, time.Minute, at}, false},
		"read when it had started": {engineFaults{0, 0, time.Second, at}, engineFaults{0, 0, 2 * time.Second, at.Add(time.Second)}, false},
	} {
		if got := c.now.none(c.before); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// An insert is compared with its checksums when the engine has raised any error since it began, and only then.
func TestPartChecks(t *testing.T) {
	ctx, db := testContext(t), openTest(t)
	if !db.embedded {
		t.Fatal("the test's engine is not known as the embedded one")
	}
	n := 0
	insert := func() (checked bool) {
		t.Helper()
		before := db.PartChecks()
		n++
		if err := db.InsertEvents(ctx, []*pb.Event{sliceAt("rhein", "p1", 7, n)}, uint64(n)); err != nil {
			t.Fatal(err)
		}
		return db.PartChecks() > before
	}
	db.lastFaults.Store(nil)
	if !insert() {
		t.Error("nothing is known yet, and the insert was not checked")
	}
	for end := time.Now().Add(20 * time.Second); insert(); time.Sleep(200 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("every insert is checked")
		}
	}
	if insert() {
		t.Error("checked, and nothing had happened")
	}
	if err := db.conn.Exec(ctx, "SELECT throwIf(1)"); err == nil {
		t.Fatal("throwIf raises nothing")
	}
	if !insert() {
		t.Error("an error was raised, and the insert was not checked")
	}
	if insert() {
		t.Error("checked again for an old error")
	}
	if n := db.faults().raised; n == 0 {
		t.Error("no error is counted")
	}
	db.embedded = false // another's server
	db.lastFaults.Store(nil)
	for range 2 {
		if !insert() {
			t.Error("an insert into another's server was not checked")
		}
	}
}
