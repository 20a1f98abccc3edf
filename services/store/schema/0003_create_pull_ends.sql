-- What must have arrived of each pull. Raw, never changed. A pull's end is
-- inserted after its blocks, so a pull with an end is complete or damaged, not
-- under way.
-- Rows a day: as pulls.
-- Sort key: the identity; serves the join with pulls.
CREATE TABLE IF NOT EXISTS pull_ends
(
    pull_id String CODEC(ZSTD(1)),
    cell_id LowCardinality(String),
    blocks UInt32,
    samples UInt64,
    checksum UInt32,
    received_at DateTime64(9, 'UTC') CODEC(Delta, ZSTD(1))
)
ENGINE = ReplacingMergeTree
ORDER BY (pull_id, cell_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'What must have arrived of each pull'
