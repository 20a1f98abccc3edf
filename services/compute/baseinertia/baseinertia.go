// Package baseinertia measures a cell's base inertia, the equivalent mass at
// the roller surface of all that turns, from timed runs of the empty rollers
// under known forces.
//
// In: a check of kind fleet.CheckBaseInertia, the registry's cell, the
// load-cell calibration in force. Out: the base inertia with its expanded
// uncertainty, each pair of runs' value, and the verdict against the value in
// the registry. It stands beside loadcell in the flow; package powercurve takes
// the mass.
//
// Two runs over the same speeds under different forces F_1, F_2 slow the
// rollers by a_1, a_2, and what the parasitic loss does in one it does in the
// other:
//
//	M = ((F_1 + F_par,1) − (F_2 + F_par,2))/(a_1 − a_2),  a = (v_from − v_to)/t
//
// F_par,k is the parasitic loss's mean over run k that gives its time,
// Δv/∫dv/(F_k + F_par(v)) − F_k; its constant part cancels.
//
// Source: 40 CFR 1066.250.
package baseinertia

import (
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Input is a base-inertia check with all it is judged by.
type Input struct {
	Check   fleet.Check
	Cell    fleet.Cell
	InForce loadcell.Calibration // of the load cell, through which the forces are known
}

// Result is the outcome of a base-inertia check.
type Result struct {
	Verdict  fleet.Verdict
	Reason   string // a sentence: why the verdict
	Findings []loadcell.Finding

	// Mass is the base inertia, kg, and U its expanded uncertainty, K times the
	// combined one. Valid says that they are given. Use them from Check.From()
	// on when the check is as left.
	Mass, U, K float64
	DoF        float64 // effective degrees of freedom; gum.Infinite when all are known
	Valid      bool
	Budget     []gum.Component // kg

	// Stated is the registry's base inertia, kg; 0: it has none. Deviation is
	// Mass against it, ratio, and UDeviation expanded.
	Stated                float64
	Deviation, UDeviation float64
	Risk                  float64 // that the decision on Deviation is wrong, 0…1

	Runs   []Run
	Values []Value
	Limits []Limit
	// Parasitic is the mean parasitic force that the runs themselves show, N,
	// and UParasitic expanded; what the registry's loss gives at the same speeds
	// is RegistryParasitic.
	Parasitic, UParasitic, RegistryParasitic float64
}

// Run is one timed run.
type Run struct {
	Index        int     // in the check's list of readings, from 0
	Force        float64 // N, as set, positive when it slows
	Parasitic    float64 // N, mean parasitic force by the registry's loss
	From, To     float64 // m/s
	Duration     float64 // s
	Deceleration float64 // m/s²
}

// Value is the base inertia of one pair of runs.
type Value struct {
	First, Second int     // indices into Runs
	Mass          float64 // kg
	// Deviation is from the registry's value, or from the mean where the
	// registry has none; ratio. Within says that it keeps its limit.
	Deviation float64
	Within    bool
}

// Limit is a limit of the regulation with what was found.
type Limit struct {
	Name   string
	Limit  float64 // ratio, or a count
	Value  float64
	Within bool
	Source string
}
