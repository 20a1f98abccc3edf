-- What is to be said of a pull beside the pulls around it: its cell's air against
-- that of the site's other cells, its ramp against those of its session. Computed
-- from curves.
-- Rows: those of the pulls that something is to be said of.
-- Sort key: as curves, for a stretch of time of some cells.
CREATE TABLE IF NOT EXISTS neighbour_findings
(
    pull_id String CODEC(ZSTD(1)),
    cell_id LowCardinality(String),
    started_at DateTime64(9, 'UTC') CODEC(Delta, ZSTD(1)),
    finding_kind Array(LowCardinality(String)),
    finding_channel Array(LowCardinality(String)),
    finding_start_s Array(Float64),
    finding_end_s Array(Float64),
    finding_size Array(Float64),
    finding_unit Array(LowCardinality(String)),
    finding_disqualifying Array(Bool),
    finding_text Array(String) CODEC(ZSTD(1)),
    code_version LowCardinality(String),
    present UInt8 DEFAULT 1 COMMENT '0: a newer computation does not have this row',
    INDEX pull_id_bloom pull_id TYPE bloom_filter(0.001) GRANULARITY 1
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, started_at, pull_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'What is to be said of pulls beside those around them'
