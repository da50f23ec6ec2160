package ingest

import (
	"cmp"
	"context"
	"slices"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// dirtyOf says which presses the events touch and from when on: the earliest instant that any of them can change.
func (in *Ingest) dirtyOf(ctx context.Context, evs []*pb.Event) ([]Dirty, error) {
	type press struct{ plant, press string }
	from := map[press]int64{}
	for _, e := range evs {
		ms, err := in.dirtyFrom(ctx, e)
		if err != nil {
			return nil, err
		}
		k := press{e.Plant, e.Press}
		if old, ok := from[k]; !ok || ms < old {
			from[k] = ms
		}
	}
	out := make([]Dirty, 0, len(from))
	for k, ms := range from {
		out = append(out, Dirty{Plant: k.plant, Press: k.press, From: ms})
	}
	slices.SortFunc(out, func(a, b Dirty) int { return cmp.Or(cmp.Compare(a.Plant, b.Plant), cmp.Compare(a.Press, b.Press)) })
	return out, nil
}

// dirtyFrom is the earliest instant, unix ms, that an event can change: a slice's, note's or booking's from; a void's
// earliest; the start of a corrected job; else when it was said or done.
func (in *Ingest) dirtyFrom(ctx context.Context, e *pb.Event) (int64, error) {
	at := eventlog.OccurredMs(e)
	switch b := e.Body.(type) {
	case *pb.Event_ReasonNoted:
		return millis(b.ReasonNoted.GetFrom()), nil
	case *pb.Event_WasteBooked:
		return millis(b.WasteBooked.GetFrom()), nil
	case *pb.Event_Voided:
		ms := at
		if t := b.Voided.GetEarliest(); t != nil {
			ms = millis(t)
		}
		// Taking a correction back changes the job since its start.
		start, ok, err := in.wh.VoidedJobStart(ctx, e.Plant, e.Press, b.Voided.GetEpoch(), b.Voided.GetFirstSeq(), b.Voided.GetLastSeq())
		if err != nil {
			return 0, err
		}
		if ok {
			ms = min(ms, start)
		}
		return ms, nil
	case *pb.Event_JobCorrected:
		// What is stored of the job; what comes later of it brings its own mark.
		start, ok, err := in.wh.JobStart(ctx, e.Plant, e.Press, b.JobCorrected.GetJob())
		if err != nil {
			return 0, err
		}
		if ok {
			return min(start, at), nil
		}
	}
	return at, nil
}
