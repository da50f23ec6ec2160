-- For people: cleaning sessions opened; without the crew's pseudonym and free notes, which stay with the plant.
CREATE OR REPLACE VIEW v_cleaning_opened AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, session,
    transform(occasion, [1, 2, 3, 4], ['startup', 'shutdown', 'changeover', 'on demand'], 'unknown') AS occasion,
    addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 11
