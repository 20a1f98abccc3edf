-- Parasitic losses that somebody adopted from a coast-down of the empty rollers,
-- by a signed reason. Raw, append only: the loss itself is computed.
-- Rows a day: a handful a year a cell.
-- Sort key: the identity; the whole table is read.
CREATE TABLE IF NOT EXISTS parasitic_adoptions
(
    pull_id String COMMENT 'of the coast-down',
    cell_id LowCardinality(String),
    effective_at DateTime64(9, 'UTC') COMMENT 'from when the loss holds',
    adopted_at DateTime64(9, 'UTC'),
    adopted_by String,
    reason String
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, effective_at, adopted_at, pull_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Parasitic losses adopted by a signed reason'
