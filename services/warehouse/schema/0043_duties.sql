-- One task due once and what became of it.
CREATE TABLE IF NOT EXISTS duties
(
    plant LowCardinality(String),
    press LowCardinality(String),
    day Int32,
    task LowCardinality(String),
    due_ms Int64 CODEC(T64, ZSTD(1)),
    cadence UInt8,
    station LowCardinality(String),
    opens_ms Int64 CODEC(T64, ZSTD(1)),
    closes_ms Int64 CODEC(T64, ZSTD(1)),
    outcome UInt8,
    done_ms Int64 CODEC(T64, ZSTD(1)),
    reason LowCardinality(String),
    third_skip Bool,
    hazards Array(UInt8),
    isolate Bool,
    ver UInt64 CODEC(Delta, ZSTD(1)),
    gone UInt8
)
ENGINE = ReplacingMergeTree(ver, gone)
ORDER BY (plant, press, day, task, due_ms, cadence)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
