package fleetsim

import (
	"encoding/base32"
	"fmt"
	"hash/fnv"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func stamp(ms int64) *timestamppb.Timestamp { return timestamppb.New(msTime(ms)) }

// event fills what all of a panel's events have and keeps it until it is taken
// down, half a second later. It returns the event's key.
func (d *dayGen) event(at int64, e *pb.Event) string {
	d.keys++
	e.Plant, e.Press = d.plant.Plant, d.press.Press
	e.OccurredAt, e.RecordedAt = stamp(at), stamp(at+500)
	e.SourceKey = fmt.Sprintf("%s-%s-%d", d.press.Press, d.date, d.keys)
	d.events = append(d.events, e)
	return e.SourceKey
}

// spread is a number of minutes between two bounds, whole seconds, ms.
func (d *dayGen) spread(low, high float64) int64 {
	return int64((low+(high-low)*d.rng.Float64())*60) * second
}

// later is an instant when something is entered afterwards: on one of the next
// mornings with a chance, else within the hour.
func (d *dayGen) later(nextDay float64) int64 {
	if d.rng.Float64() < nextDay {
		return max(instant(d.zone, d.date+1, 6*60), d.plan.to) + d.spread(20, 300)
	}
	return d.t + d.spread(5, 60)
}

// tell notes the reason of [from, to), with a chance; one in six says it only
// the next day.
func (d *dayGen) tell(from, to int64, kind pb.NoteKind, reason, station string, chance float64) {
	if to <= from || d.rng.Float64() >= chance {
		return
	}
	at := to + d.spread(0.5, 20)
	if d.rng.IntN(6) == 0 {
		at = d.later(1)
	}
	d.event(at, &pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: stamp(from), To: stamp(to), Kind: kind,
		Reason: reason, Station: station, Crew: d.crew()}}})
}

// book books waste; one in forty is booked twice by mistake and taken back.
func (d *dayGen) book(at, from, to int64, job string, mm int64, cause pb.WasteCause, station string) {
	mm = (mm + 500) / 1000 * 1000 // people book whole meters
	if mm <= 0 {
		return
	}
	make := func(at int64) string {
		return d.event(at, &pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stamp(from), To: stamp(to), Job: job,
			LengthMm: mm, Cause: cause, Found: pb.WhereFound_WHERE_FOUND_AT_PRESS, Station: station, Crew: d.crew()}}})
	}
	make(at)
	if d.rng.IntN(40) == 0 {
		key := make(at + 7*second)
		d.void(at+d.spread(1, 30), key, at+7*second, "booked twice")
	}
}

// void takes an event back by its key.
func (d *dayGen) void(at int64, key string, target int64, why string) {
	earliest := target
	for _, e := range d.events {
		if e.SourceKey == key && e.GetWasteBooked() != nil {
			earliest = min(earliest, e.GetWasteBooked().From.AsTime().UnixMilli())
		}
	}
	d.event(at, &pb.Event{Body: &pb.Event_Voided{Voided: &pb.Voided{TargetSourceKey: key, Earliest: stamp(earliest), Why: why}}})
}

// sharedEvery is every how many days two presses share a crew.
const sharedEvery = 10

// crew is the pseudonym of whoever works now: ten characters that change with
// the month. Each press has its own crew, but for every tenth day, when two
// presses have one between them: what it does then is nobody's station time.
func (d *dayGen) crew() string {
	h := fnv.New64a()
	shift := (d.t - d.plan.from) / (8 * hour)
	team := d.index
	if d.date%sharedEvery == 0 {
		team -= d.index % 2
	}
	fmt.Fprint(h, d.plant.Plant, d.date.time().Format("2006-01"), shift, team)
	sum := h.Sum(nil)
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum))[:10]
}
