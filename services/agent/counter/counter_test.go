package counter_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/services/agent/counter"
)

type table struct {
	What    string           `json:"what"`
	Config  counter.Config   `json:"config"`
	Samples []counter.Sample `json:"samples"`
	Slices  []counter.Slice  `json:"slices"`
	Reports []counter.Report `json:"reports"`
}

// feed runs samples through a maker, saved and restored after every one where
// restart is set.
func feed(t interface{ Fatal(...any) }, cfg counter.Config, samples []counter.Sample, restart bool) (sl []counter.Slice, rp []counter.Report) {
	m, err := counter.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	take := func(s []counter.Slice, r []counter.Report) { sl, rp = append(sl, s...), append(rp, r...) }
	for _, s := range samples {
		take(m.Add(s))
		if restart {
			if m, err = counter.Restore(cfg, m.Save()); err != nil {
				t.Fatal(err)
			}
		}
	}
	take(m.Close())
	return sl, rp
}

// TestTable holds the cases of testdata, worked by hand from the rules of the
// counter source.
func TestTable(t *testing.T) {
	files, err := filepath.Glob("../../../testdata/agent/counter/*.json")
	if err != nil || len(files) < 15 {
		t.Fatalf("%d cases, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var c table
			d := json.NewDecoder(bytes.NewReader(text))
			d.DisallowUnknownFields()
			if err := d.Decode(&c); err != nil {
				t.Fatal(err)
			}
			for _, restart := range []bool{false, true} {
				sl, rp := feed(t, c.Config, c.Samples, restart)
				if !slices.Equal(sl, c.Slices) {
					t.Errorf("%s (restarts: %v)\n got %+v\nwant %+v", c.What, restart, sl, c.Slices)
				}
				if !(len(rp) == 0 && len(c.Reports) == 0) && !reflect.DeepEqual(rp, c.Reports) {
					t.Errorf("%s (restarts: %v)\n got %+v\nwant %+v", c.What, restart, rp, c.Reports)
				}
			}
		})
	}
}

// TestProperties drives a press whose true length is known: over the time the
// slices cover they hold what was truly counted, whatever is lost, doubled or
// late on the way.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := counter.Config{Threshold: 10_000, MaxGapMs: 10_000,
			Good:  counter.Meter{Wrap: rapid.SampledFrom([]uint64{0, 1 << 16, 1_000_000, 1 << 32}).Draw(t, "wrap"), Num: rapid.Uint64Range(1, 9).Draw(t, "num"), Den: rapid.Uint64Range(1, 9).Draw(t, "den")},
			Waste: counter.Meter{Wrap: 1 << 16}}
		wrapped := func(n, w uint64) uint64 {
			if w > 0 {
				return n % w
			}
			return n
		}
		at := int64(1_781_496_000_000) + rapid.Int64Range(0, 60_000).Draw(t, "start")
		var sent []counter.Sample
		good, waste := rapid.Uint64Range(0, 1<<33).Draw(t, "good"), uint64(0)
		var wantGoodCounts, wantWaste uint64 // over covered time
		var covered, gaps int64
		first := at
		for range rapid.IntRange(2, 60).Draw(t, "samples") {
			s := counter.Sample{At: at, Speed: rapid.Int64Range(0, 100_000).Draw(t, "speed"), Good: wrapped(good, cfg.Good.Wrap), Waste: wrapped(waste, 1<<16),
				Power: rapid.IntRange(0, 9).Draw(t, "power") > 0, Fault: rapid.Bool().Draw(t, "fault"), GoodOn: rapid.Bool().Draw(t, "goodOn"),
				JobOpen: rapid.Bool().Draw(t, "job"), Job: rapid.SampledFrom([]string{"A", "B"}).Draw(t, "id")}
			sent = append(sent, s)
			switch rapid.IntRange(0, 9).Draw(t, "noise") {
			case 0: // again
				sent = append(sent, s)
			case 1: // an old one again
				old := sent[rapid.IntRange(0, len(sent)-1).Draw(t, "old")]
				if old.At > s.At-counter.StepMs {
					sent = append(sent, old)
				}
			}
			step := rapid.OneOf(rapid.Int64Range(1, 3000), rapid.Int64Range(9_990, 10_010), rapid.Int64Range(20_000, 200_000)).Draw(t, "step")
			// At most 30,000 counts a minute, so that no wrap passes unseen.
			dg, dw := uint64(step)*rapid.Uint64Range(0, 30_000).Draw(t, "rate")/60_000, uint64(step)*rapid.Uint64Range(0, 9_000).Draw(t, "waste")/60_000
			if step <= cfg.MaxGapMs && s.Power {
				covered += step
				wantGoodCounts += dg
				wantWaste += dw
			} else {
				gaps += step
			}
			good, waste, at = good+dg, waste+dw, at+step
		}
		end := counter.Sample{At: at, Good: wrapped(good, cfg.Good.Wrap), Waste: wrapped(waste, 1<<16), Power: true}
		sent = append(sent, end)
		sl, rp := feed(t, cfg, sent, rapid.Bool().Draw(t, "restart"))
		var g, w, time, apart int64
		prev := first
		for _, s := range sl {
			if s.From < prev || s.To <= s.From || s.To-s.From > 60_000 || s.From/60_000 != (s.To-1)/60_000 || s.Good < 0 || s.Waste < 0 {
				t.Fatalf("slice %+v after %d", s, prev)
			}
			prev = s.To
			g, w, time = g+s.Good, w+s.Waste, time+s.To-s.From
		}
		for _, r := range rp {
			switch r.Kind {
			case counter.Gap, counter.NoPower:
				apart += r.To - r.From
			case counter.Reset, counter.Jump, counter.Stepped:
				t.Fatalf("%+v of a press that was never reset", r)
			}
		}
		if want := int64(wantGoodCounts * cfg.Good.Num / cfg.Good.Den); g != want || w != int64(wantWaste) {
			t.Fatalf("good %d, want %d; waste %d, want %d", g, want, w, wantWaste)
		}
		if time != covered || apart != gaps || covered+gaps != at-first {
			t.Fatalf("covered %d, want %d; apart %d, want %d", time, covered, apart, gaps)
		}
	})
}

