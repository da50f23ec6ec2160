-- For people and dashboards: one task due once and what became of it. It says what the plan asks for; how it is done is for the maker's manual, the site's lock-out procedure and local code.
CREATE OR REPLACE VIEW v_duties
(
    plant LowCardinality(String) COMMENT 'Plant slug.',
    press LowCardinality(String) COMMENT 'Press slug, unique in its plant.',
    press_id String COMMENT 'plant/press, as every command writes it.',
    day Date32 COMMENT 'Production day: the local date that its shifts belong to, in the zone of the plant.',
    task LowCardinality(String) COMMENT 'Task of the cleaning plan.',
    station LowCardinality(String) COMMENT 'Station slug.',
    cadence String COMMENT 'What it falls due by.',
    opens_at Nullable(DateTime64(3, 'UTC')) COMMENT 'May be done from here on.',
    due_at Nullable(DateTime64(3, 'UTC')) COMMENT 'Due.',
    closes_at Nullable(DateTime64(3, 'UTC')) COMMENT 'Missed from here on.',
    outcome String COMMENT 'on time, late, missed, skipped (with a reason), not required, unknown (no data), open.',
    done_at Nullable(DateTime64(3, 'UTC')) COMMENT 'Signed off.',
    reason LowCardinality(String) COMMENT 'Why it was skipped.',
    isolate Bool COMMENT 'The plan says: only with the press isolated, by the site''s lock-out procedure.'
)
AS SELECT plant AS plant,
    press AS press,
    concat(plant, '/', press) AS press_id,
    toDate32(d.day) AS day,
    task AS task,
    station AS station,
    transform(cadence, [1, 2, 3, 4, 5, 6, 7], ['startup', 'shutdown', 'weekly', 'days', 'run hours', 'run km', 'job change'], '') AS cadence,
    if(opens_ms = 0, NULL, fromUnixTimestamp64Milli(opens_ms, 'UTC')) AS opens_at,
    if(due_ms = 0, NULL, fromUnixTimestamp64Milli(due_ms, 'UTC')) AS due_at,
    if(closes_ms = 0, NULL, fromUnixTimestamp64Milli(closes_ms, 'UTC')) AS closes_at,
    transform(outcome, [1, 2, 3, 4, 5, 6, 7], ['on time', 'late', 'missed', 'skipped', 'not required', 'unknown', 'open'], '') AS outcome,
    if(done_ms = 0, NULL, fromUnixTimestamp64Milli(done_ms, 'UTC')) AS done_at,
    reason AS reason,
    isolate AS isolate
FROM duties AS d FINAL
