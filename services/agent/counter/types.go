package counter

// Sample is what a press shows at one instant. Its speed and flags hold until
// the next one.
type Sample struct {
	// At, unix ms.
	At int64 `json:"at"`
	// Speed of the web, mm/min.
	Speed int64 `json:"speed"`
	// Good and Waste are the counters as they stand, in counts.
	Good  uint64 `json:"good"`
	Waste uint64 `json:"waste"`
	// Power: the press is on. Fault: it says that it cannot run. GoodOn: the
	// good counter is switched on. JobOpen: a job is open.
	Power   bool `json:"power"`
	Fault   bool `json:"fault"`
	GoodOn  bool `json:"goodOn"`
	JobOpen bool `json:"jobOpen"`
	// Job's id and rated speed in mm/min (0: not known), while one is open.
	Job   string `json:"job"`
	Rated int64  `json:"rated"`
}

// State of the press in a slice.
type State string

// States of a slice, by their names in event.proto.
const (
	Production State = "PRODUCTION"
	Setup      State = "SETUP"
	Down       State = "DOWN"
	Waiting    State = "WAITING"
)

// Slice of a press's time, [From, To) in unix ms, lengths in mm.
type Slice struct {
	From  int64  `json:"from"`
	To    int64  `json:"to"`
	State State  `json:"state"`
	Job   string `json:"job,omitempty"`
	Rated int64  `json:"rated,omitempty"`
	Good  int64  `json:"good"`
	Waste int64  `json:"waste"`
}

// Kind of a report.
type Kind string

// Kinds of reports.
const (
	// Gap: no sample for longer than the largest gap. From and To are the
	// samples around it.
	Gap Kind = "gap"
	// NoPower: the press was off from From to To.
	NoPower Kind = "no power"
	// Stepped: the source's clock went from From (the last sample before) to
	// To (the first after); no time between them is known.
	Stepped Kind = "stepped"
	// RollOver: a counter began at 0 again where it should; its length counts.
	RollOver Kind = "roll-over"
	// Reset: a counter fell otherwise; what it shows since its 0 counts, what
	// it counted before that since the last sample is not known.
	Reset Kind = "reset"
	// Jump: a counter moved further than the web can; no length counts.
	Jump Kind = "jump"
	// Duplicate: a sample came again. Late: one came behind a newer one, or
	// with the same instant and other values. Both are passed over; From is
	// their instant.
	Duplicate Kind = "duplicate"
	Late      Kind = "late"
)

// Report of what is no slice. From and To in unix ms.
type Report struct {
	Kind Kind  `json:"kind"`
	From int64 `json:"from"`
	To   int64 `json:"to,omitempty"`
	// Meter is "good" or "waste" where it is about one of them.
	Meter string `json:"meter,omitempty"`
	// Good and Waste of Gap and NoPower: what the counters moved meanwhile, mm,
	// whole; in no slice. -1: not known, a counter was reset or jumped.
	Good  int64 `json:"good,omitempty"`
	Waste int64 `json:"waste,omitempty"`
}
