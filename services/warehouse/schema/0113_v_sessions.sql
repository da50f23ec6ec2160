-- For people and dashboards: a cleaning session, from the press handed over to the press handed back.
CREATE OR REPLACE VIEW v_sessions
(
    plant LowCardinality(String) COMMENT 'Plant slug.',
    press LowCardinality(String) COMMENT 'Press slug, unique in its plant.',
    press_id String COMMENT 'plant/press, as every command writes it.',
    day Date32 COMMENT 'Production day: the local date that its shifts belong to, in the zone of the plant.',
    session String COMMENT 'Session id, unique per press.',
    occasion String COMMENT 'Why the press was handed over: startup, shutdown, changeover, on demand.',
    from_at Nullable(DateTime64(3, 'UTC')) COMMENT 'Opened.',
    to_at Nullable(DateTime64(3, 'UTC')) COMMENT 'Effective end.',
    allowance_ms Int64 COMMENT 'Granted for the tasks that were due, ms.',
    overrun_ms Int64 COMMENT 'Over the allowance, ms.',
    closing_ms Int64 COMMENT 'After the last sign-off, ms.',
    closed_by_rule Bool COMMENT 'The crew did not close it: ended by rule, and nothing was stated at the hand-back.'
)
AS SELECT plant AS plant,
    press AS press,
    concat(plant, '/', press) AS press_id,
    toDate32(d.day) AS day,
    session AS session,
    transform(occasion, [1, 2, 3, 4], ['startup', 'shutdown', 'changeover', 'on demand'], '') AS occasion,
    if(session_from_ms = 0, NULL, fromUnixTimestamp64Milli(session_from_ms, 'UTC')) AS from_at,
    if(session_to_ms = 0, NULL, fromUnixTimestamp64Milli(session_to_ms, 'UTC')) AS to_at,
    allowance_ms AS allowance_ms,
    overrun_ms AS overrun_ms,
    closing_ms AS closing_ms,
    closed_by_rule AS closed_by_rule
FROM station_visits AS d FINAL
WHERE seq = -1
