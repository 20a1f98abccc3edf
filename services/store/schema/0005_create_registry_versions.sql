-- Versions of the registry's entries: what was true of a site, cell, car or mass
-- from effective_at on. Raw, append only.
-- Rows a day: a handful.
-- Sort key: the identity; the whole table is read.
CREATE TABLE IF NOT EXISTS registry_versions
(
    kind LowCardinality(String) COMMENT 'site, cell, car, mass',
    id String,
    effective_at DateTime64(9, 'UTC'),
    recorded_at DateTime64(9, 'UTC'),
    applied_by String,
    body String COMMENT 'JSON' CODEC(ZSTD(1))
)
ENGINE = ReplacingMergeTree
ORDER BY (kind, id, effective_at, recorded_at)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Versions of the registry''s entries'
