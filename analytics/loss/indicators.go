package loss

import (
	"fmt"

	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
)

// Figure is one indicator with its formula. Not OK: the data does not allow it,
// and Method says why; value and limits are 0 then.
type Figure struct {
	Slug, Name      string
	Value           float64
	Low, High       float64 // limits; both the value where it is no estimate
	N               int64   // what stands behind it: failures; else press-days
	OK              bool
	Method          string
	Unit            string // "ratio" or "minutes"
	Formula, Source string
}

// FailureLevel is the confidence level of MTBF and MTTR.
const FailureLevel = 0.95

// Failures are the stops that count as failures in planned time, and the
// minutes they lasted: unplanned stops of the press (breakdown, dirt) of five
// minutes and more. Shorter ones are minor stops: delays, not failures.
type Failures struct {
	Stops int64
	Min   float64
}

// FailuresOf counts the failures of some leaves.
func FailuresOf(facts []timeline.FactSum, leaves ...Leaf) Failures {
	var f Failures
	for _, x := range facts {
		for _, l := range leaves {
			if x.Planned && Leaf(x.Leaf) == l && !x.Minor && x.State != timeline.StateProduction {
				f.Stops += x.Stops
				f.Min += float64(x.Dur) / 60_000
			}
		}
	}
	return f
}

// ElementsOf gives the ISO 22400-2 elements of sums and their facts, in minutes
// and (quantities) minutes at rated speed, so that PRI is 1.
func ElementsOf(s *Sums, facts []timeline.FactSum) Elements {
	_, job := splits(s, facts)
	m := func(us int64) float64 { return float64(us) / 60e6 }
	var delay int64
	for _, l := range []Leaf{ContaminationStop, OtherBreakdown, Trials, ReelChange, Waiting, Unaccounted} {
		delay += job[l]
	}
	f := FailuresOf(facts, OtherBreakdown, ContaminationStop)
	return Elements{PBT: float64(s.PBT) / 60_000, APT: float64(s.APT) / 60_000, AUST: m(s.In[Setup].US), ADET: m(delay),
		PRI: 1, PQ: m(s.Rated()), GQ: m(s.Valuable), SQ: m(s.Rated() - s.Valuable),
		Failures: float64(f.Stops), Restoration: f.Min}
}

const (
	iso22400  = "ISO 22400-2:2014, as in a public ontology of its draft"
	isoMemory = iso22400 + "; the denominator from memory, check your edition"
	handbook  = "limits: NIST/SEMATECH e-Handbook 8.4.5.1"
)

