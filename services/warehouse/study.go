package warehouse

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// ErrNotFound is returned for a study or data set that is not kept.
var ErrNotFound = errors.New("not found in the warehouse")

// StudyRow is a study as it is kept.
type StudyRow struct {
	ID        string
	Version   uint64 // the highest of an id is the study
	CreatedAt time.Time
	State     uint8 // number of StudyState
	Title     string
	Body      []byte // protobuf Study
}

var studyTypes = []clickhouse.ColumnNameAndType{{Name: "id", Type: tString}, {Name: "version", Type: tUInt64}, {Name: "created_at", Type: tTime},
	{Name: "state", Type: tUInt8}, {Name: "title", Type: tString}, {Name: "body", Type: tString}}

// PutStudy keeps a version of a study. Doing it again changes nothing.
func (db *DB) PutStudy(ctx context.Context, s StudyRow) error {
	return db.insertRow(ctx, "studies", studyTypes, s.ID, s.Version, s.CreatedAt.UnixMilli(), s.State, s.Title, string(s.Body))
}

const selectStudy = "SELECT id, version, created_at, state, title, body FROM studies FINAL "

// GetStudy is the latest version of a study, or ErrNotFound.
func (db *DB) GetStudy(ctx context.Context, id string) (StudyRow, error) {
	out, err := db.studies(ctx, selectStudy+"WHERE id = {id:String}", clickhouse.Named("id", id))
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("study %q: %w", id, ErrNotFound)
	}
	if err != nil {
		return StudyRow{}, err
	}
	return out[0], nil
}

// ListStudies lists the latest versions of studies, newest id first: ids are in order of their making. before is the
// last id of the page before; empty: from the newest.
func (db *DB) ListStudies(ctx context.Context, before string, limit int) ([]StudyRow, error) {
	return db.studies(ctx, selectStudy+"WHERE {before:String} = '' OR id < {before:String} ORDER BY id DESC LIMIT {limit:Int64}",
		clickhouse.Named("before", before), clickhouse.Named("limit", param(int64(limit))))
}

// UnfinishedStudies are the latest versions of studies that are queued (state 1) or running (2), oldest first.
func (db *DB) UnfinishedStudies(ctx context.Context) ([]StudyRow, error) {
	return db.studies(ctx, selectStudy+"WHERE state IN (1, 2) ORDER BY id")
}

func (db *DB) studies(ctx context.Context, sql string, args ...any) ([]StudyRow, error) {
	rows, err := db.conn.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("read studies: %w", err)
	}
	defer rows.Close()
	var out []StudyRow
	for rows.Next() {
		var s StudyRow
		var body string
		if err := rows.Scan(&s.ID, &s.Version, &s.CreatedAt, &s.State, &s.Title, &body); err != nil {
			return nil, fmt.Errorf("read studies: %w", err)
		}
		s.Body = []byte(body)
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read studies: %w", err)
	}
	return out, nil
}

var dataTypes = []clickhouse.ColumnNameAndType{{Name: "sha256", Type: tString}, {Name: "data", Type: tString}}

// PutData keeps a data set under the SHA-256 of its bytes and returns that, lower-case hex.
func (db *DB) PutData(ctx context.Context, data []byte) (string, error) {
	h := sha256.Sum256(data)
	sum := hex.EncodeToString(h[:])
	return sum, db.insertRow(ctx, "study_data", dataTypes, sum, string(data))
}

// GetData is the data set with a SHA-256, checked against it, or ErrNotFound.
func (db *DB) GetData(ctx context.Context, sum string) ([]byte, error) {
	rows, err := db.conn.Query(ctx, "SELECT data FROM study_data WHERE sha256 = {sum:String} LIMIT 1", clickhouse.Named("sum", sum))
	if err != nil {
		return nil, fmt.Errorf("read data set %s: %w", sum, err)
	}
	defer rows.Close()
	var data string
	found := rows.Next()
	if found {
		err = rows.Scan(&data)
	}
	if err = firstError(err, rows.Err()); err != nil {
		return nil, fmt.Errorf("read data set %s: %w", sum, err)
	}
	if !found {
		return nil, fmt.Errorf("data set %s: %w", sum, ErrNotFound)
	}
	if h := sha256.Sum256([]byte(data)); hex.EncodeToString(h[:]) != sum {
		return nil, fmt.Errorf("data set %s is damaged: its bytes have another hash", sum)
	}
	return []byte(data), nil
}
