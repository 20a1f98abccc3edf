//go:build race

package drifttest

// RaceDetector says that the race detector slows everything down about tenfold.
const RaceDetector = true
