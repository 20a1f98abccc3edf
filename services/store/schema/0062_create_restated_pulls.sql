-- The pulls of a restatement, each with its headline figures as they were stated
-- and as they are restated. Raw, append only. A row counts once its act stands in
-- restatements, which is inserted after them.
-- Rows: some hundred a restatement.
-- Sort key: the identity, by restatement, for the reading of one; those of one pull
-- are found by going through all, which are few.
CREATE TABLE IF NOT EXISTS restated_pulls
(
    restatement_id String,
    pull_id String,
    flag_id String,
    started_at DateTime64(9, 'UTC'),
    cell_id LowCardinality(String),
    customer_car String,
    restated Bool COMMENT 'false: it is kept as it was stated, note says why',
    way LowCardinality(String) COMMENT 'by cause: from the samples with the error put right; by effect: by a share of the stated figure',
    note String CODEC(ZSTD(1)),
    cause LowCardinality(String) COMMENT 'the likeliest of the flag''s causes',
    cause_probability Float64,
    size Nullable(Float64) COMMENT 'the error at the pull''s time that was put right, in size_unit',
    size_u Nullable(Float64) COMMENT 'expanded, k = 2',
    size_unit LowCardinality(String),
    size_from LowCardinality(String) COMMENT 'checks, runs, flag',
    effect Float64 COMMENT 'lookback''s relative effect on the stated power',
    effect_u Float64 COMMENT 'expanded, k = 2',
    figure Array(LowCardinality(String)),
    figure_of Array(LowCardinality(String)) COMMENT 'peak, band mean',
    unit Array(LowCardinality(String)),
    stated Array(Float64),
    stated_u Array(Float64) COMMENT 'expanded, k = 2; likewise all that end in u',
    restated_value Array(Nullable(Float64)),
    restated_u Array(Nullable(Float64)),
    difference Array(Nullable(Float64)) COMMENT 'restated less stated',
    difference_u Array(Nullable(Float64)),
    epoch String COMMENT 'the load-cell calibration the stated figures were computed with; likewise the next two',
    base_inertia_epoch String,
    parasitic_epoch String,
    code_version LowCardinality(String)
)
ENGINE = ReplacingMergeTree
ORDER BY (restatement_id, pull_id)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Pulls with their figures as stated and as restated'
