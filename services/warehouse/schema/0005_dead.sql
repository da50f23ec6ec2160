-- What could not be accepted, whole, with the reason. seq 0: a frame that could not be read. The key holds the hash of
-- the payload, so that what is delivered twice is kept once.
CREATE TABLE IF NOT EXISTS dead
(
    plant   String,
    press   String,
    epoch   UInt64,
    seq     UInt64 COMMENT '0: a whole frame',
    hash    String COMMENT 'SHA-256 of payload',
    payload String COMMENT 'a protobuf event, or a whole frame as it came' CODEC(ZSTD(1)),
    subject String,
    field   String,
    reason  String,
    at      DateTime64(3, 'UTC')
)
ENGINE = ReplacingMergeTree
ORDER BY (plant, press, epoch, seq, hash)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
