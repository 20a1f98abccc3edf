// Package watch follows a fleet run by run with the state-space model and says,
// of each reference run, what it makes of its cell.
//
// In: the fleet's history and the cells' tolerances. Out: one Step per run that
// knows only itself and what came before: the innovation against a cell that is
// steady, the CUSUMs' sides, the cell's offset with all changes weighed that may
// stand behind it, its probability to be out of tolerance, and when it will be.
// It stands between fleetstate and flag.
//
// # The decision layer
//
// "Drifting" is a two-sided CUSUM of the steady innovations above its limit. Two
// run side by side, K 0.4 and 1, and share the asked run length without cause;
// the limit of each is that of 1.62 times the run length of both together.
// Simulated with normal innovations, 4000 changes each: the mean delay over steps
// of 0.9 to 2.7 and ramps of 0.09 and 0.23 standard deviations (a run) is 6.02
// runs, with K 0.5 alone 6.11, with three of K 0.25, 0.5 and 1 6.11. More is not
// to be had by more CUSUMs.
//
// "Out of tolerance" is the posterior probability that the offset is beyond the
// tolerance. A cell is nearly always steady, and the walk of its errors is
// estimated accordingly small: after a sudden change the filter alone would lag
// for months and be sure of what it says. So, from the moment a CUSUM is on its way,
// the offset is the mean over none and every step and ramp of every error at every
// visit, each by its posterior weight (fleetstate.Fit.Forecast), and its
// uncertainty holds their spread.
package watch
