package fleetsim_test

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"github.com/downweb/downweb/services/fleetsim"
)

// A crew with sessions open on two presses at once has no station times, so it
// must be the exception, and there.
func TestCrewsAreSeldomShared(t *testing.T) {
	s := newSim(t, fleetsim.DefaultSeed, 4)
	type session struct {
		press    int
		from, to time.Time
	}
	byCrew := map[string][]session{}
	total := 0
	for i := range s.Len() {
		var w bytes.Buffer
		whole(t, s, i, &w)
		open := map[string]session{}
		crew := map[string]string{}
		for line := range bytes.SplitSeq(bytes.TrimSpace(w.Bytes()), []byte("\n")) {
			var e struct {
				At     time.Time                      `json:"occurredAt"`
				Opened struct{ Session, Crew string } `json:"cleaningOpened"`
				Closed struct{ Session string }       `json:"cleaningClosed"`
			}
			if err := json.Unmarshal(line, &e); err != nil {
				t.Fatalf("%v: %s", err, line)
			}
			if id := e.Opened.Session; id != "" {
				open[id], crew[id] = session{press: i, from: e.At}, e.Opened.Crew
			}
			if id := e.Closed.Session; id != "" {
				x := open[id]
				x.to = e.At
				byCrew[crew[id]] = append(byCrew[crew[id]], x)
				total++
			}
		}
	}
	shared := 0
	for _, list := range byCrew {
		for _, a := range list {
			for _, b := range list {
				if a.press != b.press && a.from.Before(b.to) && b.from.Before(a.to) {
					shared++
					break
				}
			}
		}
	}
	t.Logf("%d of %d sessions shared", shared, total)
	if total < 100 || shared == 0 || shared*5 > total {
		t.Errorf("%d of %d sessions have a crew that has one open on another press", shared, total)
	}
}