// Figures are the indicators of ISO 22400-2 for sums and their facts. Quantities
// are lengths at their rated time, so that jobs of different speeds add up; scrap
// by length stands beside it.
func Figures(s *Sums, facts []timeline.FactSum) []Figure {
	e := ElementsOf(s, facts)
	i := e.Indicators()
	var out []Figure
	ratioOf := func(slug, name string, v, base float64, formula, why string) {
		f := Figure{Slug: slug, Name: name, N: s.PressDays, Unit: "ratio", Formula: formula, Source: iso22400, Method: "ratio of sums"}
		if f.OK = base > 0; f.OK {
			f.Value, f.Low, f.High = v, v, v
		} else {
			f.Method = why
		}
		out = append(out, f)
	}
	const noPlan, noRun = "nothing was planned", "nothing was produced in planned time"
	ratioOf("availability", "availability", i.Availability, e.PBT, "APT / PBT", noPlan)
	ratioOf("effectiveness", "effectiveness", i.Effectiveness, e.APT, "PRI · PQ / APT = rated time of all length / APT", noRun)
	ratioOf("quality_ratio", "quality ratio", i.Quality, e.PQ, "GQ / PQ, by rated time", noRun)
	ratioOf("oee", "OEE index", i.OEE, e.PBT, "availability · effectiveness · quality ratio", noPlan)
	ratioOf("nee", "NEE index", i.NEE, e.PBT, "(AUPT / PBT) · effectiveness · quality ratio: set-up is no loss", noPlan)
	ratioOf("allocation_efficiency", "allocation efficiency", i.AllocationEfficiency, e.PBT, "AUBT / PBT", noPlan)
	ratioOf("utilization_efficiency", "utilization efficiency", i.UtilizationEfficiency, e.AUBT(), "APT / AUBT", "the press was never busy")
	ratioOf("technical_efficiency", "technical efficiency", i.TechnicalEfficiency, e.APT+e.ADET, "APT / (APT + ADET)", "neither production nor delay")
	ratioOf("setup_ratio", "set-up ratio", i.SetupRatio, e.AUPT(), "AUST / AUPT", "neither set-up nor production")
	ratioOf("scrap_ratio", "scrap ratio", i.ScrapRatio, e.PQ, "SQ / PQ, by rated time", noRun)
	ratioOf("scrap_ratio_length", "scrap ratio by length", div(float64(s.Made-s.Good), float64(s.Made)), float64(s.Made), "SQ / PQ, by length made in production", noRun)
	pmt := float64(s.In[PlannedCleaning].US+s.In[CleaningOverrun].US+s.In[PlannedMaintenance].US) / 60e6
	cmt := float64(s.In[ContaminationStop].US+s.In[OtherBreakdown].US) / 60e6
	ratioOf("corrective_maintenance_ratio", "corrective maintenance ratio", div(cmt, cmt+pmt), cmt+pmt,
		"CMT / (CMT + PMT); CMT: breakdown and contamination stops, PMT: planned cleaning, its overrun, planned maintenance", "no maintenance at all")
	all := FailuresOf(facts, OtherBreakdown, ContaminationStop)
	dirt := FailuresOf(facts, ContaminationStop)
	out = append(out,
		meanBetween("mtbf", "mean operating time between failures", e.AUPT(), all, "stops by breakdown or dirt of 5 min and more"),
		meanBetween("mtbf_dirt", "mean operating time between stops by dirt", e.AUPT(), dirt, "contamination stops of 5 min and more"),
		meanRepair("mttr", "mean time to restoration", all, "stops by breakdown or dirt of 5 min and more"),
		meanRepair("mttr_dirt", "mean time to restoration after a stop by dirt", dirt, "contamination stops of 5 min and more"))
	for _, x := range [][4]string{
		{"rework_ratio", "rework ratio", "RQ / PQ", "rework is not recorded"},
		{"allocation_ratio", "allocation ratio", "AUBT / AOET", "order times beyond the press (transport, queues) are not recorded"},
		{"process_ratio", "production process ratio", "APT / AOET", "order times beyond the press (transport, queues) are not recorded"},
		{"throughput_rate", "throughput rate", "PQ / AOET", "order times beyond the press (transport, queues) are not recorded"},
		{"planned_scrap_ratio", "actual to planned scrap ratio", "SQ / PSQ", "planned scrap is not recorded"},
		{"first_pass_yield", "first pass yield", "GP / IP", "parts are not inspected one by one"},
		{"fall_off_ratio", "fall off ratio", "SQ / PQ of the first operation", "operations before the press are not recorded"},
	} {
		out = append(out, Figure{Slug: x[0], Name: x[1], Unit: "ratio", Formula: x[2], Source: iso22400, Method: x[3]})
	}
	return out
}

// meanBetween is an MTBF: set-up and production time ÷ failures.
func meanBetween(slug, name string, aupt float64, f Failures, counts string) Figure {
	out := Figure{Slug: slug, Name: name, N: f.Stops, Unit: "minutes", Formula: "Σ TBF / failures, TBF = set-up and production time (AUPT); failures: " + counts, Source: isoMemory + "; " + handbook}
	m, err := stats.MTBF(aupt, f.Stops, FailureLevel)
	if err != nil {
		out.Method = "no failure and no time"
		if least, err := stats.MTBFAtLeast(aupt, FailureLevel); err == nil {
			out.Method = fmt.Sprintf("no failure in %.0f min: the mean is at least %.0f min (one-sided 95 %%)", aupt, least)
		} else if f.Stops > 0 {
			out.Method = "failures, but neither set-up nor production time"
		}
		return out
	}
	out.Value, out.Low, out.High, out.OK, out.Method = m.Value, m.Low, m.High, true, "chi-square 95 %, failures at a constant rate"
	return out
}

func meanRepair(slug, name string, f Failures, counts string) Figure {
	out := Figure{Slug: slug, Name: name, N: f.Stops, Unit: "minutes", Formula: "Σ TTR / failures: " + counts, Source: isoMemory + "; " + handbook}
	m, err := stats.MeanOfExponential(f.Min, f.Stops, FailureLevel)
	if err != nil {
		out.Method = "no failure"
		return out
	}
	out.Value, out.Low, out.High, out.OK, out.Method = m.Value, m.Low, m.High, true, "exact (chi-square) 95 % if repair times are exponential"
	return out
}
