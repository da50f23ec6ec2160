-- A login that may only read, for dashboards and notebooks on a ClickHouse server of one's own (24.8 or newer).
-- Run as an administrator, with the password set: sed "s/CHANGE-ME/$(openssl rand -hex 24)/" reader.sql | clickhouse-client --multiquery
-- It reads the views for people, and of the tables below them only the columns that the views name: no crew, no free
-- note, no raw carry. The embedded engine has this user already; see README.md.

CREATE SETTINGS PROFILE IF NOT EXISTS downweb_reader SETTINGS
    readonly = 2,
    max_execution_time = 60 MAX 300,
    max_memory_usage = 2000000000 MAX 4000000000,
    max_result_rows = 5000000 MAX 50000000,
    max_rows_to_read = 2000000000,
    max_concurrent_queries_for_user = 8;

CREATE USER IF NOT EXISTS downweb_reader IDENTIFIED BY 'CHANGE-ME' SETTINGS PROFILE 'downweb_reader';

GRANT SELECT ON downweb.v_days TO downweb_reader;
GRANT SELECT ON downweb.v_losses TO downweb_reader;
GRANT SELECT ON downweb.v_facts TO downweb_reader;
GRANT SELECT ON downweb.v_visits TO downweb_reader;
GRANT SELECT ON downweb.v_sessions TO downweb_reader;
GRANT SELECT ON downweb.v_duties TO downweb_reader;

-- A view asks with the rights of who asks it: the columns below it are granted one by one.
GRANT SELECT(plant, press, day, currency, pbt_ms, apt_ms, in_planned_cleaning_us, in_cleaning_overrun_us,
    in_planned_maintenance_us, in_contamination_stop_us, in_other_breakdown_us, in_setup_us, in_trials_us, in_trials_mm,
    in_trials_nano, in_reel_change_us, in_waiting_us, in_unaccounted_us, in_contamination_slow_us, in_other_slow_us,
    in_setup_waste_us, in_setup_waste_mm, in_setup_waste_nano, in_restart_waste_us, in_restart_waste_mm,
    in_restart_waste_nano, in_contamination_waste_us, in_contamination_waste_mm, in_contamination_waste_nano,
    in_splice_waste_us, in_splice_waste_mm, in_splice_waste_nano, in_cure_waste_us, in_cure_waste_mm,
    in_cure_waste_nano, in_register_waste_us, in_register_waste_mm, in_register_waste_nano, in_material_waste_us,
    in_material_waste_mm, in_material_waste_nano, in_other_waste_us, in_other_waste_mm, in_other_waste_nano,
    in_unbooked_waste_us, in_unbooked_waste_mm, in_unbooked_waste_nano, in_outside_waste_mm, in_outside_waste_nano,
    out_production_us, out_planned_cleaning_us, out_cleaning_overrun_us, out_planned_maintenance_us,
    out_contamination_stop_us, out_other_breakdown_us, out_setup_us, out_trials_us, out_trials_mm, out_trials_nano,
    out_reel_change_us, out_waiting_us, out_setup_waste_us, out_setup_waste_mm, out_setup_waste_nano,
    out_restart_waste_us, out_restart_waste_mm, out_restart_waste_nano, out_contamination_waste_us,
    out_contamination_waste_mm, out_contamination_waste_nano, out_splice_waste_us, out_splice_waste_mm,
    out_splice_waste_nano, out_cure_waste_us, out_cure_waste_mm, out_cure_waste_nano, out_register_waste_us,
    out_register_waste_mm, out_register_waste_nano, out_material_waste_us, out_material_waste_mm,
    out_material_waste_nano, out_other_waste_us, out_other_waste_mm, out_other_waste_nano, out_unbooked_waste_us,
    out_unbooked_waste_mm, out_unbooked_waste_nano, out_outside_waste_mm, out_outside_waste_nano,
    out_cleaning_in_break_us, valuable_us, good_mm, made_mm, measured_ms, stated_ms, unknown_ms,
    sessions, run_ms, run_mm, jobs, through_ms, ver, gone) ON downweb.press_days_by_month TO downweb_reader;
GRANT SELECT(plant, press, day, shift, planned, leaf, state, reason, station, job, rated, family, dur_ms, good_mm,
    waste_mm, stops, ver, gone) ON downweb.shift_facts TO downweb_reader;
GRANT SELECT(plant, press, day, session_from_ms, session, seq, occasion, session_to_ms, closed_by_rule,
    allowance_ms, overrun_ms, closing_ms, station, task, from_ms, to_ms, time_ms, standard_ms, interruption_ms, mark,
    own_ms, ver, gone) ON downweb.station_visits TO downweb_reader;
GRANT SELECT(plant, press, day, task, due_ms, cadence, station, opens_ms, closes_ms, outcome, done_ms, reason,
    isolate, ver, gone) ON downweb.duties TO downweb_reader;
