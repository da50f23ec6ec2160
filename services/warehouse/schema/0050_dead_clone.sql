-- Marks a letter whose identity holds another event: two disks carry its epoch. While one is there the epoch is
-- quarantined.
ALTER TABLE dead ADD COLUMN IF NOT EXISTS clone UInt8 DEFAULT 0 COMMENT '1: another event is stored under this identity' AFTER reason
