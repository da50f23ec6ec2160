-- What has to be projected again: one row for each press that an insert touches, written before it. n counts up inside
-- one writer only: two writers can never hide each other's rows.
CREATE TABLE IF NOT EXISTS dirty
(
    plant   String,
    press   String,
    writer  UInt64,
    n       UInt64,
    from_ms Int64 COMMENT 'earliest instant touched, unix ms',
    at      DateTime64(3, 'UTC') DEFAULT now64(3)
)
ENGINE = MergeTree
ORDER BY (plant, press, writer, n)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
