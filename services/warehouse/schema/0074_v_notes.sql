-- For people: the crew's reasons for stops and slow runs; without the crew's pseudonym and free notes, which stay with the plant.
CREATE OR REPLACE VIEW v_notes AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, from_at, addMilliseconds(from_at, dur_ms) AS to_at, transform(note_kind, [1, 2], ['stop', 'slow'], 'unknown') AS about,
    reason, station, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 15
