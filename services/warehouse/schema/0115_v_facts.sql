-- For people and dashboards: time and length by everything a figure is grouped by. Slow running and waste at rated speed are worked out from these; the rounded result is in v_losses.
CREATE OR REPLACE VIEW v_facts
(
    plant LowCardinality(String) COMMENT 'Plant slug.',
    press LowCardinality(String) COMMENT 'Press slug, unique in its plant.',
    press_id String COMMENT 'plant/press, as every command writes it.',
    day Date32 COMMENT 'Production day: the local date that its shifts belong to, in the zone of the plant.',
    shift LowCardinality(String) COMMENT 'Name of the shift.',
    planned Bool COMMENT 'Inside planned busy time.',
    leaf String COMMENT 'Leaf it is booked to; production: none.',
    state String COMMENT 'State of the press.',
    reason LowCardinality(String) COMMENT 'Reason slug of the registry.',
    station LowCardinality(String) COMMENT 'Station it is put down to.',
    job String COMMENT 'Job id.',
    family LowCardinality(String) COMMENT 'Product family of the job.',
    rated_mm_per_min Int64 COMMENT 'Rated speed, mm/min.',
    duration_ms Int64 COMMENT 'Time, ms.',
    good_mm Int64 COMMENT 'Good length, mm.',
    waste_mm Int64 COMMENT 'Waste, mm.',
    stops Int64 COMMENT 'Whole stops that begin here.'
)
AS SELECT plant AS plant,
    press AS press,
    concat(plant, '/', press) AS press_id,
    toDate32(d.day) AS day,
    shift AS shift,
    planned AS planned,
    transform(leaf, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24], ['production', 'planned_cleaning', 'cleaning_overrun', 'planned_maintenance', 'contamination_stop', 'other_breakdown', 'setup', 'trials', 'reel_change', 'waiting', 'unaccounted', 'contamination_slow', 'other_slow', 'setup_waste', 'restart_waste', 'contamination_waste', 'splice_waste', 'cure_waste', 'register_waste', 'material_waste', 'other_waste', 'unbooked_waste', 'outside_waste', 'cleaning_in_break'], '') AS leaf,
    transform(state, [1, 2, 3, 4, 5, 6, 7, 8], ['production', 'setup', 'trial', 'cleaning', 'maintenance', 'down', 'waiting', 'off'], '') AS state,
    reason AS reason,
    station AS station,
    job AS job,
    family AS family,
    rated AS rated_mm_per_min,
    dur_ms AS duration_ms,
    good_mm AS good_mm,
    waste_mm AS waste_mm,
    stops AS stops
FROM shift_facts AS d FINAL
