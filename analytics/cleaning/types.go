package cleaning

import "github.com/downweb/downweb/analytics/timeline"

// Session is one effective cleaning session.
type Session struct {
	ID       string
	Occasion timeline.Occasion
	timeline.Interval
	Opened       timeline.ID
	Crew         string
	ClosedByRule bool
	Reopened     bool            // the same id was opened and ended before
	Checks       timeline.Checks // stated when the crew closed it, whether or not that close ended it
	SignOffs     []int           // indexes into History.SignOffs, in order
	Closing      int64           // ms after the last sign-off, breaks taken out; set by Visits
}

// Group is a set of sessions that overlap: one time, one allowance.
type Group struct {
	timeline.Interval                     // the whole
	Union             []timeline.Interval // the time some session covers: sorted, disjoint
	Occasion          timeline.Occasion   // of the session opened first
	Sessions          []Session           // by start, then id of the opening
	Allowance         int64               // ms: granted standards / hands + open and close
}

// Mark says why a visit is special.
const (
	MarkNone     = ""
	MarkBatch    = "batch"    // taps in a row: time shared by the standards
	MarkShared   = "shared"   // the crew had a session on another press at once
	MarkDoubtful = "doubtful" // under 20 % or over 300 % of standard
)

// Visit is one station's share of a session.
type Visit struct {
	Session      string
	Station      string
	Task         string
	Crew         string // pseudonym, never a badge; empty: not said
	Occasion     timeline.Occasion
	From, To     int64 // unix ms; To is the sign-off
	Time         int64 // press ms: breaks taken out, shared between chains at once
	Own          int64 // the chain's ms, not shared: what a standard is compared with
	Interruption int64 // press ms before work on the station began
	Standard     int64 // ms; 0: none
	First        bool  // of its chain, and begun with the session: it holds the way in and the time to isolate
	Mark         string
	SignOff      timeline.ID
}
