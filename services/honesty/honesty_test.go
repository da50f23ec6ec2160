package honesty

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/study"
)

// The exact tail against values of R 4.5: pbinom(1874, 2000, 0.95),
// pbinom(1873, 2000, 0.95), pbinom(5, 10, 0.5).
func TestLowerTailAgainstR(t *testing.T) {
	for _, c := range []struct {
		k, n int
		p    float64
		want float64
	}{{1874, 2000, 0.95, 0.00561243816676526}, {1873, 2000, 0.95, 0.00425749570610585}, {5, 10, 0.5, 0.623046875}} {
		if got := lowerTail(c.k, c.n, c.p); math.Abs(got/c.want-1) > 1e-9 {
			t.Errorf("P(X ≤ %d), n %d, p %v: %.12g, want %.12g", c.k, c.n, c.p, got, c.want)
		}
	}
}

// With 2,000 fleets a coverage passes from 93.7 to 96.2 % and an error up to 6.2 %.
func TestJudgeBounds(t *testing.T) {
	judge := func(r Rule, yes int) Verdict {
		ty := NewTally()
		ty.Shares["x"] = Share{Of: 2000, Yes: yes}
		return ty.judge(Measure{Key: "x", Rule: r})
	}
	for _, c := range []struct {
		rule Rule
		yes  int
		want Verdict
	}{{Covers, 1873, Failed}, {Covers, 1875, Passed}, {Covers, 1923, Passed}, {Covers, 1927, Failed}, {CoversAtLeast, 1990, Passed},
		{CallsFalsely, 124, Passed}, {CallsFalsely, 128, Failed}, {CallsFalsely, 20, Passed}, {MustFail, 128, Passed}, {MustFail, 110, Failed},
		{MustExceed15, 301, Passed}, {MustExceed15, 300, Failed}, {MustFire, 1000, Passed}, {MustFire, 999, Failed}, {Shown, 3, NotJudged}} {
		if got := judge(c.rule, c.yes); got != c.want {
			t.Errorf("rule %v, %d of 2000: %v, want %v", c.rule, c.yes, got, c.want)
		}
	}
	few := NewTally()
	few.Means["x"] = Mean{N: 100, Sum: 30, Sq: 30}
	if few.judge(Measure{Key: "x", Rule: FalseShare}) != Failed {
		t.Error("a mean share of 0.3 in 100 fleets passed 0.10")
	}
}

// What is planted is there: the planted meters are the difference between the
// expectation with and without, a press's rows are in order, and a fleet is a
// function of its description.
func TestFleetIsWhatItSays(t *testing.T) {
	for _, r := range Rows() {
		f := r.Fleet
		f.Seed, f.Days = 3, 40
		a, b := f.Make(), f.Make()
		if err := a.Data.Check(); err != nil {
			t.Fatalf("%s: %v", r.Name, err)
		}
		if a.Data.SHA256() != b.Data.SHA256() || !reflect.DeepEqual(a.Extra, b.Extra) {
			t.Errorf("%s: two fleets of one description differ", r.Name)
		}
		dirty := 0
		for i, x := range a.Extra {
			if x < 0 || x > 0 && f.Wrong == 0 && a.Data.Rows[i].Stations[0].State != study.NotCleaned {
				t.Fatalf("%s, row %d: %v m planted in state %v", r.Name, i, x, a.Data.Rows[i].Stations[0].State)
			}
			if x > 0 {
				dirty++
			}
		}
		if (f.Effect > 0) != (dirty > 0) {
			t.Errorf("%s: %d rows with a planted difference", r.Name, dirty)
		}
	}
}

// The committed counts are what the program gives: the first fleets of every
// row, asked again. Where the machine's numbers differ in the last bits a count
// could differ by a fleet; on amd64 none may. The committed table says what the
// committed counts are.
func TestCommittedTable(t *testing.T) {
	book, err := Open("honesty.json", study.Method)
	if err != nil {
		t.Fatal(err)
	}
	rows := Rows()
	for i := range rows {
		r := &rows[i]
		kept := book.First[r.Name]
		if kept == nil || kept.Fleets != FirstFleets || book.Rows[r.Name].Fleets < FirstFleets {
			t.Errorf("%s is not in the committed table", r.Name)
			continue
		}
		if testing.Short() || r.Name == "trial" || r.Name == "feedback" || r.Name == "presses-30" || r.Name == "plant-day" {
			continue // the long ones: DOWNWEB_LONG below
		}
		repeats(t, r, kept)
	}
	if os.Getenv("DOWNWEB_LONG") != "" {
		for i := range rows {
			repeats(t, &rows[i], book.First[rows[i].Name])
		}
	}
	text, err := os.ReadFile("HONESTY.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "    ")
	command, _, _ := strings.Cut(rest, "\n")
	var want strings.Builder
	if err := book.Table(&want, rows, command); err != nil {
		t.Fatal(err)
	}
	if want.String() != string(text) {
		t.Error("HONESTY.md is not the table of honesty.json")
	}
}

func repeats(t *testing.T, r *Row, kept *Tally) {
	t.Helper()
	again := NewTally()
	if err := again.Add(r, FirstFleets); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(again.Shares, kept.Shares) {
		t.Errorf("%s: fleets 1 to %d give %v, the table has %v", r.Name, FirstFleets, again.Shares, kept.Shares)
	}
}

// A book that is kept in pieces is the book that is made at once.
func TestBookIsTakenUpAgain(t *testing.T) {
	rows := Rows()
	r := &rows[0]
	r.Fleet.Days, r.Fleet.Stations = 60, 3
	file := filepath.Join(t.TempDir(), "b.json")
	once, err := Open(file, study.Method)
	if err != nil {
		t.Fatal(err)
	}
	if err := once.Add(r, 16); err != nil {
		t.Fatal(err)
	}
	pieces, _ := Open(file, study.Method)
	for _, n := range []int{10, 4, 2} {
		if err := pieces.Add(r, n); err != nil {
			t.Fatal(err)
		}
		if err := pieces.Save(file); err != nil {
			t.Fatal(err)
		}
		if pieces, err = Open(file, study.Method); err != nil {
			t.Fatal(err)
		}
	}
	a, _ := json.Marshal(once.Rows[r.Name].Shares)
	b, _ := json.Marshal(pieces.Rows[r.Name].Shares)
	if string(a) != string(b) || pieces.Rows[r.Name].Fleets != 16 || pieces.First[r.Name].Fleets != FirstFleets {
		t.Errorf("in pieces %s, at once %s", b, a)
	}
	if _, err := Open(file, "another"); err == nil {
		t.Error("a book of another method was taken up")
	}
}
