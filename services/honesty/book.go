package honesty

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
)

// Book is the counts of all rows, kept between pieces of a run.
type Book struct {
	Method string            `json:"method"` // of the study that was asked
	Rows   map[string]*Tally `json:"rows"`
	// First are the counts of fleets 1…FirstFleets, for a test that repeats them.
	First map[string]*Tally `json:"first"`
}

// FirstFleets is how many fleets of a row are counted apart.
const FirstFleets = 10

// Open reads a book; a file that is not there is an empty one. A book of
// another method is refused.
func Open(file, method string) (*Book, error) {
	b := &Book{Method: method, Rows: map[string]*Tally{}, First: map[string]*Tally{}}
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return b, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(text, b); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	if b.Method != method {
		return nil, fmt.Errorf("%s counts the method %s, this is %s: start another", file, b.Method, method)
	}
	return b, nil
}

// Save writes the book whole, or not at all.
func (b *Book) Save(file string) error {
	text, err := json.MarshalIndent(b, "", " ")
	if err != nil {
		return err
	}
	if err := os.WriteFile(file+".new", append(text, '\n'), 0o644); err != nil {
		return err
	}
	return os.Rename(file+".new", file)
}

// Add asks a row about its next n fleets.
func (b *Book) Add(r *Row, n int) error {
	t := b.Rows[r.Name]
	if t == nil {
		t = NewTally()
		if err := t.Add(r, FirstFleets); err != nil {
			return err
		}
		b.Rows[r.Name], b.First[r.Name] = t, t.clone()
		n -= FirstFleets
	}
	return t.Add(r, max(0, n))
}

func (t *Tally) clone() *Tally {
	out := NewTally()
	out.Fleets = t.Fleets
	for k, v := range t.Shares {
		out.Shares[k] = v
	}
	for k, v := range t.Means {
		out.Means[k] = v
	}
	return out
}

// Table writes the book as Markdown, in the order of rows. command is how it
// was made.
func (b *Book) Table(w io.Writer, rows []Row, command string) error {
	var s strings.Builder
	s.WriteString("# Honesty of the default study\n\n")
	fmt.Fprintf(&s, "Simulated fleets whose truth is known, asked the default study (method `%s`, 999 shifts). Made by\n\n    %s\n\n", b.Method, command)
	s.WriteString("Fleets are numbered and seeded by their number: the same counts come out anywhere. A coverage of 95 % or an error of\n" +
		"5 % fails when the exact binomial test rejects it at 1 % (with 2,000 fleets: coverage below 93.7 or above 96.2 %, error\n" +
		"above 6.2 %). \"Must be seen\" are errors that the method cannot avoid there; \"check fires\" is what gives them away.\n" +
		"\"Could be asked\" leaves out fleets in which the study refused an answer.\n")
	for i := range rows {
		r := &rows[i]
		t := b.Rows[r.Name]
		if t == nil {
			fmt.Fprintf(&s, "\n## %s: not run\n\n%s.\n", r.Name, upper(r.What))
			continue
		}
		fmt.Fprintf(&s, "\n## %s: %d fleets\n\n%s.\n\n| counted | could be asked | so | share | rule | verdict |\n| --- | ---: | ---: | ---: | --- | --- |\n", r.Name, t.Fleets, upper(r.What))
		for _, m := range r.Measures {
			if x, ok := t.Means[m.Key]; ok {
				fmt.Fprintf(&s, "| %s | %d | | %.3f | %s | %s |\n", m.Text, x.N, x.Sum/float64(max(1, x.N)), ruleText[m.Rule], verdictText(m.Rule, t.judge(m)))
				continue
			}
			x := t.Shares[m.Key]
			fmt.Fprintf(&s, "| %s | %d | %d | %.1f %% | %s | %s |\n", m.Text, x.Of, x.Yes, 100*float64(x.Yes)/float64(max(1, x.Of)), ruleText[m.Rule], verdictText(m.Rule, t.judge(m)))
		}
	}
	_, err := io.WriteString(w, s.String())
	return err
}

var ruleText = map[Rule]string{Shown: "shown", Covers: "95 %", CoversAtLeast: "95 % or more", CallsFalsely: "5 % or less",
	FalseShare: "0.10 or less", MustFail: "must be seen: above 5 %", MustExceed15: "must be seen: above 15 %", MustFire: "check fires: 50 % or more"}

func verdictText(r Rule, v Verdict) string {
	switch {
	case v == NotJudged:
		return ""
	case v == Failed && (r == MustFail || r == MustExceed15):
		return "**not seen**"
	case v == Failed:
		return "**fails**"
	case r == MustFail || r == MustExceed15:
		return "seen"
	}
	return "holds"
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
