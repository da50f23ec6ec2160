package fleetsim

import pb "github.com/downweb/downweb/proto/gen/downweb/v1"

// RawSlice is a slice before it is written.
type RawSlice struct {
	From, To    int64
	State       pb.State
	Reason      string
	Station     string
	Job         string
	Rated       int64
	Good, Waste int64
}

// Raw is Day without writing: for tests that need the whole run quickly.
func (s *Sim) Raw(i int, d Day) ([]RawSlice, []*pb.Event) {
	p := s.presses[i]
	p.next = d + 1
	sl, ev := p.day(d, d <= s.last)
	out := make([]RawSlice, len(sl))
	for k, x := range sl {
		out[k] = RawSlice{x.from, x.to, x.state, x.reason, x.station, x.job, x.rated, x.good, x.waste}
	}
	return out, ev
}

// AppendRawSlice writes a slice by the fast path.
func (s *Sim) AppendRawSlice(b []byte, i int, x RawSlice) []byte {
	return appendSlice(b, s.presses[i].head, &slice{x.From, x.To, x.State, x.Reason, x.Station, x.Job, x.Rated, x.Good, x.Waste})
}

// AppendTime is appendTime.
var AppendTime = appendTime
