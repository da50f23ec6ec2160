-- Data sets of studies, by the hash of their bytes.
CREATE TABLE IF NOT EXISTS study_data
(
    sha256 String COMMENT 'lower-case hex',
    data   String CODEC(ZSTD(3))
)
ENGINE = ReplacingMergeTree
ORDER BY sha256
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
