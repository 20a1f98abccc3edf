-- Reference runs: the observables of the pulls of one session of a reference car
-- on a cell. Computed; the fleet model reads the whole table.
-- Rows a day: one in seven a cell.
-- Sort key: serves a cell's history; the identity is made from cell, car and
-- session. started_at is not in it, because a late pull can move it.
-- The arrays y to acceleration_mps2 hold points values for each pull of pull_ids,
-- one pull after the other.
CREATE TABLE IF NOT EXISTS runs
(
    run_id String,
    site_id LowCardinality(String),
    cell_id LowCardinality(String),
    car_id LowCardinality(String),
    session String,
    started_at DateTime64(9, 'UTC'),
    air_pressure_pa Nullable(Float64),
    air_temperature_k Nullable(Float64),
    relative_humidity Nullable(Float64),
    pull_ids Array(String) CODEC(ZSTD(1)),
    pull_started_at Array(DateTime64(9, 'UTC')) CODEC(ZSTD(1)),
    left_out_ids Array(String) CODEC(ZSTD(1)),
    left_out_reasons Array(String) CODEC(ZSTD(1)),
    points UInt16 COMMENT 'band points of each pull',
    ramp_rate_rad_s2 Array(Float64) CODEC(ZSTD(1)),
    ln_c Array(Float64) CODEC(ZSTD(1)),
    y Array(Float64) CODEC(ZSTD(1)),
    u Array(Float64) CODEC(ZSTD(1)),
    force_n Array(Float64) CODEC(ZSTD(1)),
    brake_force_n Array(Float64) CODEC(ZSTD(1)),
    speed_mps Array(Float64) CODEC(ZSTD(1)),
    acceleration_mps2 Array(Float64) CODEC(ZSTD(1)),
    epoch String,
    registry_effective_at DateTime64(9, 'UTC'),
    code_version LowCardinality(String)
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, car_id, run_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'Reference runs'
