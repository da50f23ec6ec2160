-- What of dirty has been projected: of each press and writer everything up to n.
CREATE TABLE IF NOT EXISTS dirty_done
(
    plant  String,
    press  String,
    writer UInt64,
    n      UInt64
)
ENGINE = ReplacingMergeTree(n)
ORDER BY (plant, press, writer)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
