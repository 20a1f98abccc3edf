-- What was computed of each coast-down of the empty rollers: does the registry's
-- parasitic loss still hold. Computed.
-- Rows a day: one in seven a cell.
-- Sort key: serves a cell's history.
CREATE TABLE IF NOT EXISTS coastdown_results
(
    pull_id String CODEC(ZSTD(1)),
    cell_id LowCardinality(String),
    started_at DateTime64(9, 'UTC'),
    state LowCardinality(String) COMMENT 'computed, incomplete, unusable',
    reason String CODEC(ZSTD(1)),
    f0_n Nullable(Float64),
    f1_n_s_m Nullable(Float64),
    f2_n_s2_m2 Nullable(Float64),
    cov Array(Float64) COMMENT 'of f0, f1, f2: 00 01 02 11 12 22; empty when unusable',
    mass_kg Nullable(Float64),
    noise_mps Nullable(Float64),
    speed_low_mps Nullable(Float64),
    speed_high_mps Nullable(Float64),
    mid_speed_mps Nullable(Float64),
    delta_force_n Nullable(Float64),
    delta_force_u_n Nullable(Float64),
    epoch String,
    registry_effective_at DateTime64(9, 'UTC'),
    code_version LowCardinality(String)
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, started_at, pull_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'What was computed of each empty-roller coast-down'
