-- Ranges that an agent has given up for good. The mark passes them.
CREATE TABLE IF NOT EXISTS gaps
(
    plant     String,
    press     String,
    epoch     UInt64,
    first_seq UInt64,
    last_seq  UInt64,
    reason    String,
    at        DateTime64(3, 'UTC')
)
ENGINE = ReplacingMergeTree
ORDER BY (plant, press, epoch, first_seq, last_seq)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
