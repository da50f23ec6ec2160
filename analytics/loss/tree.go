package loss

// Sums is DayRows added up: the base of every tree. Times add before anything
// is divided.
type Sums struct {
	PBT, APT         int64 // ms
	In, Out          [NumLeaves]Amount
	Parts            [4]int64
	SetupCleaning    int64
	Valuable         int64 // µs
	Good, Made       int64 // mm
	Measured, Stated int64 // ms
	Unknown          int64
	GoodOutside      int64
	ExtraGood        int64
	Excess           int64
	NoteSpill        int64
	AssumedMM        int64
	UnknownReason    int64
	PressDays        int64
}

// Add adds one press-day.
func (s *Sums) Add(r *DayRow) {
	s.PBT += r.PBT
	s.APT += r.APT
	for l := range r.In {
		s.In[l].add(r.In[l])
		s.Out[l].add(r.Out[l])
	}
	for i := range r.Parts {
		s.Parts[i] += r.Parts[i]
	}
	s.SetupCleaning += r.SetupCleaning
	s.Valuable += r.Valuable
	s.Good += r.Good
	s.Made += r.Made
	s.Measured += r.Measured
	s.Stated += r.Stated
	s.Unknown += r.Unknown
	s.GoodOutside += r.GoodOutside
	s.ExtraGood += r.ExtraGood
	s.Excess += r.Excess
	s.NoteSpill += r.NoteSpill
	s.AssumedMM += r.AssumedMM
	s.UnknownReason = max(s.UnknownReason, r.UnknownReason)
	s.PressDays++
}

func (a *Amount) add(b Amount) {
	a.US += b.US
	a.MM += b.MM
	a.Material += b.Material
}

// Factors are the ISO 22400-2 ratios of a Sums. OK is false, and all are 0,
// when nothing was planned; a factor whose base is 0 is 0.
//
// Availability = APT / PBT; effectiveness = rated time of all length made /
// APT (ISO 22400-2: PRI · PQ / APT); quality = rated time of good / rated time
// of all; OEE = their product = valuable operating time / PBT. None is capped:
// a value over 1 means the rated speed is set too low.
type Factors struct {
	Availability, Effectiveness, Quality, OEE float64
	LengthYield                               float64 // good / made, by length; not part of OEE
	OK                                        bool
}

// Rated is the rated time of all length made in planned production, µs.
func (s *Sums) Rated() int64 {
	n := s.Valuable
	for l := SetupWaste; l <= UnbookedWaste; l++ {
		n += s.In[l].US
	}
	return n
}

// Factors of the sums.
func (s *Sums) Factors() Factors {
	if s.PBT <= 0 {
		return Factors{}
	}
	rated := s.Rated()
	f := Factors{OK: true, Availability: ratio(s.APT, s.PBT), OEE: ratio(s.Valuable, s.PBT*1000)}
	f.Effectiveness = ratio(rated, s.APT*1000)
	f.Quality = ratio(s.Valuable, rated)
	f.LengthYield = ratio(s.Good, s.Made)
	return f
}

func ratio(a, b int64) float64 {
	if b == 0 {
		return 0
	}
	return float64(a) / float64(b)
}

// OutsidePolicy is planned busy time (µs) and OEE with planned cleaning and
// planned maintenance taken out of planned time.
func (s *Sums) OutsidePolicy() (pbtUS int64, oee float64) {
	pbtUS = s.PBT*1000 - s.In[PlannedCleaning].US - s.In[PlannedMaintenance].US
	return pbtUS, ratio(s.Valuable, pbtUS)
}

// Range is OEE if all unknown time was lost, and if it was like the rest.
func (s *Sums) Range() (low, high float64) {
	return ratio(s.Valuable, s.PBT*1000), ratio(s.Valuable, (s.PBT-s.Unknown)*1000)
}

// Known is (measured + stated) / planned; 0 when nothing is planned.
func (s *Sums) Known() float64 { return ratio(s.Measured+s.Stated, s.PBT) }

// Share adds the leaves of "cleaning" or "dirt".
func (s *Sums) Share(name string) Amount {
	var a Amount
	for _, l := range Losses() {
		if l.Share() == name {
			a.add(s.In[l])
		}
	}
	return a
}

// Total adds all loss leaves.
func (s *Sums) Total() Amount {
	var a Amount
	for _, l := range Losses() {
		a.add(s.In[l])
	}
	return a
}

// Points is a time's share of planned busy time in points of OEE (0 to 100).
func (s *Sums) Points(us int64) float64 { return 100 * ratio(us, s.PBT*1000) }
