package agent

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"
)

// PressesOf lists the presses that JSON Lines name, as plant/press, sorted.
func PressesOf(text []byte) []string {
	seen := map[string]bool{}
	for line := range bytes.Lines(text) {
		var e struct{ Plant, Press string }
		if json.Unmarshal(line, &e) == nil && slugPattern.MatchString(e.Plant) && slugPattern.MatchString(e.Press) {
			seen[e.Plant+"/"+e.Press] = true
		}
	}
	var out []string
	for p := range seen {
		out = append(out, p)
	}
	slices.Sort(out)
	return out
}

// CheckFile reads JSON Lines as an agent serving presses (plant/press) would,
// against the clock of now, and calls report for everything that is wrong. It
// returns how many lines an agent would accept and refuse; what depends on
// lines fed before (covered time, known keys) is not looked at. The error is
// that of reading.
func CheckFile(r io.Reader, presses []string, report func(line int, field, reason string)) (accepted, rejected int, err error) {
	if len(presses) == 0 {
		return 0, 0, errors.New("check: no press")
	}
	for _, p := range presses {
		if !pressPattern.MatchString(p) {
			return 0, 0, fmt.Errorf("check: press %q is not plant/press", p)
		}
	}
	p := newParser(presses, 10*time.Minute, time.Now)
	c := newChunker(r, 0, 1)
	for {
		ch, err := c.next(true)
		if ch != nil {
			items := ch.parse(p)
			for i := range items {
				if items[i].bad == nil {
					accepted++
					continue
				}
				rejected++
				for _, v := range items[i].bad {
					report(items[i].line, v.Field, v.Reason)
				}
			}
		}
		if errors.Is(err, io.EOF) {
			return accepted, rejected, nil
		}
		if err != nil {
			return accepted, rejected, fmt.Errorf("check: %w", err)
		}
	}
}
