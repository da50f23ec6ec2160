-- For people and dashboards: a station's visit in a cleaning session. No crew: who did it is not for analysis.
CREATE OR REPLACE VIEW v_visits
(
    plant LowCardinality(String) COMMENT 'Plant slug.',
    press LowCardinality(String) COMMENT 'Press slug, unique in its plant.',
    press_id String COMMENT 'plant/press, as every command writes it.',
    day Date32 COMMENT 'Production day: the local date that its shifts belong to, in the zone of the plant.',
    session String COMMENT 'Session id, unique per press.',
    occasion String COMMENT 'Why the press was handed over: startup, shutdown, changeover, on demand.',
    station LowCardinality(String) COMMENT 'Station slug.',
    task LowCardinality(String) COMMENT 'Task of the cleaning plan.',
    from_at Nullable(DateTime64(3, 'UTC')) COMMENT 'Work on the station began.',
    to_at Nullable(DateTime64(3, 'UTC')) COMMENT 'Signed off.',
    time_ms Int64 COMMENT 'Press time of the visit, breaks taken out, ms.',
    own_ms Int64 COMMENT 'The crew''s own time, not shared with others at work at once, ms; what standards are compared with.',
    standard_ms Int64 COMMENT 'The plan''s standard, ms; 0: none.',
    interruption_ms Int64 COMMENT 'Time before work on the station began, of no station, ms.',
    mark LowCardinality(String) COMMENT 'Why the visit stays out of statistics: batch (several signed at once), shared (a crew at two presses), doubtful (far from its standard); else empty.'
)
AS SELECT plant AS plant,
    press AS press,
    concat(plant, '/', press) AS press_id,
    toDate32(d.day) AS day,
    session AS session,
    transform(occasion, [1, 2, 3, 4], ['startup', 'shutdown', 'changeover', 'on demand'], '') AS occasion,
    station AS station,
    task AS task,
    if(from_ms = 0, NULL, fromUnixTimestamp64Milli(from_ms, 'UTC')) AS from_at,
    if(to_ms = 0, NULL, fromUnixTimestamp64Milli(to_ms, 'UTC')) AS to_at,
    time_ms AS time_ms,
    own_ms AS own_ms,
    standard_ms AS standard_ms,
    interruption_ms AS interruption_ms,
    mark AS mark
FROM station_visits AS d FINAL
WHERE seq >= 0
