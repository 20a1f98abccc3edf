// Package e2e holds the end-to-end test: real service, engine and agents, each
// a process, with the link cut and every part killed on the way.
package e2e
