package warehouse

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
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
	Clone        bool      // another event is stored under its identity: two disks carry the epoch
	At           time.Time // when it was put aside
}

// DeadLetter is a Dead as it is kept.
type DeadLetter struct {
	Dead
	Hash string    // SHA-256 of the payload, hex
	Size int64     // of the payload, bytes
	Done time.Time // when what it holds was found stored; zero: it waits
}

// DeadSeqs are letters of one epoch. Seq 0 stands for frames, whose letters are named by Hash.
type DeadSeqs = struct {
	Plant, Press string
	Epoch        uint64
	Seqs         []uint64
	Hash         string // only letters whose hash begins so; empty: all
}

// EpochOf names an epoch of a press.
type EpochOf = struct {
	Plant, Press string
	Epoch        uint64
}

// deadHash is the SHA-256 of a payload, lower-case hex: with the identity it is the key.
func deadHash(payload []byte) string {
	h := sha256.Sum256(payload)
	return hex.EncodeToString(h[:])
}

var deadTypes = []clickhouse.ColumnNameAndType{{Name: "plant", Type: tString}, {Name: "press", Type: tString}, {Name: "epoch", Type: tUInt64},
	{Name: "seq", Type: tUInt64}, {Name: "hash", Type: tString}, {Name: "payload", Type: tString}, {Name: "subject", Type: tString},
	{Name: "field", Type: tString}, {Name: "reason", Type: tString}, {Name: "clone", Type: tUInt8}, {Name: "at", Type: tTime}}

// InsertDead keeps what could not be accepted. Doing it again keeps it once, with the latest reason.
func (db *DB) InsertDead(ctx context.Context, dead []Dead) error {
	return db.insertRows(ctx, "dead", deadTypes, len(dead), func(i int) []any {
		d := &dead[i]
		return []any{d.Plant, d.Press, d.Epoch, d.Seq, deadHash(d.Payload), string(d.Payload), d.Subject, d.Field, d.Reason, bit(d.Clone, 1), d.At.UnixMilli()}
	})
}

// DeadKey is where a list of letters has got to: the full key of its order.
type DeadKey struct {
	At           int64 // unix ms
	Plant, Press string
	Epoch, Seq   uint64
	Hash         string
}

// DeadQuery asks for letters. Zero values ask for all.
type DeadQuery struct {
	Plants, Presses []string // any of these; presses as "plant/press"
	Waiting         bool     // only those that nobody has mended
	After           *DeadKey
	Payload         bool // with payloads
	Limit           int  // default 100
}

const selectDead = `
SELECT plant, press, epoch, seq, hash, %s, length(payload), subject, field, reason, clone, dead.at, done.at
FROM (SELECT * FROM dead FINAL) AS dead
LEFT JOIN (SELECT plant, press, epoch, seq, hash, max(dead_done.at) AS at FROM dead_done GROUP BY plant, press, epoch, seq, hash) AS done
USING (plant, press, epoch, seq, hash)
WHERE %s
ORDER BY dead.at DESC, plant, press, epoch, seq, hash LIMIT %d`

const neverDone = "toUnixTimestamp64Milli(done.at) = 0"

// ListDead lists dead letters, newest first, then by plant, press, epoch, seq and hash. next is where the next page
// begins; nil: there is no more.
func (db *DB) ListDead(ctx context.Context, q DeadQuery) (out []DeadLetter, next *DeadKey, err error) {
	where, args := []string{"1"}, []any{}
	if len(q.Plants) > 0 {
		where, args = append(where, "has({plants:Array(String)}, plant)"), append(args, clickhouse.Named("plants", q.Plants))
	}
	if len(q.Presses) > 0 {
		where, args = append(where, "has({presses:Array(String)}, concat(plant, '/', press))"), append(args, clickhouse.Named("presses", q.Presses))
	}
	if q.Waiting {
		where = append(where, neverDone)
	}
	if k := q.After; k != nil {
		where = append(where, "(-toUnixTimestamp64Milli(dead.at), plant, press, epoch, seq, hash) > ({kat:Int64}, {kplant:String}, {kpress:String}, {kepoch:UInt64}, {kseq:UInt64}, {khash:String})")
		args = append(args, clickhouse.Named("kat", param(-k.At)), clickhouse.Named("kplant", k.Plant), clickhouse.Named("kpress", k.Press),
			clickhouse.Named("kepoch", param(k.Epoch)), clickhouse.Named("kseq", param(k.Seq)), clickhouse.Named("khash", k.Hash))
	}
	if q.Limit <= 0 {
		q.Limit = 100
	}
	out, err = db.deadLetters(ctx, q.Payload, strings.Join(where, " AND "), q.Limit+1, args...)
	if err != nil {
		return nil, nil, err
	}
	if len(out) > q.Limit {
		out = out[:q.Limit]
		l := &out[q.Limit-1]
		next = &DeadKey{l.At.UnixMilli(), l.Plant, l.Press, l.Epoch, l.Seq, l.Hash}
	}
	return out, next, nil
}

