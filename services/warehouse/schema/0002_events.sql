-- The log, for ever: one row for each event, with the columns of all bodies. What a body does not use stays at its
-- default and is stored sparse.
--
-- Key: questions name a kind and a press and a stretch of time, so that order reads the fewest granules; epoch and seq
-- make the key hold the identity, so that a row stored twice is one row after a merge. Of two rows with one key the
-- lower pos stays: as-of answers do not change when an event is stored again. pos first, or press before kind, was
-- rejected: the first scatters a press's day over the table, the second reads all slices to find the few notes.
-- The partition is a function of the key, because replacing works only inside a partition.
-- Codecs decide the size: about 6 bytes a slice, over 13 with the default ones.
CREATE TABLE IF NOT EXISTS events
(
    kind              UInt8 COMMENT 'number of the body in event.proto; 0: a body this version does not know, whole in raw' CODEC(ZSTD(1)),
    plant             LowCardinality(String),
    press             LowCardinality(String),
    occurred_at       DateTime64(3, 'UTC') COMMENT 'a slice: its start' CODEC(DoubleDelta, ZSTD(1)),
    epoch             UInt64 CODEC(ZSTD(1)),
    seq               UInt64 CODEC(DoubleDelta, ZSTD(1)),
    pos               UInt64 COMMENT 'number of the insert' CODEC(Delta, ZSTD(1)),
    keep              UInt64 MATERIALIZED bitNot(pos) COMMENT 'largest number less pos: the lowest pos of a key stays' CODEC(Delta, ZSTD(1)),
    recorded_delay_ms Int64 COMMENT 'recorded_at less occurred_at' CODEC(T64('bit'), ZSTD(1)),
    dur_ms            Int64 COMMENT 'slice, note, booking: length of the interval; clock step: after less before' CODEC(T64('bit'), ZSTD(1)),
    state             UInt8 CODEC(ZSTD(1)),
    reason            LowCardinality(String),
    station           LowCardinality(String),
    job               String CODEC(ZSTD(1)),
    rated_mm_per_min  Int64 COMMENT '0: not given' CODEC(T64('bit'), ZSTD(1)),
    good_mm           Int64 CODEC(T64('bit'), ZSTD(1)),
    waste_mm          Int64 CODEC(T64('bit'), ZSTD(1)),
    source_key        String CODEC(ZSTD(1)),
    from_at           DateTime64(3, 'UTC') COMMENT 'note, booking: start of the interval; sign-off: when work began; void: earliest instant taken back; clock step: clock before; 1970: not given' CODEC(ZSTD(1)),
    session           String CODEC(ZSTD(1)),
    occasion          UInt8 CODEC(ZSTD(1)),
    crew              LowCardinality(String),
    checks            UInt8 COMMENT 'bits: 1 tools counted out, 2 guards restored, 4 isolation removed' CODEC(ZSTD(1)),
    task              LowCardinality(String),
    outcome           UInt8 CODEC(ZSTD(1)),
    condition_plus_1  UInt8 COMMENT 'condition found + 1; 0: not given' CODEC(ZSTD(1)),
    note              String COMMENT 'sign-off: note; void: why' CODEC(ZSTD(1)),
    note_kind         UInt8 CODEC(ZSTD(1)),
    defect            UInt8 CODEC(ZSTD(1)),
    length_mm         Int64 COMMENT 'defect: affected; booking: booked; job: planned' CODEC(ZSTD(1)),
    cause             UInt8 CODEC(ZSTD(1)),
    found             UInt8 CODEC(ZSTD(1)),
    web               UInt8 CODEC(ZSTD(1)),
    lanes_bad         Int32 CODEC(ZSTD(1)),
    lanes             Int32 CODEC(ZSTD(1)),
    family            LowCardinality(String),
    substrate         LowCardinality(String),
    target_epoch      UInt64 CODEC(ZSTD(1)),
    target_first      UInt64 CODEC(ZSTD(1)),
    target_last       UInt64 CODEC(ZSTD(1)),
    target_key        String COMMENT 'void: source_key of what is taken back' CODEC(ZSTD(1)),
    first_day         String CODEC(ZSTD(1)),
    last_day          String CODEC(ZSTD(1)),
    closed_pos        UInt64 CODEC(ZSTD(1)),
    closed_rev        UInt64 CODEC(ZSTD(1)),
    sha256            String CODEC(ZSTD(1)),
    author            LowCardinality(String),
    raw               String COMMENT 'the whole protobuf event, if it holds anything this version has no column for' CODEC(ZSTD(1)),
    INDEX by_pos pos TYPE minmax GRANULARITY 1
)
ENGINE = ReplacingMergeTree(keep)
PARTITION BY toYYYYMM(occurred_at)
ORDER BY (kind, plant, press, occurred_at, epoch, seq)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
