-- The most messages that waited at each cell in each hour, from its heartbeats.
-- Filled by spool_hours_mv. Serves charts over months, for which heartbeats are too
-- many and are not kept.
-- Rows a day: 24 a cell.
-- Sort key: serves one cell's history; an hour has one row once merged.
-- Not synced to disk, as heartbeats are not.
CREATE TABLE IF NOT EXISTS spool_hours
(
    cell_id LowCardinality(String),
    hour DateTime('UTC') CODEC(Delta, ZSTD(1)),
    spool_messages SimpleAggregateFunction(max, UInt64) CODEC(T64, ZSTD(1))
)
ENGINE = AggregatingMergeTree
PARTITION BY toYear(hour)
ORDER BY (cell_id, hour)
TTL hour + INTERVAL 2 YEAR
COMMENT 'The most messages that waited at each cell in each hour'
