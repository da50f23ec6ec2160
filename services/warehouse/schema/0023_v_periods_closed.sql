-- For people: periods signed.
CREATE OR REPLACE VIEW v_periods_closed AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, first_day, last_day, closed_pos, closed_rev, lower(hex(sha256)) AS sha256, author, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 22
