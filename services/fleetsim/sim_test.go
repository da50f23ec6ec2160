package fleetsim_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	"github.com/downweb/downweb/services/fleetsim"
)

func newSim(t testing.TB, seed uint64, weeks int) *fleetsim.Sim {
	t.Helper()
	s, err := fleetsim.New(fleetsim.Config{Seed: seed, Weeks: weeks})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// whole writes all days of a press.
func whole(t testing.TB, s *fleetsim.Sim, i int, w io.Writer) fleetsim.Count {
	t.Helper()
	c := fleetsim.Count{}
	for d := s.First(); d <= s.Last(); d++ {
		n, err := s.Day(i, d, w)
		if err != nil {
			t.Error(err)
			return c
		}
		c.Add(n)
	}
	return c
}

// The demo's run: how much it is, and how fast it is made.
func TestSize(t *testing.T) {
	s := newSim(t, fleetsim.DefaultSeed, 26)
	total := fleetsim.Count{}
	var bytes int64
	start := time.Now()
	for i := range s.Len() {
		w := &counter{}
		total.Add(whole(t, s, i, w))
		bytes += w.n
	}
	took := time.Since(start)
	t.Logf("%d events, %d MB, %.2f s: %.0f events/s on one core; %v", total.Total(), bytes>>20, took.Seconds(), float64(total.Total())/took.Seconds(), total)
	if n := total.Total(); n < 1_200_000 || n > 1_700_000 {
		t.Errorf("%d events, 1.2 to 1.7 million wanted", n)
	}
	for _, body := range []string{"slice", "cleaning_opened", "cleaning_closed", "station_signed_off", "station_skipped", "reason_noted",
		"defect_seen", "waste_booked", "job_started", "job_ended", "job_corrected", "voided"} {
		if total[body] == 0 {
			t.Errorf("no %s", body)
		}
	}
	truth := s.TruthOf()
	for _, x := range truth.Stations {
		t.Logf("%-16s effect %v, %d runs not cleaned, %.1f m more each", x.Station, x.Effect, x.NotCleaned, x.ExtraMeters)
	}
}

type counter struct{ n int64 }

func (c *counter) Write(b []byte) (int, error) { c.n += int64(len(b)); return len(b), nil }

// Same seed, same bytes: whatever the order of presses, one after the other or
// all at once, day by day or press by press.
func TestDeterminism(t *testing.T) {
	const weeks = 4
	hash := func(seed uint64, order func(s *fleetsim.Sim, w []bytes.Buffer)) string {
		s := newSim(t, seed, weeks)
		w := make([]bytes.Buffer, s.Len())
		order(s, w)
		h := sha256.New()
		for i := range w {
			h.Write(w[i].Bytes())
		}
		truth, err := s.Truth()
		if err != nil {
			t.Fatal(err)
		}
		h.Write(truth)
		return fmt.Sprintf("%x", h.Sum(nil))
	}
	forward := func(s *fleetsim.Sim, w []bytes.Buffer) {
		for i := range s.Len() {
			whole(t, s, i, &w[i])
		}
	}
	a := hash(7, forward)
	for name, order := range map[string]func(s *fleetsim.Sim, w []bytes.Buffer){
		"again": forward,
		"backward": func(s *fleetsim.Sim, w []bytes.Buffer) {
			for i := s.Len() - 1; i >= 0; i-- {
				whole(t, s, i, &w[i])
			}
		},
		"day by day": func(s *fleetsim.Sim, w []bytes.Buffer) {
			days := 0
			err := s.Run(t.Context(), func(i int) io.Writer { return &w[i] }, func(fleetsim.Day, fleetsim.Count) { days++ })
			if err != nil || days != 7*weeks {
				t.Fatalf("%d days: %v", days, err)
			}
		},
		"at once": func(s *fleetsim.Sim, w []bytes.Buffer) {
			var wg sync.WaitGroup
			for i := range s.Len() {
				wg.Go(func() { whole(t, s, i, &w[i]) })
			}
			wg.Wait()
		},
	} {
		if b := hash(7, order); a != b {
			t.Errorf("%s: other bytes", name)
		}
	}
	if hash(8, forward) == a {
		t.Error("another seed gives the same bytes")
	}
}
