package warehouse

import (
	"context"
	"fmt"
	"slices"

	"github.com/ClickHouse/clickhouse-go/v2"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Undecoded lists events that an older program kept raw because it did not know their body, and that this one knows: at
// most limit. What this program does not know either is not among them.
func (db *DB) Undecoded(ctx context.Context, limit int) ([]*pb.Event, error) {
	var out []*pb.Event
	var after ListKey
	for {
		// By the table's key, so that those which stay raw are passed once.
		rows, err := db.selectEvents(ctx, `
WHERE kind = 0 AND (plant, press, occurred_at, epoch, seq) > ({plant:String}, {press:String}, fromUnixTimestamp64Milli({at:Int64}, 'UTC'), {epoch:UInt64}, {seq:UInt64})
ORDER BY plant, press, occurred_at, epoch, seq LIMIT 5000`, pressArgs(after.Plant, after.Press, clickhouse.Named("at", param(after.OccurredAt)),
			clickhouse.Named("epoch", param(after.Epoch)), clickhouse.Named("seq", param(after.Seq)))...)
		if err != nil {
			return nil, fmt.Errorf("look for events to decode again: %w", err)
		}
		for i := range rows {
			r := &rows[i]
			after = ListKey{OccurredAt: r.occurredAt, Plant: r.plant, Press: r.press, Epoch: r.epoch, Seq: r.seq}
			e, err := r.toEvent()
			if err != nil {
				return nil, fmt.Errorf("look for events to decode again: %w", err)
			}
			// The same instant, or the row would move to where the raw one cannot be found by it.
			if now, err := rowOf(e, 0); err == nil && now.kind != 0 && now.occurredAt == r.occurredAt {
				if out = append(out, e); len(out) == limit {
					return out, nil
				}
			}
		}
		if len(rows) < 5000 {
			return out, nil
		}
	}
}

// DropUndecoded deletes the raw rows of events that are stored anew.
func (db *DB) DropUndecoded(ctx context.Context, evs []*pb.Event) error {
	type list struct{ epochs, seqs []uint64 }
	of := map[[2]string]*list{}
	for _, e := range evs {
		k := [2]string{e.Plant, e.Press}
		if of[k] == nil {
			of[k] = &list{}
		}
		of[k].epochs, of[k].seqs = append(of[k].epochs, e.Epoch), append(of[k].seqs, e.Seq)
	}
	for k, l := range of {
		for from := 0; from < len(l.seqs); from += 1000 {
			to := min(from+1000, len(l.seqs))
			pairs := ""
			for i := from; i < to; i++ {
				if i > from {
					pairs += ", "
				}
				pairs += fmt.Sprintf("(%d, %d)", l.epochs[i], l.seqs[i])
			}
			err := db.conn.Exec(ctx, "DELETE FROM events WHERE kind = 0 AND plant = "+quoted(k[0])+" AND press = "+quoted(k[1])+" AND (epoch, seq) IN ("+pairs+")")
			if err != nil {
				return fmt.Errorf("drop raw events of %s/%s: %w", k[0], k[1], err)
			}
		}
	}
	return nil
}

// quoted is a text as a literal of SQL: deletions take no parameters.
func quoted(s string) string {
	b := []byte{'\''}
	for _, c := range []byte(s) {
		if slices.Contains([]byte(`'\`), c) {
			b = append(b, '\\')
		}
		b = append(b, c)
	}
	return string(append(b, '\''))
}
