-- For people: jobs corrected.
CREATE OR REPLACE VIEW v_jobs_corrected AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, job, rated_mm_per_min, family, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 20
