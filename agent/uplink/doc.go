// Package uplink sends what is in the spool to the service and does with each
// message what its answer says.
//
//	source -> Sink -> spool -> Uplink ==gRPC IngestService.Stream==> service
//
// # Passes
//
// Messages go in the order of the spool, from the first that is not
// acknowledged, as many at a time as the window allows. A message leaves the
// spool when it is answered OK, or when it has been written to the aside
// folder. Whatever else happens it stays, and is sent again in the next pass,
// which starts once every message under way has its answer or the stream is
// gone. What answers mean is the table wire.Dispose:
//
//	stored                  delete
//	wrong in itself         set aside with the reason, go on
//	not known to registry   keep, go on with the others, next pass slowly;
//	                        after HeldMost of them nothing more is sent until
//	                        then; set aside when somebody asked for it (AskAside)
//	certificate             keep all, stop, next pass slowly on a new connection
//	later                   keep all, stop, next pass after backoff or retry_after
//	fault of the service    as later; when the same message was the first to
//	                        fail in Tries passes it is set aside as unexplained
//
// A stream that ends concerns no message (wire.StreamCode), with one
// exception. When streams that began well end twice with no message getting
// through, messages go one at a time; one that then ends the stream by itself
// Tries times, with a status that a link does not make, is set aside as
// unexplained: otherwise a message too large for the service would hold up
// everything for ever.
//
// # Bytes
//
// A spooled payload is a StreamRequest without its sequence. It is sent as it
// is, with the sequence field appended, through a codec of our own, and decoded
// only to describe one that was refused. Memory is bounded by one message and
// gRPC's own buffers, whatever the spool holds: a message that has to go again
// is read from the disk again.
package uplink
