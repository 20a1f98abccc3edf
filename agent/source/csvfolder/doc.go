// Package csvfolder takes records out of CSV files that appear in a folder.
//
// In goes a folder into which a logger, an export or a person puts files, and
// a mapping (see Mapping) that says how such a file is read: so any logger's
// export can be taken without code. Out come the wire's messages, given to a
// source.Sink: PullBegin, SampleBlocks and PullEnd of a pull or coast-down, or
// one CalibrationCheck.
//
// # A file's way
//
//	FOLDER/NAME            left alone until size and time stand still for Settle
//	FOLDER/done/NAME       when all of it is durable in the spool (or deleted)
//	FOLDER/rejected/NAME   when it cannot be taken, with NAME.reason.txt beside
//	                       it: what is wrong, where, how to mend it
//
// Until one of the two has happened the file stays where it is, whatever ends
// the agent; taken up again it gives the same messages with the same ids. When
// the spool is full or cannot write the file stays too, an alarm is raised and
// it is tried again.
//
// # Two passes
//
// A file is read twice, line by line, with memory that does not grow with its
// size. The first pass checks everything and hashes the content; nothing is
// given on before it is through. The second makes the messages and hashes
// again: a file that changed in between gets no PullEnd and is read anew.
//
// # Ids
//
// The id of a record is the first 16 bytes, in hexadecimal, of the SHA-256 of
//
//	"pull\n"  + cell id + "\n" + kind + "\n" + the file's bytes
//	"check\n" + cell id + "\n" + kind + "\n" + the file's bytes
//
// with the kinds as in a mapping: pull, coast_down, empty_coast_down;
// dead_weight, zero, shunt.
//
// # Numbers
//
// A channel whose numbers all have at most nine decimals, and whose digits as
// whole numbers of its last decimal fit 32 bits, is sent as these whole
// numbers with the scale 10^−decimals in the column's unit: exactly the text.
// Any other channel is sent as float64, the nearest to the text.
// A channel's times are sent as a uniform clock when none is a microsecond off
// it, otherwise one by one.
package csvfolder
