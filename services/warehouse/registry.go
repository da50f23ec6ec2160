package warehouse

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// InsertRegistry keeps a revision of a plant's document. Doing it again changes nothing.
func (db *DB) InsertRegistry(ctx context.Context, r *pb.RegistryRevision) error {
	document, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return fmt.Errorf("insert registry revision %d: %w", r.GetRev(), err)
	}
	return db.insertRow(ctx, "registry_log", registryTypes, r.GetRev(), r.GetPlant().GetPlant(), r.GetAuthor(), r.GetComment(), millis(r.GetAppliedAt()), string(document))
}

var registryTypes = []clickhouse.ColumnNameAndType{{Name: "rev", Type: tUInt64}, {Name: "plant", Type: tString}, {Name: "author", Type: tString},
	{Name: "comment", Type: tString}, {Name: "applied_at", Type: tTime}, {Name: "document", Type: tString}}

// Registry is the latest revision of every plant's document among those up to a revision, sorted by plant.
func (db *DB) Registry(ctx context.Context, upTo uint64) ([]*pb.RegistryRevision, error) {
	return db.revisions(ctx, "SELECT argMax(document, rev) FROM registry_log WHERE rev <= {rev:UInt64} GROUP BY plant ORDER BY plant", upTo)
}

// LatestRegistry is the latest revision of every plant's document, sorted by plant.
func (db *DB) LatestRegistry(ctx context.Context) ([]*pb.RegistryRevision, error) {
	return db.Registry(ctx, 1<<64-1)
}

// RegistryAfter lists all revisions above a revision, in order.
func (db *DB) RegistryAfter(ctx context.Context, rev uint64) ([]*pb.RegistryRevision, error) {
	return db.revisions(ctx, "SELECT document FROM registry_log FINAL WHERE rev > {rev:UInt64} ORDER BY rev", rev)
}

// MaxRegistryRev is the highest revision kept; 0: none.
func (db *DB) MaxRegistryRev(ctx context.Context) (uint64, error) {
	var rev uint64
	if err := db.conn.QueryRow(ctx, "SELECT max(rev) FROM registry_log").Scan(&rev); err != nil {
		return 0, fmt.Errorf("read the highest registry revision: %w", err)
	}
	return rev, nil
}

func (db *DB) revisions(ctx context.Context, sql string, rev uint64) ([]*pb.RegistryRevision, error) {
	rows, err := db.conn.Query(ctx, sql, clickhouse.Named("rev", param(rev)))
	if err != nil {
		return nil, fmt.Errorf("read the registry: %w", err)
	}
	defer rows.Close()
	var out []*pb.RegistryRevision
	for rows.Next() {
		var document string
		if err := rows.Scan(&document); err != nil {
			return nil, fmt.Errorf("read the registry: %w", err)
		}
		r := &pb.RegistryRevision{}
		if err := proto.Unmarshal([]byte(document), r); err != nil {
			return nil, fmt.Errorf("read the registry: %w", err)
		}
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read the registry: %w", err)
	}
	return out, nil
}
