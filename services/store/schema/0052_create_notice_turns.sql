-- Which replicas of the service live, so that one of them sends the notices. Kept
-- for a day.
-- Rows a day: 8640 a replica at one in 10 s.
-- Sort key: the identity; at is the server's clock, which is one for all.
CREATE TABLE IF NOT EXISTS notice_turns
(
    replica String,
    started_at DateTime64(9, 'UTC'),
    at DateTime64(9, 'UTC'),
    leaving Bool
)
ENGINE = ReplacingMergeTree(at)
ORDER BY replica
TTL toDateTime(at) + INTERVAL 1 DAY
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'Which replicas of the service live'
