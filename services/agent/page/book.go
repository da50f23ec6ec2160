package page

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"slices"
	"time"
)

// entry is one thing that was kept here. Its event is in the spool already; the
// book only says what to show. No badge and no free text stands in it.
type entry struct {
	Kind kind  `json:"kind"`
	At   int64 `json:"at"` // occurred, unix ms
	// Kept is when it was taken down, unix ms: undo counts from it.
	Kept      int64  `json:"kept"`
	Key       string `json:"key"`
	Session   string `json:"session,omitempty"`
	Occasion  int32  `json:"occasion,omitempty"`
	Task      string `json:"task,omitempty"`
	Station   string `json:"station,omitempty"`
	Duty      string `json:"duty,omitempty"`
	Outcome   int32  `json:"outcome,omitempty"`
	Condition *int32 `json:"condition,omitempty"`
	Reason    string `json:"reason,omitempty"`
	From      int64  `json:"from,omitempty"` // a stop that was given a reason
	To        int64  `json:"to,omitempty"`
	Target    string `json:"target,omitempty"` // key of what is taken back
	Paper     bool   `json:"paper,omitempty"`
}

type kind string

const (
	opened  kind = "opened"
	closed  kind = "closed"
	signed  kind = "signed"
	skipped kind = "skipped"
	noted   kind = "noted"
	voided  kind = "voided"
)

const (
	bookKeeps = 7 * 24 * time.Hour
	// undoFor is how long a touch may be taken back here.
	undoFor = 5 * time.Minute
	// sessionIdle: a session untouched for so long is over here, as it is by
	// the accounting's own rule; nobody came back to it.
	sessionIdle = 8 * time.Hour
	// countsFor is how long a sign-off stands for a duty of a sheet that does
	// not know of it.
	countsFor = 16 * time.Hour
)

// openBook reads the book. The end of a line that a crash cut off is dropped,
// as is what is older than a week.
func (p *press) openBook(now time.Time) error {
	text, err := os.ReadFile(p.file("book"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	limit := now.Add(-bookKeeps).UnixMilli()
	var kept bytes.Buffer
	for s := bufio.NewScanner(bytes.NewReader(text)); s.Scan(); {
		var e entry
		if json.Unmarshal(s.Bytes(), &e) != nil || e.Key == "" || e.Kept < limit {
			continue
		}
		p.book = append(p.book, e)
		kept.Write(s.Bytes())
		kept.WriteByte('\n')
	}
	if bytes.Equal(kept.Bytes(), text) {
		return nil
	}
	return replaceFile(p.file("book"), kept.Bytes())
}

// keep writes entries to the book. Their events are on disk already, so where
// this fails only what is shown is poorer: a second touch is known by its key.
func (p *press) keep(list ...entry) error {
	var b bytes.Buffer
	for i := range list {
		line, err := json.Marshal(&list[i])
		if err != nil {
			return err
		}
		b.Write(append(line, '\n'))
	}
	p.mu.Lock()
	p.book = append(p.book, list...)
	p.touch()
	p.mu.Unlock()
	f, err := os.OpenFile(p.file("book"), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b.Bytes())
	return errors.Join(err, f.Sync(), f.Close())
}

// entries are those that were not taken back, oldest first.
func (p *press) entries() []entry {
	p.mu.Lock()
	defer p.mu.Unlock()
	return standing(p.book)
}

func standing(book []entry) []entry {
	gone := map[string]bool{}
	for i := range book {
		if book[i].Kind == voided {
			gone[book[i].Target] = true
		}
	}
	return slices.DeleteFunc(slices.Clone(book), func(e entry) bool { return e.Kind == voided || gone[e.Key] })
}

// undone counts how often a touch of this kind was taken back, so that the next
// one has a key of its own.
func (p *press) undone(match func(e *entry) bool) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	gone, n := map[string]bool{}, 0
	for i := range p.book {
		if p.book[i].Kind == voided {
			gone[p.book[i].Target] = true
		}
	}
	for i := range p.book {
		if e := &p.book[i]; gone[e.Key] && match(e) {
			n++
		}
	}
	return n
}

// session is the one that is open now; nil: none. idle is one that was left
// open until nobody touched it any more.
func (p *press) session(now time.Time) (open, idle *entry) {
	list := p.entries()
	last := int64(0)
	for i := range list {
		e := &list[i]
		if e.Paper {
			continue
		}
		switch {
		case e.Kind == opened:
			open, last = e, e.At
		case open == nil || e.Session != open.Session:
		case e.Kind == closed:
			open = nil
		default:
			last = max(last, e.At)
		}
	}
	if open != nil && now.UnixMilli()-last > sessionIdle.Milliseconds() {
		return nil, open
	}
	return open, nil
}
