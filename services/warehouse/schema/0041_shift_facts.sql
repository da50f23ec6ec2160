-- Time and length booked to one key; leaf decided here, once. The key holds everything a figure is grouped by inside
-- a press-day; the partition is a function of the key, because replacing works only inside one.
CREATE TABLE IF NOT EXISTS shift_facts
(
    plant LowCardinality(String),
    press LowCardinality(String),
    day Int32,
    shift LowCardinality(String),
    planned Bool,
    leaf UInt8,
    sub UInt8,
    state UInt8,
    reason LowCardinality(String),
    station LowCardinality(String),
    job String,
    rated Int64 CODEC(T64, ZSTD(1)),
    minor Bool,
    family LowCardinality(String),
    dur_ms Int64 CODEC(T64, ZSTD(1)),
    good_mm Int64 CODEC(T64, ZSTD(1)),
    waste_mm Int64 CODEC(T64, ZSTD(1)),
    material_nano Int64 CODEC(T64, ZSTD(1)),
    ver UInt64 CODEC(Delta, ZSTD(1)),
    gone UInt8
)
ENGINE = ReplacingMergeTree(ver, gone)
PARTITION BY toYYYYMM(toDate32(day))
ORDER BY (plant, press, day, shift, planned, leaf, sub, state, reason, station, job, rated, minor)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
