// Package rollcallv1 is the wire contract between cells, service and readers,
// version 1, and the Go code generated from it.
package rollcallv1

//go:generate sh -c "cd ../.. && go tool -modfile=../deploy/tools/go.mod buf generate"
