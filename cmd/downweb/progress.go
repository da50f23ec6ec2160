package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"golang.org/x/term"
)

// progress is talk about long work: one line at a terminal that is written over. Elsewhere only what stays is said.
type progress struct {
	w     io.Writer
	tty   bool
	what  string
	last  time.Time
	wrote bool
	quiet bool // say nothing
}

func (a *app) progress(what string) *progress {
	f, ok := a.err.(*os.File)
	return &progress{w: a.err, tty: ok && term.IsTerminal(int(f.Fd())) && lookup(a.environ, "TERM") != "dumb", what: what}
}

// say shows a line at a terminal, unless the last one is younger than 0.2 s.
func (p *progress) say(text string) {
	if p.quiet || !p.tty || time.Since(p.last) < 200*time.Millisecond {
		return
	}
	p.last = time.Now()
	p.show(text)
}

func (p *progress) show(text string) {
	fmt.Fprintf(p.w, "\r%s: %s\x1b[K", p.what, clip(text, width-len(p.what)-2))
	p.wrote = true
}

func (p *progress) step(done, total int64) {
	if total > 0 {
		p.say(fmt.Sprintf("%s of %s (%d %%)", grouped(done), grouped(total), 100*done/total))
	}
}

// done clears the line.
func (p *progress) done() {
	if p.tty && p.wrote {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.wrote = false
	}
}

// finish shows a last line that stays.
func (p *progress) finish(text string) {
	p.done()
	fmt.Fprintf(p.w, "%s: %s\n", p.what, text)
}
