-- For people: what was taken back.
CREATE OR REPLACE VIEW v_voids AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, leftPad(lower(hex(target_epoch)), 16, '0') AS target_epoch, target_first, target_last, from_at AS earliest, note AS why, target_key, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 21
