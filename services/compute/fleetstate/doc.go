// Package fleetstate is the state-space model of the whole fleet: which cell,
// since when, why, how sure.
package fleetstate
