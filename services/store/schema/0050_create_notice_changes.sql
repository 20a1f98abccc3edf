-- Changes of state that people are told of: of flags, agents, checks and spools.
-- Raw, append only: what is told depends on what was told before.
-- Rows a day: a handful a site; a link that comes and goes gives two each time.
-- Sort key: the identity, so that replicas that note the same change at once note
-- it once; serves the latest change of each subject.
CREATE TABLE IF NOT EXISTS notice_changes
(
    subject String COMMENT 'flag/ID, agent/CELL, check/CELL, spool/CELL',
    ordinal UInt32 COMMENT 'of the subject''s changes, from 1',
    state LowCardinality(String) COMMENT 'a flag''s kind while it is open, else closed or withdrawn; silent, heard; overdue, done; growing, drained',
    wants_action Bool COMMENT 'the state is one that somebody must end',
    quiet Bool COMMENT 'known, and not to be told: the same finding under another id, or settled before the first start',
    seen_at DateTime64(9, 'UTC'),
    since DateTime64(9, 'UTC') COMMENT 'from when the state holds',
    site_id LowCardinality(String) COMMENT 'empty: of no site, as a reference car',
    cell_id LowCardinality(String),
    car_id LowCardinality(String),
    flag_id String,
    size Float64,
    size_u Float64 COMMENT 'expanded, k = 2',
    size_unit LowCardinality(String),
    cause LowCardinality(String),
    cause_probability Float64,
    touched_pulls UInt32,
    detail String COMMENT 'what was seen',
    next_check String
)
ENGINE = ReplacingMergeTree
ORDER BY (subject, ordinal)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Changes of state that people are told of'
