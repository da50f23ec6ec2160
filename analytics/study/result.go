package study

// Method names the version of the default study; a result of another method is
// not comparable bit by bit.
const Method = "default-4"

// methods can still be run, newest last: a study that was kept under one reruns
// to the same bytes. default-2 adds lines to a result (the pooled estimate, what
// a trial gives) and changes no number of default-1. default-3 multiplies |T| of
// the shift test by a factor of its own per station (see leverage), which brings
// its error from 6.3 to 5 % where 5 % is asked; it moves p-values only. default-4
// takes the variance of waste as a power of its mean, estimated, in standard
// errors and degrees of freedom (stats.Working): with CR2's one variance the
// intervals of stations without a difference held 0 in 93 % where presses differ
// much. It numbers a trial's windows over all runs on record, calls
// ratios that print as 1.00 on no side of 1, and moves intervals, grades, trials
// and words only.
var methods = []string{"default-1", "default-2", "default-3", Method}

// Result is everything a report needs. No number in it is NaN or infinite;
// what is not known is nil or absent. Meters are meters.
type Result struct {
	Method   string    `json:"method"`
	Spec     Spec      `json:"spec"`
	Data     string    `json:"data_sha256"`
	Refused  string    `json:"refused,omitempty"` // the whole study cannot answer, and why
	Rows     Rows      `json:"rows"`
	Presses  []Press   `json:"presses,omitempty"`
	LeftOut  []LeftOut `json:"left_out,omitempty"` // presses and stations
	Model    *Model    `json:"model,omitempty"`
	Findings []Finding `json:"findings,omitempty"` // family 1, in data-set order
	Map      []Cell    `json:"map,omitempty"`      // family 2: to look at, not to act on
	Overlaps []Overlap `json:"overlaps,omitempty"`
	Trial    *Trial    `json:"trial,omitempty"`    // only with a plan in the spec
	Summary  []string  `json:"summary"`            // sentences that stand over every report
	Warnings []string  `json:"warnings,omitempty"` // study-wide lines
}

// Rows counts what went in and what was left out.
type Rows struct {
	InDataSet  int     `json:"in_data_set"`
	Kept       int     `json:"kept"`
	BurnIn     int     `json:"burn_in"`     // first rows of each press: seen by the shift test, not by the fit
	Fitted     int     `json:"fitted"`      // rows the model rests on
	Separated  int     `json:"separated"`   // rows of plant-weeks without any waste, which cannot tell anything
	InShifts   int     `json:"in_shifts"`   // presses in the shift test
	Coverage   float64 `json:"coverage"`    // mean covered share of the kept rows
	TopShare   float64 `json:"top_share"`   // share of all waste in the top 1 % of fitted rows
	CrossPress float64 `json:"cross_press"` // mean residual correlation between presses of a plant on one day
	Pairs      int     `json:"cross_press_pairs"`
	LeftOut    []Count `json:"left_out,omitempty"`
}

// Press is one press of the study.
type Press struct {
	Press  string  `json:"press"`
	Plant  string  `json:"plant"`
	Rows   int     `json:"rows"`
	Fitted int     `json:"fitted"`
	Waste  float64 `json:"waste_m"`
	KM     float64 `json:"km"`
	Shifts bool    `json:"in_shift_test"`
}

// Model describes the main fit.
type Model struct {
	Controls   []Coefficient `json:"controls"`
	Dropped    []string      `json:"dropped,omitempty"` // columns that depend on others
	Absorbed   int           `json:"absorbed"`          // press levels, trends and plant-weeks
	Iterations int           `json:"iterations"`
	Dispersion float64       `json:"dispersion"`  // Pearson, m
	LagOffset  float64       `json:"lag_offset"`  // c of the lagged waste, m
	PlantWeeks bool          `json:"plant_weeks"` // plant × ISO week levels are in
	Trend      bool          `json:"trend"`
	// VariancePower is p of Var(waste) ∝ mean^p, which standard errors go by;
	// 0 before default-4, 1 where it could not be told.
	VariancePower float64 `json:"variance_power,omitempty"`
}

