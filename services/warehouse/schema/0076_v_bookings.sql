-- For people: waste booked to a cause; without the crew's pseudonym and free notes, which stay with the plant.
CREATE OR REPLACE VIEW v_bookings AS
SELECT plant, press, leftPad(lower(hex(epoch)), 16, '0') AS epoch, seq, pos, occurred_at, from_at, addMilliseconds(from_at, dur_ms) AS to_at, job, length_mm,
    transform(cause, [1, 2, 3, 4, 5, 6, 7, 8], ['setup', 'splice', 'restart', 'contamination', 'cure', 'register', 'material', 'other'], 'unknown') AS cause,
    if(found = 2, 'downstream', 'at press') AS found, if(web = 0, 1, web) AS web, lanes_bad, lanes, station, addMilliseconds(occurred_at, recorded_delay_ms) AS recorded_at, source_key
FROM events FINAL
WHERE kind = 17
