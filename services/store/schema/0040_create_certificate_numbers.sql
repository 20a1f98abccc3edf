-- Numbers given to certificates, a row each. Raw, append only. A number is
-- taken by inserting it with itself as the deduplication token: of two inserts
-- of one number the server keeps the first, so whoever reads its row back knows
-- whose it is. The window holds the numbers of the last inserts; what left it
-- is found by reading, which comes first.
-- Rows a day: a handful.
-- Sort key: the cell and year, whose rows are read whole when a number is taken.
CREATE TABLE IF NOT EXISTS certificate_numbers
(
    cell_id LowCardinality(String),
    year UInt16,
    running UInt32 COMMENT 'within the cell and year, from 1',
    number String,
    check_ids Array(String) COMMENT 'the checks it is for, as found first',
    taken_at DateTime64(9, 'UTC'),
    taken_by String
)
ENGINE = MergeTree
ORDER BY (cell_id, year, running)
SETTINGS non_replicated_deduplication_window = 10000, fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Numbers given to certificates'
