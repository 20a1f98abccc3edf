-- Messages of agents that were refused, without their numbers. Append only.
-- Rows a day: none, when all is well.
-- Sort key: serves the list of a cell's refusals in time; a message refused twice
-- at different times is two rows.
CREATE TABLE IF NOT EXISTS refusals
(
    cell_id LowCardinality(String),
    refused_at DateTime64(9, 'UTC'),
    sequence UInt64,
    message LowCardinality(String) COMMENT 'kind of message, such as sample_block',
    code LowCardinality(String),
    field String,
    reason String CODEC(ZSTD(1)),
    size_bytes UInt64
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, refused_at, sequence)
TTL toDateTime(refused_at) + INTERVAL 5 YEAR
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'Messages of agents that were refused'
