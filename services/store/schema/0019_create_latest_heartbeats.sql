-- The newest heartbeat of each cell. Filled by latest_heartbeats_mv.
-- Rows: one a cell once merged.
-- Sort key: the identity; the whole table is read.
-- Not synced to disk, as heartbeats are not.
CREATE TABLE IF NOT EXISTS latest_heartbeats
(
    cell_id LowCardinality(String),
    sent_at DateTime64(9, 'UTC'),
    received_at DateTime64(9, 'UTC'),
    spool_messages UInt64,
    spool_bytes UInt64,
    spool_oldest_at Nullable(DateTime64(9, 'UTC')),
    rejected_files UInt64,
    set_aside_messages UInt64,
    agent_version LowCardinality(String)
)
ENGINE = ReplacingMergeTree(received_at)
ORDER BY cell_id
COMMENT 'The newest heartbeat of each cell'
