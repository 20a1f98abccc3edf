-- Every change that a person made: who, when, what, before, after. Append only.
-- Rows a day: a handful.
-- Sort key: time, for the list; all columns that tell changes apart follow, so
-- that only a row written twice vanishes.
CREATE TABLE IF NOT EXISTS audit
(
    at DateTime64(9, 'UTC'),
    who String,
    what LowCardinality(String) COMMENT 'registry applied, flag closed, recomputed',
    subject String COMMENT 'of what, such as cell bath-1',
    before String CODEC(ZSTD(1)),
    after String CODEC(ZSTD(1))
)
ENGINE = ReplacingMergeTree
ORDER BY (at, who, what, subject)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Every change that a person made'
