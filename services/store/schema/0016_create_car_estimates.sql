-- How far each reference car has moved since its first weeks, after each of its
-- reference runs. Computed.
-- Rows a day: as estimates.
-- Sort key: serves the latest of each car and its history.
CREATE TABLE IF NOT EXISTS car_estimates
(
    car_id LowCardinality(String),
    at DateTime64(9, 'UTC'),
    run_id String,
    cell_id LowCardinality(String),
    change Float64 COMMENT 'relative, against the other cars',
    change_u Float64 COMMENT 'expanded, k = 2',
    probability Float64 COMMENT 'that the change is more than the car may',
    since DateTime64(9, 'UTC') COMMENT 'middle of the first weeks',
    runs UInt32 COMMENT 'so far',
    code_version LowCardinality(String),
    present UInt8 DEFAULT 1 COMMENT '0: a newer computation does not have this row'
)
ENGINE = ReplacingMergeTree
ORDER BY (car_id, at, run_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'How far each reference car has moved'
