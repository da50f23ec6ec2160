// Package registry keeps the plant documents: it reads and writes them as
// YAML, checks them, resolves them into what the rules need to know of each
// press (timeline.Press), tells two documents apart, and appends them as whole
// revisions.
//
// It promises that nothing unchecked is ever appended, that a document written
// as YAML reads back the same, that applying the same document twice makes one
// revision, and that an author who has not seen the current revision is refused
// (ErrStale). It stores nothing itself: a Log does. Nothing here reads a clock;
// there is nothing to stop.
//
// Cleaning plans carry hazards and isolation marks as the plant wrote them. The
// maker's manual, the site's lock-out procedure, local code and trained people
// come first.
package registry

import (
	"fmt"
	"strings"
)

// Problem is one thing wrong with a document. Line and Column count from 1 and
// are 0 where the document did not come from text.
type Problem struct {
	Line, Column int
	Field        string // path, e.g. presses[0].stations[2].slug
	Reason       string
}

// String is "line:column: field: reason", without what is not known.
func (p Problem) String() string {
	var b strings.Builder
	if p.Line > 0 {
		fmt.Fprintf(&b, "%d:%d: ", p.Line, p.Column)
	}
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	b.WriteString(p.Reason)
	return b.String()
}

// InvalidError carries what is wrong with a document that was refused.
type InvalidError struct{ Problems []Problem }

func (e *InvalidError) Error() string {
	if len(e.Problems) == 0 {
		return "document refused"
	}
	s := "document refused: " + e.Problems[0].String()
	if n := len(e.Problems) - 1; n > 0 {
		s += fmt.Sprintf(" (and %d more)", n)
	}
	return s
}
