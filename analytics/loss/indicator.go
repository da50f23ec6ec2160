package loss

// Elements are the time and quantity elements of ISO 22400-2 (2014) for one
// work unit and reference time. Times are in one unit, e.g. minutes.
type Elements struct {
	PBT  float64 // planned busy time
	APT  float64 // actual production time
	AUST float64 // actual unit set-up time
	ADET float64 // actual unit delay time
	AOET float64 // actual order execution time
	PRI  float64 // planned run time per item
	PQ   float64 // produced quantity
	GQ   float64 // good quantity
	SQ   float64 // scrap quantity
	RQ   float64 // rework quantity

	Failures    float64
	Restoration float64 // Σ time to restoration
}

// AUPT is actual unit processing time, set-up and production.
func (e Elements) AUPT() float64 { return e.AUST + e.APT }

// AUBT is actual unit busy time, processing and delays.
func (e Elements) AUBT() float64 { return e.AUPT() + e.ADET }

// ADOT is actual unit down time: planned busy time without an order.
func (e Elements) ADOT() float64 { return e.PBT - e.AUBT() }

// Indicators of ISO 22400-2 (2014). One whose base is zero is 0.
type Indicators struct {
	Availability          float64 // APT / PBT
	Effectiveness         float64 // PRI · PQ / APT
	Quality               float64 // GQ / PQ
	OEE                   float64 // availability · effectiveness · quality
	NEE                   float64 // AUPT / PBT · effectiveness · quality: set-up is no loss
	AllocationEfficiency  float64 // AUBT / PBT
	UtilizationEfficiency float64 // APT / AUBT
	TechnicalEfficiency   float64 // APT / (APT + ADET)
	SetupRatio            float64 // AUST / AUPT
	ScrapRatio            float64 // SQ / PQ
	ReworkRatio           float64 // RQ / PQ
	AllocationRatio       float64 // AUBT / AOET
	ProcessRatio          float64 // APT / AOET
	Throughput            float64 // PQ / AOET
	MTBF                  float64 // AUPT / failures: TBF counts set-up and production, no delays
	MTTR                  float64 // Σ TTR / failures
}

// Indicators of the elements.
func (e Elements) Indicators() Indicators {
	i := Indicators{
		Availability: div(e.APT, e.PBT), Effectiveness: div(e.PRI*e.PQ, e.APT), Quality: div(e.GQ, e.PQ),
		AllocationEfficiency: div(e.AUBT(), e.PBT), UtilizationEfficiency: div(e.APT, e.AUBT()), TechnicalEfficiency: div(e.APT, e.APT+e.ADET),
		SetupRatio: div(e.AUST, e.AUPT()), ScrapRatio: div(e.SQ, e.PQ), ReworkRatio: div(e.RQ, e.PQ),
		AllocationRatio: div(e.AUBT(), e.AOET), ProcessRatio: div(e.APT, e.AOET), Throughput: div(e.PQ, e.AOET),
		MTBF: div(e.AUPT(), e.Failures), MTTR: div(e.Restoration, e.Failures),
	}
	i.OEE = i.Availability * i.Effectiveness * i.Quality
	i.NEE = div(e.AUPT(), e.PBT) * i.Effectiveness * i.Quality
	return i
}

func div(a, b float64) float64 {
	if b == 0 {
		return 0
	}
	return a / b
}
