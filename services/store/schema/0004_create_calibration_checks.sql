-- Calibration checks of load cells: masses and readings as they were made. Raw,
-- never changed.
-- Rows a day: less than one a cell.
-- Sort key: as pulls; serves the list of a cell's checks in time.
-- A reading is one entry of each reading_ array; reading_masses holds mass ids
-- with commas between, empty for no mass.
CREATE TABLE IF NOT EXISTS calibration_checks
(
    check_id String CODEC(ZSTD(1)),
    cell_id LowCardinality(String),
    kind UInt8 COMMENT '1 dead weight, 2 zero, 3 shunt',
    state UInt8 COMMENT '1 as found, 2 as left',
    performed_at DateTime64(9, 'UTC'),
    performed_by String,
    air_pressure_pa Nullable(Float64),
    air_temperature_k Nullable(Float64),
    relative_humidity Nullable(Float64),
    reading_cycle Array(UInt32),
    reading_direction Array(UInt8) COMMENT '1 rising, 2 falling',
    reading_masses Array(String),
    reading_n Array(Nullable(Float64)) COMMENT 'as the indicator read, at the lever arm',
    reading_simulated_n Array(Nullable(Float64)) COMMENT 'the force a shunt stands for',
    note String,
    agent_version LowCardinality(String),
    received_at DateTime64(9, 'UTC')
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, performed_at, check_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Calibration checks as they were made'
