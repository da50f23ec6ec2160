-- The crew's pseudonym, by which crews at work on two presses at once are found; its own time, which standards are compared with; the checks stated at the hand-back.
ALTER TABLE station_visits ADD COLUMN IF NOT EXISTS crew LowCardinality(String),
    ADD COLUMN IF NOT EXISTS own_ms Int64 CODEC(T64, ZSTD(1)),
    ADD COLUMN IF NOT EXISTS checks UInt8
