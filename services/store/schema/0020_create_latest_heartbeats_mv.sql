-- Copies each heartbeat into latest_heartbeats, where the newest of a cell stays.
CREATE MATERIALIZED VIEW IF NOT EXISTS latest_heartbeats_mv TO latest_heartbeats AS
SELECT
    cell_id,
    sent_at,
    received_at,
    spool_messages,
    spool_bytes,
    spool_oldest_at,
    rejected_files,
    set_aside_messages,
    agent_version
FROM heartbeats
