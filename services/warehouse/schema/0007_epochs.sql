-- Lowest seq known of each epoch and when it was recorded: the rank of the epoch among those of its press. Written
-- before the events themselves; of several rows the lowest seq stays.
CREATE TABLE IF NOT EXISTS epochs
(
    plant       String,
    press       String,
    epoch       UInt64,
    seq         UInt64,
    recorded_at DateTime64(3, 'UTC'),
    keep        UInt64 MATERIALIZED bitNot(seq)
)
ENGINE = ReplacingMergeTree(keep)
ORDER BY (plant, press, epoch)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
