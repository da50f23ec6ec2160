package projector

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
)

// pressDay is the wide row of the day.
func (d *dayFold) pressDay(res *loss.Result) timeline.PressDay {
	p, r, span := d.fold.Press, &res.Day, d.plan.Span()
	rate := p.RateOn(d.plan.Day)
	row := timeline.PressDay{
		Plant: p.Plant, Press: p.Name, Day: d.plan.Day,
		Currency: p.Currency, HourMicro: rate.PressHour, Constrained: rate.Constrained,
		PBT: r.PBT, APT: r.APT,
		PartNoRecord: r.Parts[loss.SubNoRecord], PartDirtCleaning: r.Parts[loss.SubCleaning], PartSetupCleaning: r.SetupCleaning,
		Valuable: r.Valuable, Good: r.Good, Made: r.Made,
		Measured: r.Measured, Stated: r.Stated, Unknown: r.Unknown,
		GoodOutside: r.GoodOutside, ExtraGood: r.ExtraGood, Excess: r.Excess, NoteSpill: r.NoteSpill,
		AssumedMM: r.AssumedMM, UnknownReasons: r.UnknownReason,
		// ms × millionths an hour → billionths: × 1000 / 3,600,000.
		OutLabour: (r.OutLabour + 1800) / 3600,
		RunMS:     d.duty.RunMS,
		FirstRun:  d.duty.FirstProduction, LastRun: d.duty.LastProduction,
		RunWaste: r.RunWaste + r.StopWaste,
		Through:  min(d.fold.Frontier, span.To),

		Downstream:    r.Downstream,
		RestartCleans: d.restarts.Cleans, RestartMM: d.restarts.Len, RestartWaste: d.restarts.Waste,
		RestartExcess: d.restarts.Excess, RestartSquares: d.restarts.Squares,
	}
	if rate.Constrained {
		row.HourMicro = rate.ContributionHour
	}
	for l := range r.In {
		row.In[l] = timeline.LeafAmount(r.In[l])
		row.Out[l] = timeline.LeafAmount(r.Out[l])
	}
	for _, o := range d.fold.History.Overlaps {
		if span.Has(o.At) {
			row.OverlapMS += o.MS
			row.OverlapMM += o.MM
		}
	}
	d.runs(&row)
	for _, e := range d.duty.Exposures {
		row.Stations = append(row.Stations, e.Station)
		row.StationState = append(row.StationState, uint8(e.State))
		row.StationSinceMM = append(row.StationSinceMM, e.SinceMM)
		row.StationInRow = append(row.StationInRow, int32(e.InRow))
		row.StationFound = append(row.StationFound, e.NextCondition)
	}
	return row
}

// runs fills what a study needs of the day's slices: length by family, jobs,
// shifts that produced.
func (d *dayFold) runs(row *timeline.PressDay) {
	span := d.plan.Span()
	families := map[string]*int64{}
	lengthOf := func(family string) *int64 {
		if families[family] == nil {
			families[family] = new(int64)
		}
		return families[family]
	}
	var last string
	var mm *int64 // of the family of the job last
	jobs := map[string]bool{}
	shifts := map[string]bool{}
	for _, seg := range d.plan.Segments {
		sl := timeline.SlicesIn(d.h.Slices, seg.Interval)
		for i := range sl {
			s := &sl[i]
			part := s.Part(seg.Interval)
			switch s.State {
			case timeline.StateProduction:
				if mm == nil || s.Job != last { // neighbors mostly share a job
					last, mm = s.Job, lengthOf(d.h.Job(s.Job, span.To).Family)
					if s.Job != "" {
						jobs[s.Job] = true
					}
				}
				*mm += part.Good + part.Waste
				row.RunMM += part.Good + part.Waste
				shifts[seg.Shift] = true
			case timeline.StateSetup:
				row.SetupRunWaste += part.Waste
			}
		}
	}
	type fam struct {
		name string
		mm   int64
	}
	var list []fam
	for name, mm := range families {
		list = append(list, fam{name, *mm})
	}
	slices.SortFunc(list, func(a, b fam) int { return cmp.Compare(a.name, b.name) })
	for _, f := range list {
		row.Families = append(row.Families, f.name)
		row.FamilyMM = append(row.FamilyMM, f.mm)
	}
	for j := range jobs {
		row.PlannedMM += d.h.Job(j, span.To).Planned
	}
	row.Jobs, row.Shifts = int64(len(jobs)), int64(len(shifts))
}
