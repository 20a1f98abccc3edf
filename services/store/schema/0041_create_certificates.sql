-- Certificates as they were signed, a row a version. Raw, append only: nothing
-- here is ever changed or computed anew. A version is inserted with number and
-- version as the deduplication token, so there is one of each.
-- Rows a day: a handful; about 100 kB each.
-- Sort key: the number and version, for one certificate; lists read the small
-- columns only.
CREATE TABLE IF NOT EXISTS certificates
(
    number String,
    version UInt32,
    cell_id LowCardinality(String),
    kind UInt8 COMMENT 'of the check',
    check_ids Array(String) COMMENT 'as found first',
    performed_at DateTime64(9, 'UTC') COMMENT 'of the first check',
    verdict LowCardinality(String) COMMENT 'of the last check: as left where there is one',
    signed_at DateTime64(9, 'UTC'),
    signed_by String,
    reason String COMMENT 'why the version before was replaced; empty for version 1',
    json String COMMENT 'the document, these very bytes' CODEC(ZSTD(3)),
    json_sha256 String,
    html String COMMENT 'the document as part of a page' CODEC(ZSTD(3)),
    html_sha256 String,
    pdf String CODEC(ZSTD(1)),
    pdf_sha256 String
)
ENGINE = MergeTree
ORDER BY (number, version)
SETTINGS non_replicated_deduplication_window = 10000, fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1
COMMENT 'Certificates as they were signed, a row a version'