func (db *DB) deadLetters(ctx context.Context, payload bool, where string, limit int, args ...any) ([]DeadLetter, error) {
	column := "''"
	if payload {
		column = "payload"
	}
	rows, err := db.conn.Query(ctx, fmt.Sprintf(selectDead, column, where, limit), args...)
	if err != nil {
		return nil, fmt.Errorf("list dead: %w", err)
	}
	defer rows.Close()
	var out []DeadLetter
	for rows.Next() {
		var d DeadLetter
		var text string
		var size uint64
		var clone uint8
		if err := rows.Scan(&d.Plant, &d.Press, &d.Epoch, &d.Seq, &d.Hash, &text, &size, &d.Subject, &d.Field, &d.Reason, &clone, &d.At, &d.Done); err != nil {
			return nil, fmt.Errorf("list dead: %w", err)
		}
		d.Size, d.Clone = int64(size), clone != 0
		if payload {
			d.Payload = []byte(text)
		}
		if d.Done.UnixMilli() == 0 {
			d.Done = time.Time{}
		}
		out = append(out, d)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("list dead: %w", err)
	}
	return out, nil
}

// GetDead is one letter whole, by its identity and the first digits of its hash, or ErrNotFound.
func (db *DB) GetDead(ctx context.Context, plant, press string, epoch, seq uint64, hash string) (DeadLetter, error) {
	list, err := db.deadLetters(ctx, true, "plant = {plant:String} AND press = {press:String} AND epoch = {epoch:UInt64} AND seq = {seq:UInt64} AND startsWith(hash, {hash:String})",
		2, pressArgs(plant, press, clickhouse.Named("epoch", param(epoch)), clickhouse.Named("seq", param(seq)), clickhouse.Named("hash", hash))...)
	if err != nil {
		return DeadLetter{}, err
	}
	if len(list) != 1 || hash == "" {
		return DeadLetter{}, fmt.Errorf("dead letter %s/%s: %w", EventID(plant, press, epoch, seq), hash, ErrNotFound)
	}
	return list[0], nil
}

// CountDead is how many dead letters wait, and how many were mended.
func (db *DB) CountDead(ctx context.Context) (waiting, done uint64, err error) {
	err = db.conn.QueryRow(ctx, `
SELECT uniqExactIf((plant, press, epoch, seq, hash), NOT done), uniqExactIf((plant, press, epoch, seq, hash), done)
FROM (SELECT plant, press, epoch, seq, hash, (plant, press, epoch, seq, hash) IN (SELECT plant, press, epoch, seq, hash FROM dead_done) AS done FROM dead)`).Scan(&waiting, &done)
	if err != nil {
		return 0, 0, fmt.Errorf("count dead: %w", err)
	}
	return waiting, done, nil
}

const doneSelect = `
INSERT INTO dead_done (plant, press, epoch, seq, hash, at)
SELECT DISTINCT plant, press, epoch, seq, hash, now64(3, 'UTC') FROM dead
WHERE clone = 0 AND (plant, press, epoch, seq, hash) NOT IN (SELECT plant, press, epoch, seq, hash FROM dead_done) AND `

