-- For people: stations signed off; without the crew's pseudonym and free notes, which stay with the plant.
CREATE OR REPLACE VIEW v_signoffs AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, session, task, station,
    transform(outcome, [1, 2, 3], ['cleaned', 'inspected clean', 'replaced part'], 'unknown') AS outcome,
    if(condition_plus_1 = 0, NULL, condition_plus_1 - 1) AS condition_found,
    if(toUnixTimestamp64Milli(from_at) = 0, NULL, from_at) AS began_at, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 13
