-- Station visits of cleaning sessions; seq -1 is the session itself.
CREATE TABLE IF NOT EXISTS station_visits
(
    plant LowCardinality(String),
    press LowCardinality(String),
    day Int32,
    session_from_ms Int64 CODEC(T64, ZSTD(1)),
    session String,
    seq Int32,
    occasion UInt8,
    session_to_ms Int64 CODEC(T64, ZSTD(1)),
    closed_by_rule Bool,
    allowance_ms Int64 CODEC(T64, ZSTD(1)),
    overrun_ms Int64 CODEC(T64, ZSTD(1)),
    unused_ms Int64 CODEC(T64, ZSTD(1)),
    closing_ms Int64 CODEC(T64, ZSTD(1)),
    station LowCardinality(String),
    task LowCardinality(String),
    from_ms Int64 CODEC(T64, ZSTD(1)),
    to_ms Int64 CODEC(T64, ZSTD(1)),
    time_ms Int64 CODEC(T64, ZSTD(1)),
    standard_ms Int64 CODEC(T64, ZSTD(1)),
    interruption_ms Int64 CODEC(T64, ZSTD(1)),
    mark LowCardinality(String),
    ver UInt64 CODEC(Delta, ZSTD(1)),
    gone UInt8
)
ENGINE = ReplacingMergeTree(ver, gone)
ORDER BY (plant, press, day, session_from_ms, session, seq)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