// ResolveDead notes that what letters hold is stored. Letters whose identity holds another event stay as they are.
func (db *DB) ResolveDead(ctx context.Context, of []DeadSeqs) error {
	for i := range of {
		d := &of[i]
		for seqs := range slices.Chunk(d.Seqs, 2000) {
			err := db.conn.Exec(ctx, doneSelect+"plant = {plant:String} AND press = {press:String} AND epoch = {epoch:UInt64} AND has({seqs:Array(UInt64)}, seq) AND startsWith(hash, {hash:String})",
				pressArgs(d.Plant, d.Press, clickhouse.Named("epoch", param(d.Epoch)), clickhouse.Named("seqs", seqs), clickhouse.Named("hash", d.Hash))...)
			if err != nil {
				return fmt.Errorf("note dead letters as stored: %w", err)
			}
		}
	}
	return nil
}

// ReconcileDead does what ResolveDead was kept from doing by a crash: it finds the waiting letters of events whose
// identity is stored. Of quarantined epochs that says nothing: the stored event may be the other disk's.
func (db *DB) ReconcileDead(ctx context.Context) error {
	var open uint64
	err := db.conn.QueryRow(ctx, "SELECT count() FROM dead WHERE clone = 0 AND seq > 0 AND (plant, press, epoch, seq, hash) NOT IN (SELECT plant, press, epoch, seq, hash FROM dead_done)").Scan(&open)
	if err == nil && open > 0 {
		err = db.conn.Exec(ctx, doneSelect+`seq > 0 AND (plant, press, epoch) NOT IN (SELECT plant, press, epoch FROM dead WHERE clone = 1) AND (plant, press, epoch, seq) IN
  (SELECT plant, press, epoch, seq FROM events WHERE epoch IN (SELECT DISTINCT epoch FROM dead WHERE clone = 0 AND seq > 0))`)
	}
	if err != nil {
		return fmt.Errorf("find dead letters that are stored: %w", err)
	}
	return nil
}

// Quarantined lists the epochs that two disks carry.
func (db *DB) Quarantined(ctx context.Context) ([]EpochOf, error) {
	var out []EpochOf
	err := db.ranges(ctx, "SELECT DISTINCT plant, press, epoch, toUInt64(0), toUInt64(0) FROM dead WHERE clone = 1 ORDER BY plant, press, epoch",
		func(k epochKey, _ SeqRange) {
			out = append(out, EpochOf{Plant: k.plant, Press: k.press, Epoch: k.epoch})
		})
	if err != nil {
		return nil, fmt.Errorf("list quarantined epochs: %w", err)
	}
	return out, nil
}

// Gap is a range of seqs that an agent has given up for good.
type Gap = struct {
	Plant, Press string
	Epoch        uint64
	First, Last  uint64
	Reason       string
	At           time.Time
}

var gapTypes = []clickhouse.ColumnNameAndType{{Name: "plant", Type: tString}, {Name: "press", Type: tString}, {Name: "epoch", Type: tUInt64},
	{Name: "first_seq", Type: tUInt64}, {Name: "last_seq", Type: tUInt64}, {Name: "reason", Type: tString}, {Name: "at", Type: tTime}}

// InsertGaps keeps ranges given up. Doing it again changes nothing.
func (db *DB) InsertGaps(ctx context.Context, gaps []Gap) error {
	return db.insertRows(ctx, "gaps", gapTypes, len(gaps), func(i int) []any {
		g := &gaps[i]
		return []any{g.Plant, g.Press, g.Epoch, g.First, g.Last, g.Reason, g.At.UnixMilli()}
	})
}

// ListGaps lists the ranges given up, by press, epoch and first seq.
func (db *DB) ListGaps(ctx context.Context) ([]Gap, error) {
	rows, err := db.conn.Query(ctx, "SELECT plant, press, epoch, first_seq, last_seq, reason, at FROM gaps FINAL ORDER BY plant, press, epoch, first_seq, last_seq")
	if err != nil {
		return nil, fmt.Errorf("list gaps: %w", err)
	}
	defer rows.Close()
	var out []Gap
	for rows.Next() {
		var g Gap
		if err := rows.Scan(&g.Plant, &g.Press, &g.Epoch, &g.First, &g.Last, &g.Reason, &g.At); err != nil {
			return nil, fmt.Errorf("list gaps: %w", err)
		}
		out = append(out, g)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("list gaps: %w", err)
	}
	return out, nil
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
