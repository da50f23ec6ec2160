-- Whole stops that begin in the fact: what failures and restorations are counted by.
ALTER TABLE shift_facts ADD COLUMN IF NOT EXISTS stops Int64 CODEC(T64, ZSTD(1))
