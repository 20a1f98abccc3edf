// Package store keeps everything Rollcall knows in ClickHouse, and reads it
// back. In: what the cells sent (raw) and what the computing packages made of
// it (computed). It sits between ingest, pipeline and query on one side and
// the database on the other; nothing else speaks SQL.
//
// # Two kinds of table
//
// Raw tables hold what was sent and are never changed: pulls, sample_blocks,
// pull_ends, calibration_checks, heartbeats, refusals, registry_versions,
// audit, flag_closings, loss_carries, restatements, restated_pulls. Their sort key is the identity of their content, and
// ReplacingMergeTree lets a row that is sent twice vanish: in the background
// when parts merge, and at once for every reader, who reads with FINAL.
// certificate_numbers and certificates are raw too, and a row of theirs is
// inserted once only: see TakeCertificateNumber.
//
// Computed tables can be rebuilt from the raw ones: curves, check_results,
// coastdown_results, runs, estimates, car_estimates, flags, touched_pulls,
// neighbour_findings.
// They hold neither the time of computing nor anything random, so that
// computing them again gives identical bytes; see DumpComputed. Rows that a
// newer computation no longer has are kept as tombstones (present = 0), which
// no reader sees.
//
// # Durability
//
// Append returns nil when every row is on disk: each insert is synced with its
// folder (fsync_after_insert, fsync_part_directory), and so are merged parts of
// raw tables. Heartbeats alone are not synced. A pull's end is inserted last, so whoever sees the end can read
// all its blocks.
//
// # Errors
//
// ErrUnavailable says that trying later may help: the database cannot be
// reached, is overloaded, or out of memory or disk.
package store
