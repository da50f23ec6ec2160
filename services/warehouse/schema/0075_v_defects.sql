-- For people: defects seen; without the crew's pseudonym and free notes, which stay with the plant.
CREATE OR REPLACE VIEW v_defects AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at,
    transform(defect, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10], ['streak', 'void', 'dust spot', 'under-cure', 'misregister', 'web break', 'set-off', 'color drift', 'repeat mark', 'other'], 'unknown') AS defect,
    station, length_mm, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 16
