// Package watch follows a fleet run by run with the state-space model and says,
// of each reference run, what it makes of its cell.
//
// In: the fleet's history and the cells' tolerances. Out: one Step per run that
// knows only itself and what came before: the innovation against a cell that is
// steady, the CUSUM's sides, the weight of evidence, the cell's offset with all changes weighed that may
// stand behind it, its probability to be out of tolerance, and when it will be.
// It stands between fleetstate and flag.
//
// # The decision layer
//
// "Drifting" is the weight of evidence of a change above its limit: Shiryaev and
// Roberts' statistic R = Σ_k Λ_k, Λ_k how many times likelier all that was seen since
// is if one error of the cell began to change at its k-th moment, as a step or a ramp
// of whatever size and kind (fleetstate.CauseSettings), than if nothing did or a
// reference car changed. While nothing does, R − n is a martingale, so that its mean
// run length to a limit A is at least A, and A over a constant for what R overshoots
// by (Pollak, Ann. Statist. 15, 1987, from memory). The constant, Settings.LimitShare,
// was measured on the verdict bench's fleets: with A = 0.19·L a cell at which
// nothing is wrong signals once in some L runs. Of the reference cars the same.
//
// Why not the CUSUM alone: beside it on the same 40 fleets, at the same 0.08 false
// flags a cell and year, the mean delay was 4.9 weeks where the best pair of CUSUMs
// took 7.7. A CUSUM of band means does not see the shape of a fault, nor, once some of
// the change is in what it expects, the rest. One is still kept, for the eye and
// to say when weighing changes is worth its time.
//
// "Out of tolerance" is the posterior probability that the offset is beyond the
// tolerance. A cell is nearly always steady, and the walk of its errors is
// estimated accordingly small: after a sudden change the filter alone would lag
// for months and be sure of what it says. So, from the moment the CUSUM is on its way,
// the offset is the mean over none and every step and ramp of every error at every
// visit, each by its posterior weight (fleetstate.Fit.Forecast), and its
// uncertainty holds their spread.
package watch
