// Package engine runs the embedded ClickHouse engine: a pinned shared library
// that is loaded into a process of its own and from then on is a ClickHouse
// server on two loopback ports.
//
// Two halves:
//
//   - Main is the body of `rollcall engine`. It loads the library without cgo,
//     starts the server, proves it with an authenticated query on both ports,
//     prints one line of JSON, and stays until it is told to stop.
//   - Supervisor, used by `rollcall serve`, starts that program as a child,
//     restarts it with back-off when it dies and stops it in order. The end of
//     the engine is not the end of the service, nor the other way round.
//
// The data folder:
//
//	DATADIR/lock          held (flock) by the one engine that may use the folder;
//	                      a note in it says which process that is
//	DATADIR/password      of the user the service works as, 0600, made once
//	DATADIR/reader        of the user dashboards read as, 0600, made once
//	DATADIR/ports.json    the ports last used, used again when they are free
//	DATADIR/config.xml    written at every start
//	DATADIR/users.xml     written at every start
//	DATADIR/clickhouse/   the engine's own files
//
// How the library is started, and why so: it is given a pseudo-terminal as its
// standard input and --interactive. Without them it ends the whole process at
// the first exception that leaves a connection's thread, and a wrong password
// or a stray byte on a port is such an exception.
package engine
