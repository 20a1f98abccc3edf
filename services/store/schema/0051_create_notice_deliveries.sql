-- What became of each notice: every attempt to send one, and what was settled
-- without one. Raw, append only.
-- Rows a day: as notice_changes, times receivers, and one an attempt that failed.
-- Sort key: time, for the list; all columns that tell attempts apart follow.
-- The arrays subject, ordinal and state hold one entry for each change listed.
CREATE TABLE IF NOT EXISTS notice_deliveries
(
    at DateTime64(9, 'UTC'),
    receiver LowCardinality(String),
    notice_key String COMMENT 'the idempotency key; empty: nothing was sent',
    outcome LowCardinality(String) COMMENT 'added (the receiver), sent, failed, given up, settled, carried (told under another flag''s id)',
    site_id LowCardinality(String),
    subject Array(String),
    ordinal Array(UInt32),
    state Array(LowCardinality(String)),
    answer String COMMENT 'what the receiver said, or the error',
    replica String
)
ENGINE = ReplacingMergeTree
ORDER BY (at, receiver, notice_key, outcome, replica)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'What became of each notice'
