-- The epochs of every cell: from when which load-cell calibration, base inertia
-- and parasitic loss hold, and where each comes from. Computed; a row with
-- present = 0 is of a computation since replaced.
-- Rows a day: less than one a cell.
-- Sort key: serves a cell's epochs in time.
CREATE TABLE IF NOT EXISTS epochs
(
    cell_id LowCardinality(String),
    of LowCardinality(String) COMMENT 'load cell, base inertia, parasitic loss',
    since DateTime64(9, 'UTC'),
    epoch String COMMENT 'the check as left, or the coast-down adopted; empty: the registry''s value',
    until Nullable(DateTime64(9, 'UTC')) COMMENT 'null: it holds',
    source LowCardinality(String) COMMENT 'registry, or the kind of check or record',
    value_name Array(LowCardinality(String)),
    value Array(Float64),
    value_u Array(Float64) COMMENT 'expanded, k = 2',
    value_unit Array(LowCardinality(String)),
    cov Array(Float64) COMMENT 'covariance of the values, upper triangle by rows; empty: of one value',
    signed_by String,
    reason String,
    code_version LowCardinality(String),
    present UInt8
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, of, since, epoch)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'From when which calibration, base inertia and parasitic loss hold'
