-- Losses that people had carried from a baseline pull to a later one, and took
-- back. Raw, never changed.
-- Rows: some a day.
-- Sort key: the identity. Of a pull's rows the latest counts; one without a
-- baseline takes the carrying back.
CREATE TABLE IF NOT EXISTS loss_carries
(
    pull_id String,
    decided_at DateTime64(9, 'UTC'),
    from_pull_id String COMMENT 'the baseline pull; empty: nothing is carried any more',
    cell_id LowCardinality(String),
    decided_by String,
    reason String
)
ENGINE = ReplacingMergeTree
ORDER BY (pull_id, decided_at, from_pull_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Losses that people had carried from pull to pull'
