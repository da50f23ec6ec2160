-- For people: stations skipped; without the crew's pseudonym and free notes, which stay with the plant.
CREATE OR REPLACE VIEW v_skips AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, session, task, station, reason, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 14
