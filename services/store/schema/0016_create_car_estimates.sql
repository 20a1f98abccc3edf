-- Where each reference car stands after each of its reference runs. Computed.
-- Rows a day: as estimates.
-- Sort key: serves the latest of each car and its history.
CREATE TABLE IF NOT EXISTS car_estimates
(
    car_id LowCardinality(String),
    at DateTime64(9, 'UTC'),
    run_id String,
    cell_id LowCardinality(String),
    offset Float64 COMMENT 'relative error of tractive force',
    offset_u Float64 COMMENT 'expanded, k = 2',
    runs UInt32 COMMENT 'so far',
    not_separable String COMMENT 'why this cannot be told from a car; empty: it can',
    deviation Nullable(Float64),
    innovation Nullable(Float64),
    cusum_high Float64,
    cusum_low Float64,
    cusum_limit Float64,
    first_evidence_at Nullable(DateTime64(9, 'UTC')),
    variance_name Array(LowCardinality(String)),
    variance Array(Float64),
    epoch String,
    code_version LowCardinality(String),
    present UInt8 DEFAULT 1 COMMENT '0: a newer computation does not have this row'
)
ENGINE = ReplacingMergeTree
ORDER BY (car_id, at, run_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'Where each reference car stands after each reference run'
