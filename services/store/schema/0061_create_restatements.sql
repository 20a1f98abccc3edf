-- What people had restated, by flag, and took back: the acts; their pulls are in
-- restated_pulls. Raw, append only: an act is never changed, a later one of the
-- same flag names the one it replaces. Of a flag's acts the latest counts.
-- Rows: some a month.
-- Sort key: the identity, by flag, for the reading of one flag.
CREATE TABLE IF NOT EXISTS restatements
(
    flag_id String,
    restated_at DateTime64(9, 'UTC'),
    restatement_id String,
    cell_id LowCardinality(String),
    restated_by String,
    reason String,
    taken_back Bool COMMENT 'the restatement that is replaced is taken back, and none takes its place',
    replaces String COMMENT 'the restatement_id of the act before; empty: the first',
    pulls UInt32 COMMENT 'rows in restated_pulls',
    kept UInt32 COMMENT 'of them those that could not be restated',
    code_version LowCardinality(String)
)
ENGINE = ReplacingMergeTree
ORDER BY (flag_id, restated_at, restatement_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Restatements of the pulls that flags touch, and their taking back'
