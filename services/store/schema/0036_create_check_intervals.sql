-- When the next check of every cell is due, by which rule. Whether it is overdue
-- depends on the time of asking and is not kept. Computed; a row with present = 0
-- is of a computation since replaced.
-- Rows: two a cell.
-- Sort key: the identity; the whole table is read.
CREATE TABLE IF NOT EXISTS check_intervals
(
    cell_id LowCardinality(String),
    of LowCardinality(String) COMMENT 'load-cell gain, load-cell zero',
    last_check_id String,
    last_check_at DateTime64(9, 'UTC'),
    due_at Nullable(DateTime64(9, 'UTC')) COMMENT 'null: no rule gives a day',
    rule LowCardinality(String) COMMENT 'time, pulls, drift',
    says String,
    asked Bool COMMENT 'the registry asks for an interval: overdue is a flag',
    rule_name Array(LowCardinality(String)),
    rule_at Array(Nullable(DateTime64(9, 'UTC'))),
    rule_reached Array(Bool),
    rule_says Array(String),
    pulls UInt32 COMMENT 'since the last check; counted where they are limited',
    rate_per_day Nullable(Float64) COMMENT 'a ratio for the gain, N for the zero',
    rate_u_per_day Nullable(Float64) COMMENT 'expanded, k = 2',
    reliability Float64,
    in_tolerance_at_due Nullable(Float64),
    code_version LowCardinality(String),
    present UInt8
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, of)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'When the next check of every cell is due'
