-- The hours of the heartbeats that were there before. An hour that is there twice
-- is one with the greater number.
INSERT INTO spool_hours (cell_id, hour, spool_messages)
SELECT cell_id, toStartOfHour(toDateTime(received_at, 'UTC')) AS hour, max(spool_messages)
FROM heartbeats
GROUP BY cell_id, hour
