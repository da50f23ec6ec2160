package method

// Roles say which columns of the table are what. Empty: the role is not taken.
type Roles struct {
	// Outcome is a number per row: waste, a count of stops, a rate, a life.
	Outcome string `json:"outcome,omitempty"`
	// Exposure columns are what the outcome is compared over. Numbers; in
	// regressions a text column becomes one 0/1 term per value but the first.
	Exposure []string `json:"exposure,omitempty"`
	// Controls are held fixed. A text column becomes 0/1 terms.
	Controls []string `json:"controls,omitempty"`
	// Group holds the unit whose level is taken out (a press), as text or number.
	Group string `json:"group,omitempty"`
	// Cell is a second unit whose level is taken out (a plant's week); it needs a group.
	Cell string `json:"cell,omitempty"`
	// Cluster holds the unit whose rows may depend on each other; empty: the group.
	Cluster string `json:"cluster,omitempty"`
	// Time orders the rows of a group: a number, or text that sorts in time (ISO dates).
	Time string `json:"time,omitempty"`
	// Offset is the length or time the outcome was counted over, above 0; its
	// logarithm enters with slope 1.
	Offset string `json:"offset,omitempty"`
	// Event is 1 where a life ended in a failure, 0 where it was still good.
	Event string `json:"event,omitempty"`
}

// Models of the mean of the outcome, for methods that take one.
const (
	Linear  = "linear"  // E[y] = effects + Xβ
	Poisson = "poisson" // E[y] = offset · exp(effects + Xβ), pseudo-likelihood: only the mean must be right
)

// Options of a run; zero values are replaced by the default in brackets, and
// the Result holds what was used.
type Options struct {
	Level       float64 `json:"level"`                  // of intervals [0.95]
	Model       string  `json:"model,omitempty"`        // [poisson with an offset, else linear]
	Correction  string  `json:"correction,omitempty"`   // CR0, CR1, CR2, CR3 [CR2]; poisson also CR2-power
	Trend       bool    `json:"trend,omitempty"`        // a slope on time per group is taken out; Time must be a number
	Lags        int     `json:"lags,omitempty"`         // lags 0…Lags, in rows of a group [0; 7 for distributed-lags and event-study]
	Leads       int     `json:"leads,omitempty"`        // event-study: rows before the event [5]
	Washout     int     `json:"washout,omitempty"`      // event-study: rows without exposure that must come before an event [3]
	Align       string  `json:"align,omitempty"`        // event-study: onset or end of the exposure [onset]
	Draws       int     `json:"draws,omitempty"`        // random draws, where not all cases are counted out [9999]
	Seed        uint64  `json:"seed,omitempty"`         // [1]
	BlockLength int     `json:"block_length,omitempty"` // block-permutation: rows per block [7]
	Bins        int     `json:"bins,omitempty"`         // dose methods: bins above the lowest dose [4]
	Weights     string  `json:"weights,omitempty"`      // wild-bootstrap: rademacher or webb [rademacher]
	Rank        bool    `json:"rank,omitempty"`         // partial: of ranks
}

// Request asks for one method.
type Request struct {
	Method  string  `json:"method"` // a name of Methods
	Roles   Roles   `json:"roles"`
	Options Options `json:"options"`
}

// Adjusted holds p-values corrected for the number of estimates asked for in
// the same run.
type Adjusted struct {
	MaxT *float64 `json:"max_t,omitempty"` // step-down max-T over the same draws; permutation methods only
	Holm float64  `json:"holm"`
	BH   float64  `json:"bh"`
	BY   float64  `json:"by"`
}

// Estimate is one number with what is known about it. Pointers are nil where a
// method does not give the figure.
type Estimate struct {
	Term      string    `json:"term"`
	Lag       *int      `json:"lag,omitempty"`        // rows of the group; negative before the event
	From      *float64  `json:"from,omitempty"`       // dose bin: above this
	To        *float64  `json:"to,omitempty"`         // dose bin: up to and with this
	N         int       `json:"n,omitempty"`          // rows behind it, where not all of Result.Rows
	Scale     string    `json:"scale"`                // what Value is: correlation, difference, log rate ratio, …
	Value     float64   `json:"value"`                //
	SE        *float64  `json:"se,omitempty"`         //
	DF        *float64  `json:"df,omitempty"`         // of the t distribution of Statistic
	Statistic *float64  `json:"statistic,omitempty"`  // t, z or the permutation statistic
	P         *float64  `json:"p,omitempty"`          // two-sided
	Exact     bool      `json:"exact,omitempty"`      // P counts every case
	Low       *float64  `json:"low,omitempty"`        // interval at Options.Level
	High      *float64  `json:"high,omitempty"`       //
	BandLow   *float64  `json:"band_low,omitempty"`   // band that holds for all estimates of the run at once
	BandHigh  *float64  `json:"band_high,omitempty"`  //
	Ratio     *float64  `json:"ratio,omitempty"`      // exp(Value), for log rate ratios
	RatioLow  *float64  `json:"ratio_low,omitempty"`  //
	RatioHigh *float64  `json:"ratio_high,omitempty"` //
	Adjusted  *Adjusted `json:"adjusted,omitempty"`   // where the run has several estimates
}

// Test is a joint question, e.g. whether all estimates before an event are 0.
type Test struct {
	Name      string  `json:"name"`
	Statistic float64 `json:"statistic"`
	P         float64 `json:"p"`
	Note      string  `json:"note,omitempty"`
}

// Figure is a plain number of a fit: a share explained, a dispersion.
type Figure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
}

// LeftOut counts rows that were not used.
type LeftOut struct {
	Reason string `json:"reason"`
	Rows   int    `json:"rows"`
}

// Result is the answer. Every number in it is finite.
type Result struct {
	Method      string     `json:"method"`
	Title       string     `json:"title"`
	Roles       Roles      `json:"roles"`
	Options     Options    `json:"options"` // with the defaults filled in
	Rows        int        `json:"rows"`    // used
	Groups      int        `json:"groups,omitempty"`
	Clusters    int        `json:"clusters,omitempty"`
	LeftOut     []LeftOut  `json:"left_out,omitempty"`
	Estimates   []Estimate `json:"estimates"`
	Sums        []Estimate `json:"sums,omitempty"` // distributed-lags: each exposure's lags added up
	Tests       []Test     `json:"tests,omitempty"`
	Figures     []Figure   `json:"figures,omitempty"`
	Notes       []string   `json:"notes,omitempty"` // what must stand beside the numbers
	Formula     string     `json:"formula"`
	Assumptions []string   `json:"assumptions"`
	Sources     []string   `json:"sources"`
}

// Info describes a method of the registry.
type Info struct {
	Name        string   `json:"name"`
	Title       string   `json:"title"`             // one line
	Needs       []string `json:"needs"`             // roles that must be given
	Takes       []string `json:"takes,omitempty"`   // roles that may be given
	Options     []string `json:"options,omitempty"` // option names it reads
	Formula     string   `json:"formula"`
	Assumptions []string `json:"assumptions"`
	Sources     []string `json:"sources"`

	run func(*job) error
}
