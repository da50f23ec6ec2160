package loss

import "github.com/downweb/downweb/analytics/timeline"

// Scheme is another standard's way to sort planned busy time.
type Scheme uint8

// Schemes.
const (
	SchemeNone Scheme = iota
	SemiE10
	SixLosses
	ISO22400
)

// Line is one line of a view. Lines of level 0 add up to planned busy time
// exactly; deeper lines are parts of the line above with a lower level.
type Line struct {
	Slug, Name string
	Level      int
	US         int64
	Leaves     []string // what the line holds: slugs of leaves, "minor" or "valuable"
}

// split is the part of each leaf's time that a view moves elsewhere, µs.
type split [NumLeaves]int64

// splits adds up the minor stops and the time with a job open, by leaf, inside
// planned time. Facts and sums may be of two readings: a split is never more
// than its leaf.
func splits(s *Sums, facts []timeline.FactSum) (minor, job split) {
	for _, f := range facts {
		if !f.Planned || int(f.Leaf) >= NumLeaves || f.State == timeline.StateProduction {
			continue
		}
		// Only a stop can be minor; a short clean or set-up stays what it is.
		if l := Leaf(f.Leaf); f.Minor && (l == OtherBreakdown || l == ContaminationStop || l == ReelChange || l == Waiting) {
			minor[l] += f.Dur * 1000
		}
		if f.JobOpen {
			job[f.Leaf] += f.Dur * 1000
		}
	}
	for l := range minor {
		top := max(0, s.In[l].US)
		minor[l], job[l] = min(minor[l], top), min(job[l], top)
	}
	return minor, job
}

// view gathers lines.
type view struct {
	s     *Sums
	lines []Line
}

func (v *view) line(level int, slug, name string, us int64, leaves ...string) {
	v.lines = append(v.lines, Line{Slug: slug, Name: name, Level: level, US: us, Leaves: leaves})
}

// sum of leaves, and their slugs.
func (v *view) sum(ls ...Leaf) (us int64, slugs []string) {
	for _, l := range ls {
		us += v.s.In[l].US
		slugs = append(slugs, l.Slug())
	}
	return us, slugs
}

// of writes a line that holds whole leaves.
func (v *view) of(level int, slug, name string, ls ...Leaf) {
	us, slugs := v.sum(ls...)
	v.line(level, slug, name, us, slugs...)
}

// running are the losses inside actual production time; with valuable operating
// time they are all of it.
func running() []Leaf {
	return []Leaf{ContaminationSlow, OtherSlow, SetupWaste, RestartWaste, ContaminationWaste, SpliceWaste, CureWaste, RegisterWaste, MaterialWaste, OtherWaste, UnbookedWaste}
}

func runningSlugs() []string {
	out := []string{"valuable"}
	for _, l := range running() {
		out = append(out, l.Slug())
	}
	return out
}

// View sorts planned busy time into a scheme, by leaf and not by state of the
// press. Facts are those of the sums' scope and period: they say which stops
// were minor and which had a job open. Waste outside production has no time and
// stands in no line.
func View(scheme Scheme, s *Sums, facts []timeline.FactSum) []Line {
	minor, job := splits(s, facts)
	v := &view{s: s}
	switch scheme {
	case SemiE10:
		v.semiE10()
	case SixLosses:
		v.sixLosses(minor)
	case ISO22400:
		v.iso22400(job)
	}
	return v.lines
}

// semiE10 sorts into the basic states of SEMI E10 (names and nesting as in OPC
// 40100-1, 11.6). Set-up and change of consumables being scheduled downtime is
// from memory of the standard; non-scheduled time is outside planned busy time.
// Time of which there is no record has no state: it stands apart.
func (v *view) semiE10() {
	prd := v.s.APT * 1000
	sby, sbyLeaves := v.sum(Waiting)
	eng, engLeaves := v.sum(Trials)
	sdt, sdtLeaves := v.sum(PlannedCleaning, CleaningOverrun, PlannedMaintenance, Setup, ReelChange)
	udt, udtLeaves := v.sum(ContaminationStop, OtherBreakdown)
	up := append(append(runningSlugs(), sbyLeaves...), engLeaves...)
	v.line(0, "uptime", "equipment uptime", prd+sby+eng, up...)
	v.line(1, "manufacturing", "manufacturing time", prd+sby, append(runningSlugs(), sbyLeaves...)...)
	v.line(2, "prd", "productive (PRD)", prd, runningSlugs()...)
	v.line(2, "sby", "standby (SBY)", sby, sbyLeaves...)
	v.line(1, "eng", "engineering (ENG)", eng, engLeaves...)
	v.line(0, "downtime", "equipment downtime", sdt+udt, append(append([]string{}, sdtLeaves...), udtLeaves...)...)
	v.line(1, "sdt", "scheduled downtime (SDT)", sdt, sdtLeaves...)
	v.line(1, "udt", "unscheduled downtime (UDT)", udt, udtLeaves...)
	v.of(0, "no_record", "no record: no state", Unaccounted)
}

