-- Flags closed by a signed reason. Raw, append only: flags are computed, the
-- closing of one is not.
-- Rows a day: a handful.
-- Sort key: the identity; the whole table is read.
CREATE TABLE IF NOT EXISTS flag_closings
(
    flag_id String,
    cell_id LowCardinality(String) COMMENT 'the flag''s cell, or',
    car_id LowCardinality(String) COMMENT 'its reference car',
    closed_at DateTime64(9, 'UTC'),
    closed_by String,
    reason String
)
ENGINE = ReplacingMergeTree
ORDER BY (flag_id, closed_at)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Flags closed by a signed reason'
