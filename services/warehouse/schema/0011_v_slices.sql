-- For people: the press's time and meters. Voids and overlaps are not settled here.
CREATE OR REPLACE VIEW v_slices AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at AS from_at, addMilliseconds(occurred_at, dur_ms) AS to_at,
    transform(state, [1, 2, 3, 4, 5, 6, 7, 8], ['production', 'setup', 'trial', 'cleaning', 'maintenance', 'down', 'waiting', 'off'], 'unknown') AS state,
    reason, station, job, rated_mm_per_min, good_mm, waste_mm, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at
FROM events FINAL
WHERE kind = 10