// Coefficient is one control's coefficient with its interval.
type Coefficient struct {
	Name string  `json:"name"`
	Beta float64 `json:"beta"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Grade is the strength of evidence.
type Grade int

// Grades. Observational studies never exceed Consistent.
const (
	NotAssessable Grade = iota
	NoneSeen
	Suggestive
	Consistent
	// Randomised: the windows were assigned at random and the assignment shows a
	// difference. Only its sentences may speak of an effect.
	Randomised
)

// String returns the word used in reports.
func (g Grade) String() string {
	return [...]string{"not assessable", "none seen", "suggestive", "consistent", "trial"}[g]
}

// Finding is the answer for one station or block of stations.
type Finding struct {
	Name        string   `json:"name"`
	Stations    []string `json:"stations"`
	Grade       Grade    `json:"grade"`
	GradeName   string   `json:"grade_name"`
	Limits      []string `json:"limits,omitempty"`  // why the grade is not higher
	Refusal     string   `json:"refusal,omitempty"` // why there is no number
	Cleaned     int      `json:"cleaned_rows"`
	NotCleaned  int      `json:"not_cleaned_rows"`
	Informative int      `json:"informative_presses"` // with both states
	Presses     int      `json:"presses_not_cleaned"` // with a not-cleaned row

	Waste      *Estimate            `json:"waste,omitempty"`     // primary outcome: run waste, m
	Secondary  map[string]*Estimate `json:"secondary,omitempty"` // net_waste, setup_waste, contamination_waste (m), contamination_minutes
	Test       *Test                `json:"test,omitempty"`
	Detectable *Detectable          `json:"detectable,omitempty"`
	Checks     *Checks              `json:"checks,omitempty"`
	Dose       *Dose                `json:"dose,omitempty"` // only where the grade is suggestive or better
	Year       *Year                `json:"year,omitempty"` // only where the grade is suggestive or better
	ByPress    []PressShare         `json:"by_press,omitempty"`
	Sentences  []string             `json:"sentences"`
}

// Test is the shift test at lag 0.
type Test struct {
	T        float64 `json:"t"`
	P        float64 `json:"p"`
	Adjusted float64 `json:"adjusted"` // step-down max-T over the stations
	Holm     float64 `json:"holm"`
	Q        float64 `json:"q"`                   // Benjamini–Hochberg over stations × lags
	Weeks    float64 `json:"p_whole_week_shifts"` // 0: not computed
	Plant    float64 `json:"p_plant_shifts"`      // 0: not computed
	NullSE   float64 `json:"null_se"`
	Leverage float64 `json:"leverage"` // |T| times this is compared with the shifts
}

// Detectable is the smallest difference found in four of five such studies.
type Detectable struct {
	Beta   float64 `json:"beta"`
	Meters float64 `json:"meters"`
}

// PressShare is one press's part in a finding.
type PressShare struct {
	Press       string  `json:"press"`
	NotCleaned  int     `json:"not_cleaned_rows"`
	Information float64 `json:"information"`  // share of Σq²
	BetaWithout float64 `json:"beta_without"` // with the press left out (one Newton step)
}

// Line is one check with a coefficient and a p-value.
type Line struct {
	Beta float64 `json:"beta"`
	P    float64 `json:"p"`
	Rows int     `json:"rows"`
}

// Range is a number with its interval.
type Range struct {
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// Checks are the lines every study reports per station. nil: the
// data does not allow the check.
type Checks struct {
	Lead           *Line    `json:"lead,omitempty"`            // state of the next window; shift test
	CarryOver      *Line    `json:"carry_over,omitempty"`      // cleaned now, not the window before; shift test
	Unrelated      *Line    `json:"unrelated,omitempty"`       // booked splice and material waste
	ConditionFound *Line    `json:"condition_found,omitempty"` // positive control: steps worse at the next sign-off
	Alone          *float64 `json:"alone,omitempty"`           // β without the other stations
	NoLaggedWaste  *float64 `json:"no_lagged_waste,omitempty"` // β without the waste of the run before
	NoTopRows      *float64 `json:"no_top_rows,omitempty"`     // β without the top 1 % of rows
	DoubtfulAsNot  *float64 `json:"doubtful_as_not,omitempty"` // β with too fast sign-offs read as not cleaned
	LeastSquares   *Range   `json:"least_squares,omitempty"`   // m per 1000 m
	WithoutOneLow  float64  `json:"without_one_press_low"`     // smallest and largest β with one press left out
	WithoutOneHigh float64  `json:"without_one_press_high"`
	MaxInformation float64  `json:"max_information"`  // largest share of information of one press
	Pooled         *Pooled  `json:"pooled,omitempty"` // all rows together against presses by themselves
	EValue         float64  `json:"e_value"`
	EValueInterval float64  `json:"e_value_interval"` // of the interval end nearer 1
}

// Cell is one cell of the exploratory map.
type Cell struct {
	Name string  `json:"name"`
	Lag  int     `json:"lag"` // run rows after the window
	T    float64 `json:"t"`
	P    float64 `json:"p"`
	Q    float64 `json:"q"`
}
