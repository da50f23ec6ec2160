package warehouse

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

const rulesVersionName = "rules_version"

// RulesVersion is the version of the accounting rules that the projections were made with; 0: none were made yet.
func (db *DB) RulesVersion(ctx context.Context) (uint32, error) {
	var text string
	err := db.conn.QueryRow(ctx, "SELECT argMax(value, at) FROM meta WHERE name = {name:String}", clickhouse.Named("name", rulesVersionName)).Scan(&text)
	if err != nil {
		return 0, fmt.Errorf("read the rules' version: %w", err)
	}
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseUint(text, 10, 32)
	if err != nil {
		return 0, fmt.Errorf("read the rules' version: %w", err)
	}
	return uint32(n), nil
}

// SetRulesVersion notes which rules the projections were made with.
func (db *DB) SetRulesVersion(ctx context.Context, v uint32) error {
	err := db.conn.Exec(ctx, "INSERT INTO meta SELECT {name:String}, {value:String}, fromUnixTimestamp64Milli({at:Int64}, 'UTC')",
		clickhouse.Named("name", rulesVersionName), clickhouse.Named("value", strconv.FormatUint(uint64(v), 10)), clickhouse.Named("at", param(time.Now().UnixMilli())))
	if err != nil {
		return fmt.Errorf("keep the rules' version: %w", err)
	}
	return nil
}

// Unbalanced counts the press-days stored, and those whose leaves and valuable operating time do not add up to planned
// busy time to the microsecond. The second is 0 unless something is broken.
func (db *DB) Unbalanced(ctx context.Context) (days, unbalanced int64, err error) {
	var leaves []string
	for leaf, name := range LeafColumns {
		if name != "" && hasTime(leaf, true) {
			leaves = append(leaves, "in_"+name+"_us")
		}
	}
	q := "SELECT toInt64(count()), toInt64(countIf(pbt_ms * 1000 != valuable_us + " + strings.Join(leaves, " + ") + ")) FROM press_days_by_month FINAL"
	if err := db.conn.QueryRow(ctx, q).Scan(&days, &unbalanced); err != nil {
		return 0, 0, fmt.Errorf("check the identity of press-days: %w", err)
	}
	return days, unbalanced, nil
}
