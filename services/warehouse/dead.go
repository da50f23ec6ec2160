package warehouse

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// Dead is an event or frame that could not be accepted.
type Dead = struct {
	Plant, Press string // as far as known
	Epoch, Seq   uint64 // seq 0: a whole frame
	Payload      []byte // a protobuf event, or the frame as it came
	Subject      string
	Field        string // the field at fault, if one is
	Reason       string
	At           time.Time // when it was put aside
}

// deadHash is the SHA-256 of a payload, lower-case hex: with the identity it is the key.
func deadHash(payload []byte) string {
	h := sha256.Sum256(payload)
	return hex.EncodeToString(h[:])
}

var deadTypes = []clickhouse.ColumnNameAndType{{Name: "plant", Type: tString}, {Name: "press", Type: tString}, {Name: "epoch", Type: tUInt64},
	{Name: "seq", Type: tUInt64}, {Name: "hash", Type: tString}, {Name: "payload", Type: tString}, {Name: "subject", Type: tString},
	{Name: "field", Type: tString}, {Name: "reason", Type: tString}, {Name: "at", Type: tTime}}

// InsertDead keeps what could not be accepted. Doing it again changes nothing.
func (db *DB) InsertDead(ctx context.Context, dead []Dead) error {
	return db.insertRows(ctx, "dead", deadTypes, len(dead), func(i int) []any {
		d := &dead[i]
		return []any{d.Plant, d.Press, d.Epoch, d.Seq, deadHash(d.Payload), string(d.Payload), d.Subject, d.Field, d.Reason, d.At.UnixMilli()}
	})
}

// ListDead lists dead letters, newest first.
func (db *DB) ListDead(ctx context.Context, limit int) ([]Dead, error) {
	rows, err := db.conn.Query(ctx, `
SELECT plant, press, epoch, seq, payload, subject, field, reason, at
FROM dead FINAL ORDER BY at DESC, plant, press, epoch, seq, hash LIMIT {limit:Int64}`, clickhouse.Named("limit", param(int64(limit))))
	if err != nil {
		return nil, fmt.Errorf("list dead: %w", err)
	}
	defer rows.Close()
	var out []Dead
	for rows.Next() {
		var d Dead
		var payload string
		if err := rows.Scan(&d.Plant, &d.Press, &d.Epoch, &d.Seq, &payload, &d.Subject, &d.Field, &d.Reason, &d.At); err != nil {
			return nil, fmt.Errorf("list dead: %w", err)
		}
		d.Payload = []byte(payload)
		out = append(out, d)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("list dead: %w", err)
	}
	return out, nil
}

// CountDead is how many dead letters there are.
func (db *DB) CountDead(ctx context.Context) (uint64, error) {
	var n uint64
	if err := db.conn.QueryRow(ctx, "SELECT count() FROM dead FINAL").Scan(&n); err != nil {
		return 0, fmt.Errorf("count dead: %w", err)
	}
	return n, nil
}

// Gap is a range of seqs that an agent has given up for good.
type Gap struct {
	Plant, Press string
	Epoch        uint64
	First, Last  uint64
	Reason       string
	At           time.Time
}

var gapTypes = []clickhouse.ColumnNameAndType{{Name: "plant", Type: tString}, {Name: "press", Type: tString}, {Name: "epoch", Type: tUInt64},
	{Name: "first_seq", Type: tUInt64}, {Name: "last_seq", Type: tUInt64}, {Name: "reason", Type: tString}, {Name: "at", Type: tTime}}

// InsertGap keeps a range given up. Doing it again changes nothing.
func (db *DB) InsertGap(ctx context.Context, g Gap) error {
	return db.insertRow(ctx, "gaps", gapTypes, g.Plant, g.Press, g.Epoch, g.First, g.Last, g.Reason, g.At.UnixMilli())
}

// EpochLow is the lowest seq known of an epoch and when it was recorded, unix ms.
type EpochLow = struct {
	Plant, Press string
	Epoch, Seq   uint64
	Recorded     int64
}

var epochTypes = []clickhouse.ColumnNameAndType{{Name: "plant", Type: tString}, {Name: "press", Type: tString}, {Name: "epoch", Type: tUInt64},
	{Name: "seq", Type: tUInt64}, {Name: "recorded_at", Type: tTime}}

// InsertEpochs notes the lowest seqs of epochs, before their events are stored. The lowest seq of an epoch stays, in
// whatever order they come.
func (db *DB) InsertEpochs(ctx context.Context, lows []EpochLow) error {
	return db.insertRows(ctx, "epochs", epochTypes, len(lows), func(i int) []any {
		l := &lows[i]
		return []any{l.Plant, l.Press, l.Epoch, l.Seq, l.Recorded}
	})
}

// EpochLows lists the lowest seq of every epoch.
func (db *DB) EpochLows(ctx context.Context) ([]EpochLow, error) {
	rows, err := db.conn.Query(ctx, `
SELECT plant, press, epoch, min(seq), toUnixTimestamp64Milli(argMin(recorded_at, seq)) FROM epochs GROUP BY plant, press, epoch`)
	if err != nil {
		return nil, fmt.Errorf("list epochs: %w", err)
	}
	defer rows.Close()
	var out []EpochLow
	for rows.Next() {
		var l EpochLow
		if err := rows.Scan(&l.Plant, &l.Press, &l.Epoch, &l.Seq, &l.Recorded); err != nil {
			return nil, fmt.Errorf("list epochs: %w", err)
		}
		out = append(out, l)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("list epochs: %w", err)
	}
	return out, nil
}
