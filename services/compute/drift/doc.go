// Package drift compares the cells of a fleet through their reference cars.
//
// In: the reference runs of the fleet (refrun.Run) and the moments at which a
// cell was calibrated anew. Out: one Step per reference run (what the fleet
// expected of it, how far off it was, the cell's CUSUM and offset after it) and
// an Estimate of every cell and car as of the last run. It stands between
// refrun and flag.
//
// The model is a crossed one, static within a trailing window: reference car ×
// cell × session × pull, fitted by REML (crossed.go, reml.go). The decision
// that a cell drifts is a CUSUM on its standardised innovations whose limit
// follows from the false-flag rate that is asked for (cusum.go).
package drift
