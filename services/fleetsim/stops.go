package fleetsim

import (
	"math"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// halt stops the press for a while; reason may be empty. The restart wastes a
// little.
func (d *dayGen) halt(minutes float64, state pb.State, reason, station string) (from, to int64) {
	j := d.job
	from, to = d.advance(max(int64(minutes*float64(minute)), second), d.stop, state, func(s *slice) {
		s.reason, s.station = reason, station
		if j != nil {
			s.job = j.id
		}
	})
	d.restartMM += int64(1000 + 3000*d.rng.Float64())
	return from, to
}

// endJob closes the job.
func (d *dayGen) endJob() {
	j := d.job
	d.event(d.t, &pb.Event{Body: &pb.Event_JobEnded{JobEnded: &pb.JobEnded{Job: j.id}}})
	r := d.rng
	if r.Float64() < 0.02 {
		rated := j.rated + 5000*int64(1-2*r.IntN(2))
		d.event(d.later(0.5), &pb.Event{Body: &pb.Event_JobCorrected{JobCorrected: &pb.JobCorrected{Job: j.id, RatedMmPerMin: &rated}}})
	}
	d.job = nil
}

func (d *dayGen) reelChange() {
	d.reelKm = d.kind.reelKm * (0.9 + 0.2*d.rng.Float64())
	_, to := d.halt(1.5+2.5*d.rng.Float64(), pb.State_STATE_WAITING, "reel-change", "")
	mm := int64(3000 + 6000*d.rng.Float64())
	d.restartMM += mm
	if d.rng.Float64() < 0.3 {
		d.book(to+d.spread(3, 20), to, to+10*minute, "", mm, pb.WasteCause_WASTE_CAUSE_SPLICE, "")
	}
}

func (d *dayGen) minorStop() {
	reason, station := "", ""
	switch d.rng.IntN(6) {
	case 0:
		reason, station = "web-break", ""
	case 1:
		reason, station = "mechanical", die
	}
	d.halt(0.3+d.rng.ExpFloat64()*1.2, pb.State_STATE_DOWN, reason, station)
}

// breakdown is long; what it was is told by the press, soon after by the crew,
// the next morning, or never.
func (d *dayGen) breakdown() {
	r := d.rng
	minutes := 12 + r.ExpFloat64()*25
	reason := []string{"mechanical", "electrical", "web-break"}[r.IntN(3)]
	if r.Float64() < 0.35 {
		d.halt(minutes, pb.State_STATE_DOWN, reason, "")
		return
	}
	from, to := d.halt(minutes, pb.State_STATE_DOWN, "", "")
	if minutes > 45 && d.t < d.stop { // technicians take over
		_, to = d.halt(20+20*r.Float64(), pb.State_STATE_MAINTENANCE, "", "")
	}
	d.tell(from, to, pb.NoteKind_NOTE_KIND_STOP, reason, "", 0.8)
}

func (d *dayGen) waiting() {
	r := d.rng
	reason := []string{"no-material", "no-crew", "approval", ""}[r.IntN(4)]
	from, to := d.halt(4+r.ExpFloat64()*9, pb.State_STATE_WAITING, reason, "")
	if reason == "" {
		d.tell(from, to, pb.NoteKind_NOTE_KIND_STOP, "no-crew", "", 0.4)
	}
}

func (d *dayGen) trial() {
	j := d.job
	d.advance(int64((10+15*d.rng.Float64())*float64(minute)), d.stop, pb.State_STATE_TRIAL, func(s *slice) {
		s.job = j.id
		s.waste = (s.to - s.from) * 8000 / minute
	})
}

// contamination is a stop for dirt; sometimes a clean on demand follows. It
// never cleans a station whose dirt has an effect: those are cleaned at their
// own times only.
func (d *dayGen) contamination() {
	r := d.rng
	reason, station, kind, task := "dirt-on-web", webCleaner, pb.DefectKind_DEFECT_KIND_DUST_SPOT, ""
	switch {
	case d.dirt[heads] != nil && r.Float64() < 0.6:
		reason, station, kind, task = "heads-blocked", heads, pb.DefectKind_DEFECT_KIND_STREAK, "heads-purge"
	case r.Float64() < 0.4:
		reason, station, kind = "cure-weak", uv1, pb.DefectKind_DEFECT_KIND_UNDER_CURE
	case d.dirt[anilox] != nil && r.Float64() < 0.5:
		reason, station, kind, task = "dirt-on-web", anilox, pb.DefectKind_DEFECT_KIND_COLOR_DRIFT, "anilox-wash"
	case r.Float64() < 0.5:
		reason, station, kind, task = "dirt-on-web", nips, pb.DefectKind_DEFECT_KIND_REPEAT_MARK, "nip-wash"
	}
	d.event(d.t, &pb.Event{Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: kind, Station: station,
		LengthMm: int64(2000 + 20000*r.Float64()), Crew: d.crew()}}})
	if r.Float64() < 0.6 {
		d.halt(2+r.ExpFloat64()*5, pb.State_STATE_DOWN, reason, station)
	} else {
		from, to := d.halt(2+r.ExpFloat64()*5, pb.State_STATE_DOWN, "", "")
		d.tell(from, to, pb.NoteKind_NOTE_KIND_STOP, reason, station, 0.9)
	}
	if task != "" && d.t < d.stop-30*minute && r.Float64() < 0.6 {
		d.onDemand(task)
	}
}

