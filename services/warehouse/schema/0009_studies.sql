-- Studies, kept for ever; the highest version of an id is the study.
CREATE TABLE IF NOT EXISTS studies
(
    id         String,
    version    UInt64,
    created_at DateTime64(3, 'UTC'),
    state      UInt8,
    title      String,
    body       String COMMENT 'the whole protobuf Study' CODEC(ZSTD(3))
)
ENGINE = ReplacingMergeTree(version)
ORDER BY id
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
