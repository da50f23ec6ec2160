package fleetsim

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Defaults of a Config.
const (
	DefaultUntil = "2026-06-28"
	DefaultWeeks = 26
	DefaultSeed  = 7
)

// Config chooses a run. Zero values take the defaults, except Seed.
type Config struct {
	Seed  uint64
	Until string // last production day, YYYY-MM-DD
	Weeks int    // weeks that end with it
}

// Sim generates the fleet. Different presses may be generated at the same
// time; the days of one press only one after the other.
type Sim struct {
	plants  []*pb.Plant
	presses []*pressSim
	first   Day
	last    Day
	seed    uint64
}

// ErrOrder is returned when a press's days are not asked for in order.
var ErrOrder = errors.New("days of a press must be generated one after the other")

// New prepares a run; it generates nothing yet.
func New(cfg Config) (*Sim, error) {
	if cfg.Until == "" {
		cfg.Until = DefaultUntil
	}
	if cfg.Weeks == 0 {
		cfg.Weeks = DefaultWeeks
	}
	last, err := ParseDay(cfg.Until)
	if err != nil {
		return nil, fmt.Errorf("until: %w", err)
	}
	if y := last.year(); y < 1990 || y > 2100 {
		return nil, fmt.Errorf("until: year %d is not between 1990 and 2100", y)
	}
	if cfg.Weeks < 1 || cfg.Weeks > 1040 {
		return nil, fmt.Errorf("weeks: %d is not between 1 and 1040", cfg.Weeks)
	}
	s := &Sim{plants: Plants(), last: last, first: last - Day(cfg.Weeks*7) + 1, seed: cfg.Seed}
	for _, p := range s.plants {
		for i, x := range p.Presses {
			s.presses = append(s.presses, newPress(p, x, i, cfg.Seed, len(s.presses), s.first))
		}
	}
	return s, nil
}

// First is the first production day.
func (s *Sim) First() Day { return s.first }

// Last is the last production day of the run; later days may be generated too.
func (s *Sim) Last() Day { return s.last }

// Len is the number of presses.
func (s *Sim) Len() int { return len(s.presses) }

// Press is the id "plant/press" of press i.
func (s *Sim) Press(i int) string {
	p := s.presses[i]
	return p.plant.Plant + "/" + p.press.Press
}

// Plants are the registry documents the run was made from.
func (s *Sim) Plants() []*pb.Plant { return s.plants }

// Count is how many events were written, by body.
type Count map[string]int64

// Add adds another count.
func (c Count) Add(o Count) {
	for k, n := range o {
		c[k] += n
	}
}

// Total is all events.
func (c Count) Total() (n int64) {
	for _, x := range c {
		n += x
	}
	return n
}

// Day writes the lines of press i that are taken down by the end of production
// day d, in the order they are taken down: the day itself, and what people
// enter on it about days before. Days start at First and follow each other
// without a gap; they may go on after Last.
func (s *Sim) Day(i int, d Day, w io.Writer) (Count, error) {
	p := s.presses[i]
	if d != p.next {
		return nil, fmt.Errorf("press %s, day %v: %w: %v comes next", s.Press(i), d, ErrOrder, p.next)
	}
	p.next++
	c := Count{}
	slices, events := p.day(d, d <= s.last)
	if _, err := w.Write(p.lines(slices, events, c)); err != nil {
		return c, fmt.Errorf("write day %v of press %s: %w", d, s.Press(i), err)
	}
	return c, nil
}

// Run writes all days from First to Last, day after day, all presses of a day
// one after the other; to says where press i is written. each, if given, is
// told after every day. It stops early when ctx ends.
func (s *Sim) Run(ctx context.Context, to func(i int) io.Writer, each func(d Day, c Count)) error {
	for d := s.first; d <= s.last; d++ {
		sum := Count{}
		for i := range s.presses {
			if err := ctx.Err(); err != nil {
				return err
			}
			c, err := s.Day(i, d, to(i))
			if err != nil {
				return err
			}
			sum.Add(c)
		}
		if each != nil {
			each(d, sum)
		}
	}
	return nil
}

// Span is when production day d of press i begins and ends, unix ms; ok is
// false on a day without shifts.
func (s *Sim) Span(i int, d Day) (from, to int64, ok bool) {
	p := s.presses[i]
	plan, ok := planOf(p.plant, p.press.Press, p.zone, d)
	return plan.from, plan.to, ok
}

// dirt is how dirty one station is: web run since its last clean.
type dirt struct {
	km      float64 // since the last clean
	hours   float64 // in production since the last clean
	left    bool    // the latest window closed without a clean
	startKm float64 // km when the day's run began, where left
}

type job struct {
	id        string
	fam       family
	rated     int64   // mm/min
	leftKm    float64 // still to make
	setupLeft int64   // make-ready still to do, ms
	setupM    float64 // make-ready waste, m
	started   bool    // good meters made
	waste     float64 // the job's own waste factor
}

// pressSim is one press between two days.
type pressSim struct {
	plant *pb.Plant
	press *pb.Press
	zone  *time.Location
	kind  kindDef
	defs  []taskDef
	head  string // of a slice line
	index int    // in the fleet
	seed  uint64
	next  Day

	factor float64            // the press's own waste level
	soilKm float64            // usual km of a day: the scale on which dirt grows
	gain   map[string]float64 // of the stations with an effect
	dirt   map[string]*dirt

	jobs    int
	job     *job
	lastFam string
	reelKm  float64 // left on the reel
	keys    int
	pending []*pb.Event // to be taken down later, by recorded_at
	weekly  bool        // the weekly task is still open

	slices []slice
	buf    []byte
	truth  map[string]*stationTruth
}

func newPress(plant *pb.Plant, x *pb.Press, inPlant int, seed uint64, index int, first Day) *pressSim {
	p := &pressSim{plant: plant, press: x, zone: mustZone(plant.Zone), kind: kindDefs[x.Kind], defs: defsOf(x.Kind),
		index: index, seed: seed, next: first, dirt: map[string]*dirt{}, truth: map[string]*stationTruth{}, gain: map[string]float64{},
		head: fmt.Sprintf(`{"plant":%q,"press":%q,"recordedAt":"`, plant.Plant, x.Press)}
	rng := rand.New(rand.NewPCG(seed, uint64(index)<<32|0xd1b7))
	p.factor = math.Exp(0.15 * rng.NormFloat64())
	// Presses differ in how much a dirty station costs them.
	for _, m := range mechanisms {
		p.gain[m.station] = m.gain * (0.4 + 1.2*rng.Float64())
	}
	p.soilKm = usualKm(plant, x, p.zone)
	for _, s := range stationsOf(x.Kind) {
		p.dirt[s] = &dirt{km: rng.Float64() * p.soilKm}
		p.truth[s] = &stationTruth{}
	}
	p.reelKm = p.kind.reelKm
	return p
}

// usualKm is what a press runs on a usual day: about half the planned time.
func usualKm(plant *pb.Plant, x *pb.Press, zone *time.Location) float64 {
	plan, _ := planOf(plant, x.Press, zone, mustDay("2026-02-03")) // a Tuesday without a closure
	planned := plan.to - plan.from
	for _, b := range plan.breaks {
		planned -= b.to - b.from
	}
	return math.Round(float64(planned) / float64(minute) * 0.55 * float64(x.RatedMmPerMin) * 0.95 / 1e6)
}
