-- Keeps of each cell's heartbeats the most that waited in an hour.
CREATE MATERIALIZED VIEW IF NOT EXISTS spool_hours_mv TO spool_hours AS
SELECT
    cell_id,
    toStartOfHour(toDateTime(received_at, 'UTC')) AS hour,
    max(spool_messages) AS spool_messages
FROM heartbeats
GROUP BY cell_id, hour
