// Package drift holds what is said of each reference run (Step), and the CUSUM by
// which a cell is found to drift.
//
// In: standardised innovations, and the false-flag rate that is asked for. Out: the
// CUSUM's sides, its limit, its run lengths. Package watch makes the steps from the
// state-space model of the fleet; flag decides by them.
package drift
