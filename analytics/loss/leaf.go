package loss

import "github.com/downweb/downweb/analytics/timeline"

// Leaf of the loss tree. Numbers are stored and never reused.
type Leaf uint8

// Leaves, in the order of the ladder. LeafProduction is actual production
// time; the others are losses.
const (
	LeafNone             Leaf = 0
	LeafProduction       Leaf = 1
	PlannedCleaning      Leaf = 2
	CleaningOverrun      Leaf = 3
	PlannedMaintenance   Leaf = 4
	ContaminationStop    Leaf = 5
	OtherBreakdown       Leaf = 6
	Setup                Leaf = 7
	Trials               Leaf = 8
	ReelChange           Leaf = 9
	Waiting              Leaf = 10
	Unaccounted          Leaf = 11
	ContaminationSlow    Leaf = 12
	OtherSlow            Leaf = 13
	SetupWaste           Leaf = 14
	RestartWaste         Leaf = 15
	ContaminationWaste   Leaf = 16
	SpliceWaste          Leaf = 17
	CureWaste            Leaf = 18
	RegisterWaste        Leaf = 19
	MaterialWaste        Leaf = 20
	OtherWaste           Leaf = 21
	UnbookedWaste        Leaf = 22
	OutsideWaste         Leaf = 23 // counted in neither PRODUCTION nor SETUP; material only
	CleaningInBreak      Leaf = 24 // outside planned time only
	NumLeaves                 = 25
	firstLoss                 = PlannedCleaning
	lastAvailabilityLeaf      = Unaccounted
)

// Factor of OEE that a leaf lowers.
type Factor uint8

// Factors.
const (
	FactorNone Factor = iota
	FactorAvailability
	FactorEffectiveness
	FactorQuality
)

var factorNames = [...]string{"", "availability", "effectiveness", "quality"}

// String is the ISO 22400-2 name of the factor.
func (f Factor) String() string { return factorNames[f] }

type leafInfo struct {
	slug, name string
	factor     Factor
	share      string
}

var leaves = [NumLeaves]leafInfo{
	LeafProduction:     {"production", "actual production", FactorNone, ""},
	PlannedCleaning:    {"planned_cleaning", "planned cleaning", FactorAvailability, "cleaning"},
	CleaningOverrun:    {"cleaning_overrun", "cleaning overrun", FactorAvailability, "cleaning"},
	PlannedMaintenance: {"planned_maintenance", "planned maintenance", FactorAvailability, "cleaning"},
	ContaminationStop:  {"contamination_stop", "contamination stop", FactorAvailability, "dirt"},
	OtherBreakdown:     {"other_breakdown", "other breakdown", FactorAvailability, ""},
	Setup:              {"setup", "set-up", FactorAvailability, ""},
	Trials:             {"trials", "trials", FactorAvailability, ""},
	ReelChange:         {"reel_change", "reel change", FactorAvailability, ""},
	Waiting:            {"waiting", "waiting", FactorAvailability, ""},
	Unaccounted:        {"unaccounted", "unaccounted", FactorAvailability, ""},
	ContaminationSlow:  {"contamination_slow", "contamination slow", FactorEffectiveness, "dirt"},
	OtherSlow:          {"other_slow", "other slow running", FactorEffectiveness, ""},
	SetupWaste:         {"setup_waste", "set-up waste", FactorQuality, ""},
	RestartWaste:       {"restart_waste", "restart-after-clean waste", FactorQuality, "cleaning"},
	ContaminationWaste: {"contamination_waste", "contamination waste", FactorQuality, "dirt"},
	SpliceWaste:        {"splice_waste", "splice waste", FactorQuality, ""},
	CureWaste:          {"cure_waste", "cure waste", FactorQuality, ""},
	RegisterWaste:      {"register_waste", "register waste", FactorQuality, ""},
	MaterialWaste:      {"material_waste", "material waste", FactorQuality, ""},
	OtherWaste:         {"other_waste", "other booked waste", FactorQuality, ""},
	UnbookedWaste:      {"unbooked_waste", "unbooked waste", FactorQuality, ""},
	OutsideWaste:       {"outside_waste", "waste outside production", FactorQuality, ""},
	CleaningInBreak:    {"cleaning_in_break", "cleaning state in a break", FactorNone, "cleaning"},
}

// Slug names the leaf in tables, files and requests.
func (l Leaf) Slug() string { return leaves[l].slug }

// String is the leaf's name for people.
func (l Leaf) String() string { return leaves[l].name }

// Factor of OEE that the leaf lowers.
func (l Leaf) Factor() Factor { return leaves[l].factor }

// Share is "cleaning", "dirt" or empty: the two halves of the maintenance share.
func (l Leaf) Share() string { return leaves[l].share }

// IsLoss says whether the leaf is a loss of planned busy time.
func (l Leaf) IsLoss() bool { return l >= firstLoss && l <= OutsideWaste }

// Losses are all loss leaves, in the order of the ladder.
func Losses() []Leaf {
	out := make([]Leaf, 0, NumLeaves)
	for l := Leaf(firstLoss); l <= OutsideWaste; l++ {
		out = append(out, l)
	}
	return out
}

// Sub divides a leaf. Numbers are stored and never reused.
type Sub uint8

// Parts of leaves.
const (
	SubNone     Sub = 0
	SubNoRecord Sub = 1 // cleaning overrun: CLEANING state without a session
	SubCleaning Sub = 2 // contamination stop, set-up: the cleaning in it
	SubSlowDirt Sub = 3 // production: under a slow note of class contamination
)

var subNames = [...]string{"", "no record", "cleaning", "slow: contamination"}

// String is the part's name for people.
func (s Sub) String() string { return subNames[s] }

// classLeaf is the leaf of a stop's reason class.
func classLeaf(c timeline.ReasonClass) Leaf {
	switch c {
	case timeline.ClassContamination:
		return ContaminationStop
	case timeline.ClassBreakdown:
		return OtherBreakdown
	case timeline.ClassMaterial, timeline.ClassPeople, timeline.ClassApproval:
		return Waiting
	case timeline.ClassReel:
		return ReelChange
	case timeline.ClassPlannedMaint:
		return PlannedMaintenance
	case timeline.ClassSetup:
		return Setup
	}
	return LeafNone
}

func causeLeaf(c timeline.Cause) Leaf {
	switch c {
	case timeline.CauseSetup:
		return SetupWaste
	case timeline.CauseSplice:
		return SpliceWaste
	case timeline.CauseRestart:
		return RestartWaste
	case timeline.CauseContamination:
		return ContaminationWaste
	case timeline.CauseCure:
		return CureWaste
	case timeline.CauseRegister:
		return RegisterWaste
	case timeline.CauseMaterial:
		return MaterialWaste
	}
	return OtherWaste
}
