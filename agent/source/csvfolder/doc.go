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
// FOLDER/.taken remembers the content of files taken, see below; a reason is
// removed when the mended file of the name has been taken.
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
// The id of a record is made from everything that makes it what it is, so that
// one id never stands for two: the first 16 bytes, in hexadecimal, of the
// SHA-256 of a text, one line for each value,
//
//	pull
//	cell_id "fen-1"
//	kind "pull"
//	started_at "2027-03-04T09:15:00Z"
//	car_id "hazel"
//	label "s1"
//	session ""
//	customer_car ""
//	ramp_rate_rad_s2 "31.4159265359"
//	rotating_mass_kg ""
//	coasting_mass_kg ""
//	correction ""
//	file SHA-256 of the file's bytes, in hexadecimal
//
// with the kinds as in a mapping (pull, coast_down, empty_coast_down), and before
// the file's line set_up, charging and displacement_m3 in this order, each only
// where the file says it; or
//
//	check
//	cell_id "fen-1"
//	kind "dead_weight"
//	state "as_found"
//	performed_at "2027-03-04T09:15:00Z"
//	performed_by "mw"
//	air_pressure_pa ""
//	air_temperature_k ""
//	relative_humidity ""
//	note ""
//	file SHA-256 of the file's bytes, in hexadecimal
//
// with the kinds dead_weight, zero, shunt, zero_turning, transfer, torque,
// base_inertia, and after note, where the file says it, standard_id,
// arm_angle_rad, adjusted ("true", "false") and effective_at. Texts are quoted as Go quotes them
// (strconv.Quote), times are UTC, RFC 3339 without trailing zeros of a second,
// numbers have at most twelve digits (format %.12g), and nothing stands
// between the quotes for what the file does not say.
//
// # The same bytes twice
//
// A file given again with the same particulars is the same record: it is sent
// again, which is harmless. The same bytes with other particulars, under
// another name for instance, are almost surely a slip: FOLDER/.taken remembers
// the content of the last 20 000 files taken, and such a file is rejected. For
// checks the time counts as content, for two checks may well read the same.
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
