package honesty

import (
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"strings"
)

// kept holds the table and the book it is of. The pattern takes the book where
// there is one: while a new method is being counted there is none, and the
// program must build and say so.
//
//go:embed [Hh][Oo][Nn]*.[jm]*
var kept embed.FS

// Kept is the book that this program was built with; nil: no counts were kept.
func Kept() (*Book, error) {
	text, err := kept.ReadFile("honesty.json")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	b := &Book{}
	if err := json.Unmarshal(text, b); err != nil {
		return nil, fmt.Errorf("the honesty table of this program: %w", err)
	}
	return b, nil
}

// Quote says in sentences how often a method was right about simulated fleets of
// about as many presses, and what lies outside its bar. trial: a study with
// windows assigned at random, whose row is quoted as well. A book of another
// method says nothing about this one, and neither does no book: that is said.
func (b *Book) Quote(method string, presses int, trial bool) []string {
	if b == nil || b.Method != method {
		of := ""
		if b != nil {
			of = fmt.Sprintf("; the counts it has are of method %s, and are not those of another", b.Method)
		}
		return []string{fmt.Sprintf("How often method %s is right about simulated fleets whose truth is known was not counted for this program%s.", method, of)}
	}
	row := b.nearest(presses)
	if row == nil {
		return []string{fmt.Sprintf("How often method %s is right about simulated fleets was not counted by the number of presses.", method)}
	}
	near := ""
	if row.Fleet.Presses != presses {
		near = fmt.Sprintf(" (of the numbers that were counted the nearest to the %d of this study)", presses)
	}
	out := b.quoteRow(row, fmt.Sprintf("On simulated fleets of %d presses%s, %d run days and %d stations, whose truth is known,", row.Fleet.Presses, near, row.Fleet.Days, row.Fleet.Stations))
	if trial {
		for i, rows := 0, Rows(); i < len(rows); i++ {
			if rows[i].Name == "trial" && b.Rows["trial"] != nil {
				out = append(out, b.quoteRow(&rows[i], fmt.Sprintf("On simulated trials of %d presses,", rows[i].Fleet.Presses))...)
			}
		}
	}
	return append(out, b.harder()...)
}

// harder says which figures lie outside their bar in the other scenarios: they
// are what a reader must know who has such a plant.
func (b *Book) harder() (out []string) {
	for _, r := range Rows() {
		t := b.Rows[r.Name]
		if t == nil || strings.HasPrefix(r.Name, "presses-") || r.Name == "trial" {
			continue
		}
		var outside []string
		for _, m := range r.Measures {
			if form := quoted[m.Key]; form != "" && t.judge(m) == Failed {
				outside = append(outside, fmt.Sprintf(form, fmt.Sprintf("%.1f %%", 100*float64(t.Shares[m.Key].Yes)/float64(t.Shares[m.Key].Of))))
			}
		}
		if len(outside) > 0 {
			out = append(out, fmt.Sprintf("Outside its bar on other fleets (%s): %s.", r.What, and(outside)))
		}
	}
	return out
}

// nearest is the counted row by presses whose number is nearest in ratio, the
// smaller of two; nil: none was counted.
func (b *Book) nearest(presses int) *Row {
	var best *Row
	far := math.Inf(1)
	rows := Rows()
	for i := range rows {
		r := &rows[i]
		if !strings.HasPrefix(r.Name, "presses-") || b.Rows[r.Name] == nil {
			continue
		}
		if d := math.Abs(math.Log(float64(max(1, presses)) / float64(r.Fleet.Presses))); d < far {
			best, far = r, d
		}
	}
	return best
}

// quoteRow is one sentence with every judged figure of a row, and one about
// those outside their bar.
func (b *Book) quoteRow(r *Row, where string) (out []string) {
	t := b.Rows[r.Name]
	var said, outside []string
	for _, m := range r.Measures {
		form := quoted[m.Key]
		x := t.Shares[m.Key]
		if form == "" || m.Rule == Shown || x.Of == 0 {
			continue
		}
		share := fmt.Sprintf("%.1f %%", 100*float64(x.Yes)/float64(x.Of))
		text := fmt.Sprintf(form, share)
		said = append(said, text)
		if t.judge(m) == Failed {
			outside = append(outside, fmt.Sprintf("%s, where %s was asked", text, ruleText[m.Rule]))
		}
	}
	if len(said) == 0 {
		return nil
	}
	out = append(out, fmt.Sprintf("%s %s, of %d fleets.", where, and(said), t.Fleets))
	if len(outside) == 0 {
		return append(out, "None of these is outside its bar: 95 % for intervals and 5 % for false calls, by the exact binomial test at 1 %.")
	}
	return append(out, fmt.Sprintf("Outside its bar, by the exact binomial test at 1 %%: %s. Read figures near the line with that in mind.", and(outside)))
}

// quoted is how a measure is said of a study, with its share.
var quoted = map[string]string{
	"planted": "the 95 %% interval held the planted difference in %s",
	"meters":  "that for other presses held the planted meters in %s",
	"nothing": "the interval of a station without a difference held 0 in %s",
	"level":   "the test called a station without a difference in %s",
	"family":  "after the adjustment any such station was called in %s",
}

func and(list []string) string {
	if len(list) == 1 {
		return list[0]
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
