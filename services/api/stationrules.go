package api

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// stationRules is what the plans say of the tasks of some stations: whether
// they are safety work, how far the maker lets them go, what can hurt.
type stationRules struct {
	safety   string // why they are; empty: they are not
	limits   []makerLimit
	cautions []string
	presses  []*timeline.Press
	to       timeline.Day
}

type makerLimit struct {
	press, task string
	cadence     timeline.Cadence
	value       float64
}

// safetyHazards are those of stations whose cleaning keeps people safe as well
// as the web clean: UV, ozone, static and high voltage. No interval of theirs is
// a question of cost, whether the plan marks the task or not.
var safetyHazards = map[pb.Hazard]string{
	pb.Hazard_HAZARD_UV:           "ultraviolet radiation",
	pb.Hazard_HAZARD_OZONE:        "ozone",
	pb.Hazard_HAZARD_HIGH_VOLTAGE: "high voltage or static charge",
}

// rulesOf reads the plans of presses in force on any day from from on.
func rulesOf(presses []*timeline.Press, stations []string, from, to timeline.Day) *stationRules {
	r := &stationRules{presses: presses, to: to}
	var hazards []uint8
	isolate := false
	for _, p := range presses {
		for i, plan := range p.Plans {
			if i+1 < len(p.Plans) && p.Plans[i+1].ValidFrom <= from {
				continue // replaced before
			}
			for _, t := range plan.Tasks {
				if !slices.Contains(stations, t.Station) {
					continue
				}
				hazards, isolate = append(hazards, t.Hazards...), isolate || t.Isolate
				if r.safety == "" && t.Safety {
					r.safety = fmt.Sprintf("the plan of %s marks %s as a safety task", p.ID(), t.Slug)
				}
				for _, h := range t.Hazards {
					if name := safetyHazards[pb.Hazard(h)]; name != "" && r.safety == "" {
						r.safety = fmt.Sprintf("the plan of %s names %s as a hazard of %s", p.ID(), name, t.Slug)
					}
				}
				if t.MakerLimit > 0 {
					for _, g := range t.Triggers {
						r.limits = append(r.limits, makerLimit{p.ID(), t.Slug, g.Cadence, t.MakerLimit})
					}
				}
			}
		}
	}
	r.cautions = cautions(hazards, isolate)
	return r
}

// stationRules reads the plans as of a study and as they are now.
func (s *Server) stationRules(ctx context.Context, x *pb.Study, stations []string) (*stationRules, error) {
	from, to, err := period(x.GetSpec().GetPeriod())
	if err != nil {
		return nil, err
	}
	var presses []*timeline.Press
	for _, rev := range []uint64{x.GetAsOf().GetRegistryRev(), math.MaxUint64} {
		f, err := s.fleetAt(ctx, x.GetSpec().GetScope(), rev)
		var gone *goneError
		if errors.As(err, &gone) && rev == math.MaxUint64 {
			continue // presses of the study that are no more
		}
		if err != nil {
			return nil, err
		}
		for _, id := range f.scope {
			presses = append(presses, f.presses[id])
		}
	}
	return rulesOf(presses, stations, from, to), nil
}

// limitKm is the shortest of the makers' intervals as km of web, and how it was
// reckoned: days and hours at the pace of the slowest press, so that no press
// goes over them. 0: none is on record that km can be made of.
func (r *stationRules) limitKm(p pace) (km float64, how string) {
	slowest := math.Inf(1)
	for _, v := range p.perDay {
		slowest = min(slowest, v)
	}
	for _, l := range r.limits {
		v, text := 0.0, ""
		switch l.cadence {
		case timeline.CadenceRunKm:
			v, text = l.value, fmt.Sprintf("The maker's interval is %.1f km (%s, %s).", l.value, l.press, l.task)
		case timeline.CadenceStartup, timeline.CadenceShutdown, timeline.CadenceWeekly, timeline.CadenceDays:
			v = l.value * slowest
			text = fmt.Sprintf("The maker's interval is %g days (%s, %s): %.1f km at the pace of the slowest press.", l.value, l.press, l.task, v)
		case timeline.CadenceRunHours:
			v = l.value * slowest / 24
			text = fmt.Sprintf("The maker's interval is %g run hours (%s, %s): at least %.1f km, at the slowest press's mean pace over day and night.", l.value, l.press, l.task, v)
		}
		if v > 0 && !math.IsInf(v, 0) && (km == 0 || v < km) {
			km, how = v, text
		}
	}
	return km, how
}

// meterPrice is the plants' own price of a meter of web over the presses of a
// currency, as a range; nil: none is on record.
func (r *stationRules) meterPrice(currency string) *pb.CostRange {
	var low, high int64 // billionths per mm
	for _, p := range r.presses {
		if !strings.EqualFold(p.Currency, currency) {
			continue
		}
		substrates := []string{""}
		for _, w := range p.Web {
			substrates = append(substrates, w.Substrate)
		}
		for _, sub := range substrates {
			if v := p.WebNanoPerMM(r.to, sub); v > 0 {
				if low == 0 || v < low {
					low = v
				}
				high = max(high, v)
			}
		}
	}
	if low == 0 {
		return nil
	}
	return &pb.CostRange{Low: decimal.New(low, -6).String(), High: decimal.New(high, -6).String()}
}
