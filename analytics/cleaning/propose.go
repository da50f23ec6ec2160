package cleaning

import "github.com/downweb/downweb/analytics/stats"

// ProposalMin is how few visits a standard is proposed from (common practice,
// no source): with 20 the interval of the median reaches from the 6th to the
// 15th value.
const ProposalMin = 20

// Proposal is what observed times say about one task's standard. Times are the
// crew's own milliseconds, as standards are.
type Proposal struct {
	N                                               int // visits used
	Batch, Shared, Doubtful, Interrupted, Isolating int // left out
	OK                                              bool
	Median, Low, High                               float64 // interval: order statistics of the median, at least 95 %
}

// LeftOut is how many visits were not used.
func (p *Proposal) LeftOut() int {
	return p.Batch + p.Shared + p.Doubtful + p.Interrupted + p.Isolating
}

// Propose gives the median of the visits of one task and its interval. Left out
// are batch taps, shared and doubtful visits, those that began after an
// interruption, and, of a task that needs the press isolated, those that began
// with their session: they hold the time to isolate, which is never proposed
// from observed times. Under ProposalMin visits OK is false.
func Propose(visits []Visit, isolate bool) Proposal {
	var p Proposal
	var x []float64
	for i := range visits {
		v := &visits[i]
		switch {
		case v.Mark == MarkBatch:
			p.Batch++
		case v.Mark == MarkShared:
			p.Shared++
		case v.Mark == MarkDoubtful:
			p.Doubtful++
		case v.Interruption > 0:
			p.Interrupted++
		case isolate && v.First:
			p.Isolating++
		default:
			x = append(x, float64(v.Own))
		}
	}
	p.N = len(x)
	if p.N < ProposalMin {
		return p
	}
	m, iv, err := stats.MedianInterval(x, 0.95)
	if err != nil {
		return p
	}
	p.OK, p.Median, p.Low, p.High = true, m, iv.Low, iv.High
	return p
}
