-- Customer pulls made while a cell was in doubt, and what that did to them.
-- Computed.
-- Rows: some hundred a flag.
-- Sort key: serves the reading of one flag.
CREATE TABLE IF NOT EXISTS touched_pulls
(
    flag_id String,
    started_at DateTime64(9, 'UTC'),
    pull_id String,
    cell_id LowCardinality(String),
    customer_car String,
    effect Float64 COMMENT 'relative effect on the stated power',
    effect_u Float64 COMMENT 'expanded, k = 2',
    code_version LowCardinality(String),
    present UInt8 DEFAULT 1 COMMENT '0: a newer computation does not have this row'
)
ENGINE = ReplacingMergeTree
ORDER BY (flag_id, started_at, pull_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'Customer pulls made while a cell was in doubt'
