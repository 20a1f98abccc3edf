-- Flags on cells and reference cars. Computed, from estimates, checks and
-- flag_closings.
-- Rows: some a cell-year.
-- Sort key: the identity; the whole table is read.
CREATE TABLE IF NOT EXISTS flags
(
    flag_id String,
    cell_id LowCardinality(String),
    car_id LowCardinality(String),
    kind LowCardinality(String) COMMENT 'recalibrate, drifting, reference car, check overdue',
    open Bool,
    first_evidence_at DateTime64(9, 'UTC'),
    opened_at DateTime64(9, 'UTC'),
    updated_at DateTime64(9, 'UTC'),
    closed_at Nullable(DateTime64(9, 'UTC')),
    closed_reason String,
    closed_by String,
    size Float64,
    size_u Float64 COMMENT 'expanded, k = 2',
    size_unit LowCardinality(String),
    cause_fault Array(LowCardinality(String)),
    cause_probability Array(Float64),
    cause_size Array(Float64),
    cause_size_u Array(Float64) COMMENT 'expanded, k = 2',
    cause_unit Array(LowCardinality(String)),
    next_check String,
    evidence String,
    epoch String,
    code_version LowCardinality(String),
    present UInt8 DEFAULT 1 COMMENT '0: a newer computation does not have this row'
)
ENGINE = ReplacingMergeTree
ORDER BY flag_id
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'Flags on cells and reference cars'
