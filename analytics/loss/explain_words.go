package loss

import "github.com/downweb/downweb/analytics/timeline"

// Why says in words which rule put a piece where it is.
func (q Question) Why(p *Piece) string {
	switch {
	case q.Excess:
		return "a booking claims more than the counter has in its time"
	case q.Spill && p.State == timeline.StateProduction:
		return "a stop note over production changes nothing there"
	case q.Spill && p.State == timeline.StateTrial && p.Rule == RuleNone:
		return "a note over a trial changes nothing there"
	case q.Spill:
		return "a slow note outside production changes nothing there"
	}
	switch p.Leaf {
	case LeafProduction:
		return "a production slice outside planned time: extra running"
	case ContaminationSlow:
		return "production less its rated time, under a slow note of class contamination"
	case OtherSlow:
		return "production less its rated time: the remainder"
	case SetupWaste:
		if p.Rule == RuleSlice {
			return "counted in set-up: set-up waste without a booking"
		}
	case OutsideWaste:
		return "counted in neither production nor set-up"
	case UnbookedWaste:
		return "counted in production and claimed by no booking"
	case CleaningInBreak:
		return "a session in a break without a sign-off: draws no allowance"
	}
	switch p.Rule {
	case RuleTrial:
		return "a trial slice"
	case RuleNote:
		return "a reason note; its class comes before sessions"
	case RuleSession:
		return p.sessionWhy()
	case RuleContamination:
		return "a reason note of class contamination"
	case RuleSlice:
		return p.sliceWhy()
	case RuleNothing:
		return "no slice, session or note"
	case RuleBooking:
		if p.State == timeline.StateNone {
			return "a booking on another web: material only"
		}
		return "a booking claims it"
	}
	return ""
}

func (p *Piece) sessionWhy() string {
	switch p.Leaf {
	case PlannedCleaning:
		return "a cleaning session, inside the allowance of its due tasks"
	case CleaningOverrun:
		return "a cleaning session, its allowance used up"
	case ContaminationStop:
		return "a cleaning session on demand, its allowance used up"
	case Setup:
		return "a cleaning session at a changeover"
	}
	return "a cleaning session"
}

func (p *Piece) sliceWhy() string {
	if p.State == timeline.StateCleaning {
		return "cleaning slices without a session"
	}
	if p.State == timeline.StateMaintenance && p.Leaf == PlannedMaintenance && p.Reason == "" {
		return "maintenance slices inside a maintenance window"
	}
	if p.Reason != "" {
		return p.State.String() + " slices, by their reason"
	}
	return p.State.String() + " slices without a reason"
}
