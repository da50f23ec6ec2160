-- Facts about the warehouse itself: one value per name, the last put wins.
CREATE TABLE IF NOT EXISTS meta
(
    name  String,
    value String,
    at    DateTime64(3, 'UTC')
)
ENGINE = ReplacingMergeTree(at)
ORDER BY name
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
