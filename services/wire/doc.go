// Package wire stands between the wire contract (proto/rollcall/v1) and the
// nouns of fleet: it validates every message whole, naming the field and how
// to mend it, converts both ways, and holds what both ends of the stream must
// agree on: the checksums of blocks and pulls, and what an agent does with
// each answer.
//
// In: generated protobuf types. Out: fleet types, Block, End, Hello,
// Heartbeat. The agent imports it to pack and to obey, ingest to validate.
//
// A FromX function accepts only what is valid: ids of the right form, every
// number finite and within MaxMagnitude, times rising, every enumeration
// known. ToX of what FromX returned gives an equal message again, except that
// FromPullBegin names the session of a reference pull that has none.
package wire
