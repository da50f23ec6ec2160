-- For people: jobs started.
CREATE OR REPLACE VIEW v_jobs_started AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, job, family, substrate, rated_mm_per_min, length_mm AS planned_mm, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 18
