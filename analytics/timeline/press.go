package timeline

import (
	"sort"
	"time"
)

// ReasonClass decides the loss leaf of a reason; numbered as in the registry.
type ReasonClass uint8

// Reason classes.
const (
	ClassNone          ReasonClass = 0
	ClassContamination ReasonClass = 1
	ClassBreakdown     ReasonClass = 2
	ClassMaterial      ReasonClass = 3
	ClassPeople        ReasonClass = 4
	ClassApproval      ReasonClass = 5
	ClassReel          ReasonClass = 6
	ClassPlannedMaint  ReasonClass = 7
	ClassSetup         ReasonClass = 8
)

// Cadence of a task; numbered as in the registry.
type Cadence uint8

// Cadences.
const (
	CadenceStartup   Cadence = 1
	CadenceShutdown  Cadence = 2
	CadenceWeekly    Cadence = 3
	CadenceDays      Cadence = 4
	CadenceRunHours  Cadence = 5
	CadenceRunKm     Cadence = 6
	CadenceJobChange Cadence = 7
)

// Trigger is one clock of a task; several on a task: whichever comes first.
type Trigger struct {
	Cadence    Cadence
	Every      float64 // days, run hours or kilometers
	AnchorDay  int     // weekly: ISO weekday, 0: 7 days from the last sign-off
	SameFamily bool    // job change: also between jobs of one family
}

// Task of a cleaning plan.
type Task struct {
	Slug           string
	Station        string
	Triggers       []Trigger
	Standard       int64 // hands-on ms
	Grace          int64 // ms after due; 0: the plant's
	Hazards        []uint8
	Isolate        bool
	Safety         bool
	AlsoDischarges []string
	MakerLimit     float64
	Tolerance      float64 // grace after due, percent of an interval in days; 0: Grace holds
}

// Plan is the tasks valid from a production day on.
type Plan struct {
	ValidFrom Day
	Tasks     []Task
}

// Rate is what a press's time and web are worth from a day on. Money is in
// millionths of the currency.
type Rate struct {
	ValidFrom        Day
	PressHour        int64
	ContributionHour int64
	Constrained      bool
	WebMeter         int64 // per meter; 0: by substrate
}

// LabourRate is the cost of one hour of one person, millionths.
type LabourRate struct {
	ValidFrom Day
	Hour      int64
}

// WebRate is the price of one square meter of substrate, millionths.
type WebRate struct {
	ValidFrom   Day
	Substrate   string // empty: any other
	SquareMeter int64
}

// Press is everything the rules need to know of one press: the registry
// document of its plant, resolved. It is never changed once made.
type Press struct {
	Plant, Name  string // slugs
	Kind         string
	Zone         *time.Location
	Currency     string
	PolicyInside bool
	WebWidth     int64 // mm
	Rated        int64 // mm/min
	Restart      int64 // mm
	Stations     []string
	Calendar     *Calendar
	Maintenance  []Interval // planned maintenance windows, sorted
	Reasons      map[string]ReasonClass
	SkipNotReq   map[string]bool // skip reason -> duty not required
	Plans        []Plan          // by ValidFrom
	Rates        []Rate          // by ValidFrom
	Labour       []LabourRate    // by ValidFrom
	Web          []WebRate       // by ValidFrom
	OpenClose    int64           // ms granted to each session
	Hands        map[Occasion]int
	Grace        int64 // start-up grace, ms
	ValidFor     int64 // ms
}

// ID is "plant/press".
func (p *Press) ID() string { return p.Plant + "/" + p.Name }

// TasksOn is the plan valid on a production day; nil when there is none.
func (p *Press) TasksOn(d Day) []Task {
	i := sort.Search(len(p.Plans), func(i int) bool { return p.Plans[i].ValidFrom > d })
	if i == 0 {
		return nil
	}
	return p.Plans[i-1].Tasks
}

// RateOn is the money rate valid on a production day; zero when there is none.
func (p *Press) RateOn(d Day) Rate {
	i := sort.Search(len(p.Rates), func(i int) bool { return p.Rates[i].ValidFrom > d })
	if i == 0 {
		return Rate{}
	}
	return p.Rates[i-1]
}

// LabourOn is the labour rate valid on a production day, millionths an hour.
func (p *Press) LabourOn(d Day) int64 {
	var r int64
	for _, l := range p.Labour {
		if l.ValidFrom <= d {
			r = l.Hour
		}
	}
	return r
}

// WebNanoPerMM is the price of one millimeter of web on a production day, in
// billionths of the currency: the press's own rate per meter if it has one,
// else the plant's rate per square meter of the substrate times web width.
func (p *Press) WebNanoPerMM(d Day, substrate string) int64 {
	if r := p.RateOn(d); r.WebMeter != 0 {
		return r.WebMeter // millionths per m = billionths per mm
	}
	var own, other int64
	var haveOwn bool
	for _, w := range p.Web {
		if w.ValidFrom > d {
			continue
		}
		switch w.Substrate {
		case substrate:
			own, haveOwn = w.SquareMeter, true
		case "":
			other = w.SquareMeter
		}
	}
	if !haveOwn {
		own = other
	}
	// millionths/m² · mm² = 1e-12 per mm of web; to 1e-9: / 1000.
	return (own*p.WebWidth + 500) / 1000
}

// HandsFor is the people planned for an occasion, at least 1.
func (p *Press) HandsFor(o Occasion) int {
	if h := p.Hands[o]; h > 0 {
		return h
	}
	return 1
}

// InMaintenance says whether an instant lies in a window of planned maintenance.
func (p *Press) InMaintenance(t int64) bool {
	for _, w := range p.Maintenance {
		if w.Has(t) {
			return true
		}
	}
	return false
}
