package fleetsim

import (
	"encoding/json"
	"fmt"
	"math"
)

// mechanism plants what a dirty station does: the running waste is multiplied
// by 1 + gain · max(0, x − onset), x being the web run since the station's last
// clean in usual days of the press (at most maxSoil); and the crew slows the
// press by slow for each unit of the same, at most once.
type mechanism struct {
	station string
	gain    float64 // mean over presses; each press has its own, ± 60 %
	onset   float64 // usual days of the press before it shows
	slow    float64 // share of speed
	what    string
}

const maxSoil = 2

var mechanisms = []mechanism{
	{webCleaner, 0.30, 0, 0, "dust left on the web prints as voids: waste grows with the web run since the web cleaner was cleaned"},
	{uv1, 0.25, 1, 0.05, "a dirty lamp window cures less: nothing shows until more than a usual day's web has run since the clean, then waste grows and the crew slows the press"},
}

// level is max(0, x − onset) of a mechanism.
func (m *mechanism) level(km, soilKm float64) float64 {
	return max(0, min(km/soilKm, maxSoil)-m.onset)
}

// stationTruth sums the runs that started with a station not cleaned.
type stationTruth struct {
	runs  int
	extra float64 // m
	days  []runTruth
}

type runTruth struct {
	Press string  `json:"press"`
	Day   string  `json:"day"`
	Extra float64 `json:"extra_m"`
}

// Truth is the truth file: what was planted, and what it came to in this run.
type Truth struct {
	Seed      uint64         `json:"seed"`
	FirstDay  string         `json:"first_day"`
	LastDay   string         `json:"last_day"`
	Method    string         `json:"method"`
	Stations  []TruthStation `json:"stations"`
	SoilKm    []TruthPress   `json:"presses"`
	Formula   string         `json:"formula"`
	Exposures string         `json:"not_cleaned"`
}

// TruthStation is one station over all presses that have it.
type TruthStation struct {
	Station     string     `json:"station"`
	Effect      bool       `json:"effect"`
	Mechanism   string     `json:"mechanism"`
	Gain        float64    `json:"gain"`            // mean of the presses
	OnsetDays   float64    `json:"onset_days"`      // usual days of web since the clean before it shows
	LagRuns     int        `json:"lag_runs"`        // run rows between the window that closed and the waste
	NotCleaned  int        `json:"not_cleaned"`     // runs that started so
	ExtraMeters float64    `json:"extra_m_per_run"` // average over them
	Runs        []runTruth `json:"runs,omitempty"`
}

// TruthPress is what differs from press to press.
type TruthPress struct {
	Press  string             `json:"press"`
	SoilKm float64            `json:"usual_day_km"`
	Gain   map[string]float64 `json:"gain"`
}

// TruthOf sums up what was planted in the days generated so far, up to Last.
func (s *Sim) TruthOf() Truth {
	t := Truth{Seed: s.seed, FirstDay: s.first.String(), LastDay: s.last.String(),
		Method:    "each run that started with the station not cleaned, against the same run with the same random numbers, speeds and meters had the station been cleaned before it; meters of waste counted in production",
		Formula:   fmt.Sprintf("running waste x product over stations of (1 + gain x max(0, min(web since clean / usual day, %d) - onset))", maxSoil),
		Exposures: "start-up tasks: not signed off before the day's first production; shut-down tasks: not signed off at the end of the run before"}
	for _, def := range taskDefs {
		x := TruthStation{Station: def.station, Mechanism: "none: dirt does nothing to waste"}
		var extra float64
		for i, p := range s.presses {
			st := p.truth[def.station]
			if st == nil {
				continue
			}
			x.NotCleaned += st.runs
			extra += st.extra
			for _, r := range st.days {
				r.Press = s.Press(i)
				x.Runs = append(x.Runs, r)
			}
		}
		for _, m := range mechanisms {
			if m.station == def.station {
				x.Effect, x.Mechanism, x.Gain, x.OnsetDays = true, m.what, m.gain, m.onset
			}
		}
		if x.NotCleaned > 0 {
			x.ExtraMeters = math.Round(extra/float64(x.NotCleaned)*1000) / 1000
		}
		t.Stations = append(t.Stations, x)
	}
	for i, p := range s.presses {
		t.SoilKm = append(t.SoilKm, TruthPress{s.Press(i), p.soilKm, p.gain})
	}
	return t
}

// Truth is TruthOf as an indented JSON file.
func (s *Sim) Truth() ([]byte, error) {
	b, err := json.MarshalIndent(s.TruthOf(), "", " ")
	if err != nil {
		return nil, fmt.Errorf("write truth: %w", err)
	}
	return append(b, '\n'), nil
}
