-- Checks of every kind: beside a reference standard, on a tilted arm, with
-- preloads, in both senses, after refits, with time at load; and the timed runs
-- of a base-inertia check. Raw, never changed. A row of before has empty arrays
-- for the new readings' columns.
ALTER TABLE calibration_checks
    MODIFY COLUMN kind UInt8 COMMENT '1 dead weight, 2 zero, 3 shunt, 4 zero with rollers turning, 5 transfer load cell, 6 torque reference, 7 base inertia',
    ADD COLUMN IF NOT EXISTS standard_id LowCardinality(String) AFTER agent_version,
    ADD COLUMN IF NOT EXISTS arm_angle_rad Nullable(Float64) COMMENT 'null: levelled' AFTER standard_id,
    ADD COLUMN IF NOT EXISTS adjusted Nullable(Bool) COMMENT 'of a check as found: adjusted after it; null: not said' AFTER arm_angle_rad,
    ADD COLUMN IF NOT EXISTS effective_at Nullable(DateTime64(9, 'UTC')) COMMENT 'from when the calibration as left holds; null: performed_at' AFTER adjusted,
    ADD COLUMN IF NOT EXISTS reading_preload Array(Bool) AFTER effective_at,
    ADD COLUMN IF NOT EXISTS reading_sense Array(UInt8) COMMENT '0 not said, 1 tension, 2 compression' AFTER reading_preload,
    ADD COLUMN IF NOT EXISTS reading_mounting Array(UInt32) COMMENT 'how often it was taken off and put on again' AFTER reading_sense,
    ADD COLUMN IF NOT EXISTS reading_held_s Array(Nullable(Float64)) AFTER reading_mounting,
    ADD COLUMN IF NOT EXISTS reading_speed_mps Array(Nullable(Float64)) AFTER reading_held_s,
    ADD COLUMN IF NOT EXISTS reading_reference_n Array(Nullable(Float64)) COMMENT 'what a transfer load cell read' AFTER reading_speed_mps,
    ADD COLUMN IF NOT EXISTS reading_reference_nm Array(Nullable(Float64)) COMMENT 'what a torque reference read' AFTER reading_reference_n,
    ADD COLUMN IF NOT EXISTS reading_set_force_n Array(Nullable(Float64)) COMMENT 'of a timed run' AFTER reading_reference_nm,
    ADD COLUMN IF NOT EXISTS reading_from_mps Array(Nullable(Float64)) AFTER reading_set_force_n,
    ADD COLUMN IF NOT EXISTS reading_to_mps Array(Nullable(Float64)) AFTER reading_from_mps,
    ADD COLUMN IF NOT EXISTS reading_duration_s Array(Nullable(Float64)) AFTER reading_to_mps
