-- How each cell's agent is. Kept for a time only.
-- Rows a day: 2880 a cell at one in 30 s.
-- Sort key: serves one cell's history. Times are the service's: an agent's clock
-- may be anything, and must neither make partitions nor keep rows for ever.
-- Not synced to disk: a lost minute of heartbeats is of no consequence.
CREATE TABLE IF NOT EXISTS heartbeats
(
    cell_id LowCardinality(String),
    sent_at DateTime64(9, 'UTC') CODEC(Delta, ZSTD(1)),
    received_at DateTime64(9, 'UTC') CODEC(Delta, ZSTD(1)),
    spool_messages UInt64 CODEC(T64, ZSTD(1)),
    spool_bytes UInt64 CODEC(T64, ZSTD(1)),
    spool_oldest_at Nullable(DateTime64(9, 'UTC')),
    rejected_files UInt64 CODEC(T64, ZSTD(1)),
    set_aside_messages UInt64 CODEC(T64, ZSTD(1)),
    agent_version LowCardinality(String)
)
ENGINE = ReplacingMergeTree
PARTITION BY toYYYYMM(received_at)
ORDER BY (cell_id, received_at)
TTL toDateTime(received_at) + INTERVAL {{.HeartbeatDays}} DAY
COMMENT 'How each cell''s agent is'
