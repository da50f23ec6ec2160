-- For people: cleaning sessions closed; without the crew's pseudonym and free notes, which stay with the plant.
CREATE OR REPLACE VIEW v_cleaning_closed AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, session, bitTest(checks, 0) AS tools_counted_out, bitTest(checks, 1) AS guards_restored,
    bitTest(checks, 2) AS isolation_removed, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 12