// TestStep: the agent's own clock was set; the slice is closed and the next
// sample begins anew.
func TestStep(t *testing.T) {
	m, err := counter.New(counter.Config{Threshold: 1})
	if err != nil {
		t.Fatal(err)
	}
	const at = 1_781_496_000_000
	m.Add(counter.Sample{At: at, Power: true})
	m.Add(counter.Sample{At: at + 5000, Good: 10, Power: true})
	sl, rp := m.Step(at+6000, at-86_400_000)
	if len(sl) != 1 || sl[0].To != at+5000 || sl[0].Good != 10 || len(rp) != 1 || rp[0].Kind != counter.Stepped {
		t.Fatalf("%+v %+v", sl, rp)
	}
	m.Add(counter.Sample{At: at - 86_400_000, Good: 700, Power: true})
	m.Add(counter.Sample{At: at - 86_399_000, Good: 705, Power: true})
	if sl, _ := m.Close(); len(sl) != 1 || sl[0].From != at-86_400_000 || sl[0].Good != 5 {
		t.Fatalf("%+v", sl)
	}
}

func TestConfigRefuses(t *testing.T) {
	for name, c := range map[string]counter.Config{
		"threshold": {}, "gap": {Threshold: 1, MaxGapMs: 60_001}, "scale": {Threshold: 1, Good: counter.Meter{Num: 1}},
		"wrap": {Threshold: 1, Waste: counter.Meter{Wrap: 1}}, "fastest": {Threshold: 1, Good: counter.Meter{Fastest: -1}},
	} {
		if _, err := counter.New(c); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// FuzzMaker: no samples and no saved state make a slice that breaks its
// promises.
func FuzzMaker(f *testing.F) {
	m, _ := counter.New(counter.Config{Threshold: 1})
	m.Add(counter.Sample{At: 1_781_496_000_000, Power: true, Good: 5})
	f.Add(m.Save(), []byte(`[{"at":1781496001000,"good":9,"power":true}]`), uint64(65536), uint64(3), uint64(7))
	f.Add([]byte(`{}`), []byte(`[{"at":-5,"power":true},{"at":9223372036854775807}]`), uint64(0), uint64(0), uint64(0))
	f.Fuzz(func(t *testing.T, saved, text []byte, wrap, num, den uint64) {
		m, err := counter.Restore(counter.Config{Threshold: 1, Good: counter.Meter{Wrap: wrap, Num: num, Den: den}}, saved)
		if err != nil {
			return
		}
		var samples []counter.Sample
		if json.Unmarshal(text, &samples) != nil {
			return
		}
		check := func(sl []counter.Slice, _ []counter.Report) {
			for _, s := range sl {
				if s.To <= s.From || s.To-s.From > 60_000 || s.Good < 0 || s.Waste < 0 {
					t.Fatalf("%+v", s)
				}
			}
		}
		for _, s := range samples {
			check(m.Add(s))
		}
		check(m.Close())
	})
}
