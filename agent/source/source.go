// Package source says what a source of records is: something in or near the
// cell that yields pulls, coast-downs and calibration checks.
//
// In goes whatever the source reads (a folder of CSV files, an instrument);
// out come the wire's messages, in the order PullBegin, SampleBlocks, PullEnd,
// or one CalibrationCheck, handed to a Sink. The flow is
//
//	source -> spool -> uplink ==gRPC==> service
//
// A source lets go of its own copy (moves the file away) only after the Sink
// has said that everything of the record is durable. Ids are made from
// content, so giving a record twice is harmless.
package source

import (
	"context"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Sink takes messages and makes them durable.
type Sink interface {
	// Append returns nil when all requests are durable in the spool, in the
	// order given. On an error none, some or all of them may be; the source
	// keeps its copy, raises an alarm and gives the whole record again later.
	// The error is or wraps spool.ErrFull when the spool is full.
	//
	// The requests, and the slices in them, belong to the source and are
	// reused as soon as Append returns: a sink that keeps them makes a copy.
	// The sink fills in StreamRequest.sequence.
	Append(ctx context.Context, requests ...*rollcallv1.StreamRequest) error
}

// Source yields records until its context ends.
type Source interface {
	// Run blocks until ctx ends, and then returns nil, or until the source
	// cannot go on at all. A record that cannot be read is put aside with its
	// reason and is no error of Run.
	Run(ctx context.Context, sink Sink) error
}