// materialFault wastes web while running.
func (d *dayGen) materialFault() {
	r := d.rng
	mm := int64(4000 + r.ExpFloat64()*9000)
	d.restartMM += mm
	cause, kind := pb.WasteCause_WASTE_CAUSE_MATERIAL, pb.DefectKind_DEFECT_KIND_VOID
	switch r.IntN(5) {
	case 0:
		cause, kind = pb.WasteCause_WASTE_CAUSE_REGISTER, pb.DefectKind_DEFECT_KIND_MISREGISTER
	case 1:
		cause, kind = pb.WasteCause_WASTE_CAUSE_CURE, pb.DefectKind_DEFECT_KIND_SET_OFF
	case 2:
		cause, kind = pb.WasteCause_WASTE_CAUSE_OTHER, pb.DefectKind_DEFECT_KIND_OTHER
	}
	at := d.t
	d.event(at, &pb.Event{Body: &pb.Event_DefectSeen{DefectSeen: &pb.DefectSeen{Kind: kind, LengthMm: mm, Crew: d.crew()}}})
	if r.Float64() < 0.7 {
		d.book(at+d.spread(4, 25), at, at+10*minute, "", mm, cause, "")
	}
	if r.Float64() < 0.05 { // found at rewinding or by the customer
		d.event(d.later(1), &pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stamp(at), To: stamp(at + 10*minute),
			LengthMm: int64(15000 + 30000*r.Float64()), Cause: cause, Found: pb.WhereFound_WHERE_FOUND_DOWNSTREAM, Web: pb.Web_WEB_FACE, LanesBad: 1, Lanes: 4, Crew: d.crew()}}})
	}
}

// slowRun runs slowly for a while; the crew may say why.
func (d *dayGen) slowRun() {
	r := d.rng
	speed := float64(d.job.rated) * (0.55 + 0.2*r.Float64())
	dur := int64((6 + r.ExpFloat64()*12) * float64(minute))
	dur = min(dur, int64(d.job.leftKm*1e6/speed*float64(minute))+1)
	from, to := d.run(dur, speed)
	if to <= from {
		return
	}
	reason, station := "no-material", ""
	if d.dirt[uv1].km > d.soilKm && r.Float64() < 0.5 {
		reason, station = "cure-weak", uv1
	}
	d.tell(from, to, pb.NoteKind_NOTE_KIND_SLOW, reason, station, 0.4)
}

// maintenance is when the next planned service of the day begins; 0: none.
func (d *dayGen) maintenance() int64 {
	if d.serviced || len(d.plan.maint) == 0 || d.plan.maint[0].to <= d.t {
		return 0
	}
	return max(d.plan.maint[0].from, d.t)
}

func (d *dayGen) service() {
	d.serviced = true
	w := d.plan.maint[0]
	d.advance(w.to-d.t, min(w.to, d.stop), pb.State_STATE_MAINTENANCE, func(s *slice) { s.reason = "service" })
}

// bookContamination books part of what dirt cost, as far as the crew saw it.
func (d *dayGen) bookContamination() {
	for _, m := range mechanisms {
		if x := d.extra[m.station]; x > 8000 && d.rng.Float64() < 0.45 {
			cause := pb.WasteCause_WASTE_CAUSE_CONTAMINATION
			d.book(d.lastProd+d.spread(1, 6), d.firstProd, d.lastProd, "", int64(math.Round(x*(0.3+0.5*d.rng.Float64()))), cause, m.station)
		}
	}
}
