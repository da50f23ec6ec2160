-- For people: steps of an agent's clock.
CREATE OR REPLACE VIEW v_clock_steps AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, from_at AS clock_before, addMilliseconds(from_at, dur_ms) AS clock_after, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 23
