-- Samples, a row for each block of one channel of one pull. Raw, never changed.
-- Rows a day: 30 pulls a cell times 20 channels times 1 to 10 blocks.
-- Sort key: the identity, in the order in which a pull is read; the cell is part
-- of it, so that no cell can replace what another sent.
-- number[i] = offset + scale * counts[i], or number[i] = values[i].
-- The clock is uniform (start_s + i * step_s) where times_scale is 0 and
-- times_values is empty, else packed as the samples are.
-- Granules are small because a row is large: one pull is read without its
-- neighbours.
-- Codecs: measured on simulated pulls by BenchmarkCodecs. Bytes a value: T64('bit')
-- + ZSTD 0.83, DoubleDelta + ZSTD 0.96, Delta + ZSTD 1.05, T64 + ZSTD 1.10, ZSTD
-- 1.38, LZ4 2.14; none of the smaller ones is written or read faster.
CREATE TABLE IF NOT EXISTS sample_blocks
(
    pull_id String CODEC(ZSTD(1)),
    cell_id LowCardinality(String),
    channel LowCardinality(String),
    block_index UInt32,
    start_s Float64,
    step_s Float64,
    times_scale Float64,
    times_offset Float64,
    times_counts Array(Int32) CODEC(Delta, ZSTD(1)),
    times_values Array(Float64) CODEC(Delta, ZSTD(1)),
    scale Float64,
    offset Float64,
    counts Array(Int32) CODEC(T64('bit'), ZSTD(1)),
    values Array(Float64) CODEC(ZSTD(1)),
    sample_count UInt32,
    crc32c UInt32
)
ENGINE = ReplacingMergeTree
ORDER BY (pull_id, cell_id, channel, block_index)
SETTINGS index_granularity = 32, fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Samples, a row for each block of a channel'
