// Package spool keeps messages on disk between the moment a source hands them
// over and the moment the service says they are durable. Bytes go in, get a
// sequence number, and come out in order until they are acknowledged; what
// they mean is not its business, and it knows no network.
//
//	source -> spool -> uplink ==gRPC==> service
//
// # Promise
//
// Append returns after fsync: what it returned nil for survives the end of the
// process at any instant and the loss of power (as far as the disk keeps what
// it confirmed). A message leaves the disk only after Ack. A message may be
// read again after a restart although it was acknowledged; resending is
// harmless because messages are identified by their content.
//
// # Files
//
// One folder holds
//
//	lock                       held by the one process that uses the folder
//	reserve                    64 KiB that can be given back when the disk is
//	                           full, so that acknowledging still works
//	cursor.json                what has been acknowledged
//	00000000000000000001.seg   segments, named by their first sequence number
//	00000000000000002817.seg   in 20 decimal digits, so that names sort
//	….bad                      a segment with damage, kept to be looked at
//	….torn                     a cut-off end that may have been a whole record
//
// Every number is little-endian. A segment is a header and records, each a
// multiple of 8 bytes long:
//
//	segment header, 24 bytes
//	 0        8                16           20           24
//	┌────────┬────────────────┬────────────┬────────────┐
//	│RCSPOOL1│ first sequence │ 0          │ CRC-32C    │
//	│ 8 bytes│ u64            │ u32        │ of 0…19    │
//	└────────┴────────────────┴────────────┴────────────┘
//
//	record, 24 + n + padding bytes
//	 0          4          8          16          24              24+n
//	┌──────────┬──────────┬──────────┬───────────┬───────────────┬─────────┐
//	│ length n │ CRC-32C  │ sequence │ time      │ payload       │ zeros   │
//	│ u32      │ u32      │ u64      │ i64 ns    │ n bytes, n ≥ 1│ 0…7     │
//	└──────────┴──────────┴──────────┴───────────┴───────────────┴─────────┘
//
// The record's CRC-32C (Castagnoli) covers everything of the record but
// itself: length, sequence, time, payload and padding. Time is when the record
// was appended, nanoseconds since 1970-01-01 UTC. Sequence numbers start at 1
// and rise by one. A record never crosses a segment, nor does a group of
// records handed to one Append. Length 0 and a length above the limit are not
// records: a run of zeros is an end.
//
// cursor.json is {"acked":n,"also":[[from,to],…],"crc32c":c}: everything up to
// n, and the ranges listed; c is the CRC-32C of the same line without it. It is replaced whole (temporary file, fsync, rename, fsync of
// the folder). Lost or unreadable, it means nothing is acknowledged.
//
// # Life of a segment
//
// A segment is created under its final name, its header written and synced,
// and then the folder synced: no rename is needed, which Windows could not
// make durable. Where the system can (Linux), its blocks are reserved before
// bytes are written, so that a full disk shows before a message is taken.
// Groups are appended, each with one fsync. Once the segment has reached its
// size the next is begun. When all its records are acknowledged it is deleted;
// on Windows an open file cannot be deleted, so deleting is tried again later
// when it fails (a reader or a virus scanner holds the file).
//
// # What Open does with damage
//
// It reads every segment, and never refuses to start because of one.
//
//   - A bad record at the end of the last segment is a torn tail: cut there,
//     counted, logged. Append never returned for it. If it is complete by its
//     length but its checksum is wrong the bytes cut are kept as .torn, because
//     then it may have been a whole record that rotted.
//   - A bad record anywhere else is damage. The records around it are still
//     delivered: the next good one is found by its checksum and sequence
//     number. The missing numbers are a Gap. When the good records have been
//     acknowledged the file is renamed .bad instead of deleted; a file with no
//     good record at all is renamed at once. (A loss of power that left a later
//     part of an unfinished group on the disk and not an earlier one looks the
//     same; then the gap names numbers that Append never returned.)
//   - After a failed fsync the segment is given up at what was durable before,
//     and the group is written again to a new segment under the same numbers;
//     the end of the old one, which may or may not be on the disk, is ignored:
//     a segment ends where the next one starts.
//
// Damage that appears later is handled by the reader in the same way.
//
// # Full
//
// The folder's segments never exceed MaxBytes. A group that does not fit, or
// that the disk has no space for, is refused whole with ErrFull: nothing is
// dropped, the caller keeps its copy and tries again. Files renamed .bad and
// .torn do not count.
package spool
