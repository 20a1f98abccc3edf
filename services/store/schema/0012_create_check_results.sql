-- What was computed of each calibration check: errors, verdict, and the
-- calibration in force from then on. Computed.
-- Rows a day: as calibration_checks.
-- Sort key: as calibration_checks.
CREATE TABLE IF NOT EXISTS check_results
(
    check_id String CODEC(ZSTD(1)),
    cell_id LowCardinality(String),
    kind UInt8,
    state UInt8,
    performed_at DateTime64(9, 'UTC'),
    performed_by String,
    verdict LowCardinality(String) COMMENT 'pass, conditional pass, conditional fail, fail, unusable',
    reason String CODEC(ZSTD(1)),
    zero_error_n Nullable(Float64),
    zero_error_u_n Nullable(Float64),
    gain_error Nullable(Float64),
    gain_error_u Nullable(Float64),
    readings UInt32,
    point_force_n Array(Float64) COMMENT 'the force applied, at the lever arm',
    point_reading_n Array(Float64),
    point_error_n Array(Float64),
    point_error_u_n Array(Float64) COMMENT 'expanded, k = 2',
    point_cycle Array(UInt32),
    point_direction Array(UInt8),
    opens_epoch Bool COMMENT 'an as-left check whose calibration holds from then on',
    calibration_epoch String COMMENT 'the epoch opened',
    calibration_zero_n Float64,
    calibration_gain Float64,
    calibration_zero_u_n Float64,
    calibration_gain_u Float64,
    calibration_cov_zero_gain_n Float64,
    epoch String COMMENT 'in force when the check was made',
    registry_effective_at DateTime64(9, 'UTC'),
    code_version LowCardinality(String)
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, performed_at, check_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'What was computed of each calibration check'
