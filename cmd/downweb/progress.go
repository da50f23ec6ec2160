package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"golang.org/x/term"
)

// progress is talk about long work: one line that is written over at a terminal, a line now and then elsewhere.
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

// say shows a line, unless the last one is too fresh: 0.2 s at a terminal, 10 s elsewhere.
func (p *progress) say(text string) {
	every := 10 * time.Second
	if p.tty {
		every = 200 * time.Millisecond
	}
	if p.quiet || time.Since(p.last) < every {
		return
	}
	p.last = time.Now()
	p.show(text)
}

func (p *progress) show(text string) {
	if p.tty {
		fmt.Fprintf(p.w, "\r%s: %s\x1b[K", p.what, clip(text, width-len(p.what)-2))
		p.wrote = true
		return
	}
	fmt.Fprintf(p.w, "%s: %s\n", p.what, text)
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
