package ingest

import (
	"context"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// decodeRows is the number of raw events decoded at once.
const decodeRows = 5000

// decodeAgain stores anew, in columns, the events that an older program kept raw because it did not know their body. It
// runs once in a tenure: what this program does not know either stays raw. Cut short at any moment, it is done again.
func (in *Ingest) decodeAgain(ctx context.Context) error {
	for {
		var evs []*pb.Event
		err := in.retry(ctx, "look for events to decode again", func(ctx context.Context) (err error) {
			evs, err = in.wh.Undecoded(ctx, decodeRows)
			return err
		})
		if err != nil || len(evs) == 0 {
			return err
		}
		if err := in.storeEvents(ctx, evs); err != nil {
			return err
		}
		if err := in.retry(ctx, "drop what is decoded", func(ctx context.Context) error { return in.wh.DropUndecoded(ctx, evs) }); err != nil {
			return err
		}
		in.metrics.Decoded.Add(uint64(len(evs)))
		in.log.Info("events of a later version are decoded now", "events", len(evs))
	}
}
