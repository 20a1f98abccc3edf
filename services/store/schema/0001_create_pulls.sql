-- Pulls and coast-downs as their cells announced them. Raw, never changed.
-- Rows a day: some 30 a cell.
-- Sort key: the identity is pull_id, which is made from the content and so always
-- has the same cell and time; cell and time stand before it for the lists by
-- cell and time. The Bloom filter serves the reading of one pull by its id.
CREATE TABLE IF NOT EXISTS pulls
(
    pull_id String CODEC(ZSTD(1)),
    cell_id LowCardinality(String),
    kind UInt8 COMMENT '1 pull, 2 coast-down of a car, 3 coast-down of the empty rollers',
    started_at DateTime64(9, 'UTC') CODEC(Delta, ZSTD(1)),
    car_id LowCardinality(String) COMMENT 'the reference car; empty: a customer''s car or none',
    label String COMMENT 'joins a separate coast-down to its pull' CODEC(ZSTD(1)),
    session LowCardinality(String) COMMENT 'name of the reference run',
    customer_car String CODEC(ZSTD(1)),
    ramp_rate_rad_s2 Nullable(Float64) COMMENT 'the sweep asked for, engine side',
    rotating_mass_kg Nullable(Float64),
    coasting_mass_kg Nullable(Float64),
    correction LowCardinality(String),
    channels Array(LowCardinality(String)),
    header Map(LowCardinality(String), String) CODEC(ZSTD(1)),
    agent_version LowCardinality(String),
    received_at DateTime64(9, 'UTC') CODEC(Delta, ZSTD(1)),
    INDEX pull_id_bloom pull_id TYPE bloom_filter(0.001) GRANULARITY 1
)
ENGINE = ReplacingMergeTree
ORDER BY (cell_id, started_at, pull_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Pulls and coast-downs as announced'
