-- The copy of the registry stream: every revision of every plant's document.
CREATE TABLE IF NOT EXISTS registry_log
(
    rev        UInt64 COMMENT 'contiguous over all plants, from 1',
    plant      String,
    author     String,
    comment    String,
    applied_at DateTime64(3, 'UTC'),
    document   String COMMENT 'the whole protobuf RegistryRevision' CODEC(ZSTD(3))
)
ENGINE = ReplacingMergeTree
ORDER BY rev
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
