-- Letters whose content has been stored since: redriven, or come again. A letter stays, so that what was wrong can be
-- told for ever.
CREATE TABLE IF NOT EXISTS dead_done
(
    plant String,
    press String,
    epoch UInt64,
    seq   UInt64,
    hash  String,
    at    DateTime64(3, 'UTC')
)
ENGINE = ReplacingMergeTree(at)
ORDER BY (plant, press, epoch, seq, hash)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