// sixLosses sorts into the six big losses (Nakajima, Introduction to TPM, 1988;
// list and factors as in Willmott & McCarthy, TPM: A Route to World-Class
// Performance, 2001). A stop that was minor as a whole is loss 3 whatever stopped
// the press. What Nakajima takes out of loading time (planned stops), and time
// that none of the six names, stands apart.
func (v *view) sixLosses(minor split) {
	part := func(l Leaf) int64 { return v.s.In[l].US - minor[l] }
	v.line(0, "breakdown", "1 breakdown", part(OtherBreakdown)+part(ContaminationStop), OtherBreakdown.Slug(), ContaminationStop.Slug())
	setup, setupLeaves := v.sum(Setup)
	v.line(0, "setup_adjustment", "2 set-up and adjustment", setup+part(ReelChange), append(setupLeaves, ReelChange.Slug())...)
	var short int64
	for _, us := range minor {
		short += us
	}
	v.line(0, "minor_stops", "3 idling and minor stops", short, "minor")
	v.of(0, "reduced_speed", "4 reduced speed", ContaminationSlow, OtherSlow)
	v.of(0, "defects", "5 defects and rework", ContaminationWaste, SpliceWaste, CureWaste, RegisterWaste, MaterialWaste, OtherWaste, UnbookedWaste)
	v.of(0, "reduced_yield", "6 start-up and reduced yield", SetupWaste, RestartWaste)
	planned, plannedLeaves := v.sum(PlannedCleaning, CleaningOverrun, PlannedMaintenance)
	trials, trialLeaves := v.sum(Trials)
	none, noneLeaves := v.sum(Unaccounted)
	all := append(append(append(append([]string{}, plannedLeaves...), trialLeaves...), Waiting.Slug()), noneLeaves...)
	v.line(0, "none_of_six", "none of the six", planned+trials+part(Waiting)+none, all...)
	v.line(1, "planned_stops", "planned stops: cleaning, maintenance", planned, plannedLeaves...)
	v.line(1, "trials", "trials", trials, trialLeaves...)
	v.line(1, "waiting", "waiting, five minutes and more", part(Waiting), Waiting.Slug())
	v.line(1, "no_record", "no record", none, noneLeaves...)
	v.line(0, "valuable", "valuable operating time", v.s.Valuable, "valuable")
}

// iso22400 sorts into the time elements of ISO 22400-2: PBT = AUBT + ADOT,
// AUBT = AUPT + ADET, AUPT = AUST + APT. Stops with a job open are delay (ADET),
// without one down time (ADOT); cleaning and maintenance inside planned busy time
// are down time and printed apart (APMT), job or not.
func (v *view) iso22400(job split) {
	stops := []Leaf{ContaminationStop, OtherBreakdown, Trials, ReelChange, Waiting, Unaccounted}
	var adet, adot int64
	var slugs []string
	for _, l := range stops {
		adet += job[l]
		adot += v.s.In[l].US - job[l]
		slugs = append(slugs, l.Slug())
	}
	aust, austLeaves := v.sum(Setup)
	apmt, apmtLeaves := v.sum(PlannedCleaning, CleaningOverrun, PlannedMaintenance)
	apt := v.s.APT * 1000
	aupt := append(append([]string{}, austLeaves...), runningSlugs()...)
	v.line(0, "aubt", "actual unit busy time (AUBT)", aust+apt+adet, append(append([]string{}, aupt...), slugs...)...)
	v.line(1, "aupt", "actual unit processing time (AUPT)", aust+apt, aupt...)
	v.line(2, "aust", "actual unit set-up time (AUST)", aust, austLeaves...)
	v.line(2, "apt", "actual production time (APT)", apt, runningSlugs()...)
	v.line(1, "adet", "actual unit delay time (ADET): job open", adet, slugs...)
	v.line(0, "adot", "actual unit down time (ADOT)", adot+apmt, append(append([]string{}, slugs...), apmtLeaves...)...)
	v.line(1, "apmt", "of it cleaning and maintenance (APMT)", apmt, apmtLeaves...)
}
