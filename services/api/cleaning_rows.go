package api

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// visits reads the visits of presses and marks those of crews that had a
// session open on another press at once.
func (c *cleaningService) visits(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.StationVisit, error) {
	rows, err := c.s.deps.Reader.Visits(ctx, presses, from, to)
	if err != nil {
		return nil, err
	}
	list, err := c.s.deps.Reader.CrewsElsewhere(ctx, presses, from, to)
	if err != nil {
		return nil, err
	}
	elsewhere := map[string]cleaning.Elsewhere{}
	for _, x := range list {
		if elsewhere[x.Press] == nil {
			elsewhere[x.Press] = cleaning.Elsewhere{}
		}
		elsewhere[x.Press][x.Crew] = append(elsewhere[x.Press][x.Crew], x.Interval)
	}
	for i := range rows {
		r := &rows[i]
		if e := elsewhere[r.Plant+"/"+r.Press]; r.Seq >= 0 && e != nil {
			one := []cleaning.Visit{{Crew: r.Crew, From: r.From, To: r.To, Mark: r.Mark}}
			cleaning.ShareCrews(one, e)
			r.Mark = one[0].Mark
		}
	}
	return rows, nil
}

// visit is a stored visit as figures are made from it: its standard shared by
// the hands planned for the occasion, as its time is by the chains at work.
func (f *fleet) visit(r *timeline.StationVisit) cleaning.Visit {
	hands := 1
	if p := f.presses[r.Plant+"/"+r.Press]; p != nil {
		hands = p.HandsFor(r.Occasion)
	}
	return cleaning.Visit{Session: r.Session, Station: r.Station, Task: r.Task, Crew: r.Crew, Occasion: r.Occasion, From: r.From, To: r.To,
		Time: r.Time, Own: r.Own, Interruption: r.Interruption, Standard: r.Standard / int64(hands), Mark: r.Mark, First: r.From == r.SessionFrom}
}

// monthDays is how long a month is in figures a month.
const monthDays = 30.44

// perMonth is a time (ms) of a period as hours a month.
func perMonth(ms int64, from, to timeline.Day) float64 {
	return float64(ms) / float64(timeline.Hour) / float64(to-from+1) * monthDays
}

// ranks orders the stations of all rows by hours and by own excess a month;
// equal ones share the place of the first.
func (f *fleet) ranks(rows []timeline.StationVisit, from, to timeline.Day) []*pb.StationRank {
	by := map[string]*pb.StationRank{}
	var out []*pb.StationRank
	for i := range rows {
		r := &rows[i]
		if r.Seq < 0 {
			continue
		}
		x := by[r.Station]
		if x == nil {
			x = &pb.StationRank{Station: r.Station}
			by[r.Station] = x
			out = append(out, x)
		}
		v := f.visit(r)
		x.HoursPerMonth += perMonth(v.Time, from, to)
		if v.Standard > 0 {
			x.ExcessHoursPerMonth += perMonth(max(0, v.Time-v.Standard), from, to)
		}
	}
	place := func(key func(*pb.StationRank) float64, set func(*pb.StationRank, int32)) {
		slices.SortFunc(out, func(a, b *pb.StationRank) int {
			return cmp.Or(cmp.Compare(key(b), key(a)), cmp.Compare(a.Station, b.Station))
		})
		at := int32(1)
		for i, x := range out {
			if i > 0 && key(x) < key(out[i-1]) {
				at = int32(i + 1)
			}
			set(x, at)
		}
	}
	place(func(x *pb.StationRank) float64 { return x.ExcessHoursPerMonth }, func(x *pb.StationRank, n int32) { x.ByExcess = n })
	place(func(x *pb.StationRank) float64 { return x.HoursPerMonth }, func(x *pb.StationRank, n int32) { x.ByHours = n })
	return out
}

// shiftOf names the shift in which the visit's session began.
func (f *fleet) shiftOf(r *timeline.StationVisit) string {
	p := f.presses[r.Plant+"/"+r.Press]
	if p == nil {
		return ""
	}
	for _, s := range p.Calendar.Plan(r.Day).Segments {
		if s.Has(r.SessionFrom) {
			return s.Shift
		}
	}
	return ""
}

// cellEntry is a visit's part in a view by shift name. Pseudonyms hold for a
// plant and a UTC month.
func cellEntry(r *timeline.StationVisit) cleaning.CellEntry {
	return cleaning.CellEntry{Group: r.Plant + " " + time.UnixMilli(r.To).UTC().Format("2006-01"), Crew: r.Crew,
		Session: r.Plant + "/" + r.Press + " " + r.Session + " " + time.UnixMilli(r.SessionFrom).UTC().Format(time.RFC3339)}
}

func plantOfCell(group string) string {
	plant, _, _ := strings.Cut(group, " ")
	return plant
}

func (f *fleet) zoneOf(press string) string {
	if p := f.presses[press]; p != nil {
		return p.Zone.String()
	}
	return ""
}

// planCautions warn of what the plans of the presses in scope name on a day.
func (f *fleet) planCautions(day timeline.Day) []string {
	var hazards []uint8
	isolate := false
	for _, id := range f.scope {
		for _, t := range f.presses[id].TasksOn(day) {
			isolate = isolate || t.Isolate
			for _, h := range t.Hazards {
				if !slices.Contains(hazards, h) {
					hazards = append(hazards, h)
				}
			}
		}
	}
	return cautions(hazards, isolate)
}
