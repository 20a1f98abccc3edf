// Package loadcell judges calibration checks of a cell's load cell.
//
// In: a check as it was made (fleet.Check), the registry's cell and check
// masses, local gravity, and the calibration in force. Out: zero error and
// gain error with expanded uncertainty, the error at every load, the verdict
// with guard band, and the calibration S(x) to use from then on when the check
// is as left. It stands beside the pull in the flow: package powercurve applies
// the Calibration, package drift takes the errors as observations of the
// cell's load-cell gain and zero.
//
// The model of the indicator is a line, or a curve of degree 2 or 3 where the
// readings ask for one (see Interpolation),
//
//	reading = Zero + (1 + Gain)·force + Quadratic·force² + Cubic·force³
//
// force in N at the lever arm. True force of a dead-weight reading:
//
//	F = Σ m·g·(1 − ρ_air/ρ_mass)·L_cal·cos θ/L
//
// with m the true mass that follows from the certificate's conventional mass
// and θ the calibration arm's angle off the horizontal. Beside a transfer load
// cell F is what that reads, against a torque reference F = T/L.
//
// The lever arm's uncertainty is part of the gain error's, because the error is
// one of force at the lever arm. Where that force is multiplied by the same
// lever arm L again to give torque, L cancels: GainBudget lists its share
// ("lever arm") so that it need not count twice.
//
// Sources: JCGM 100:2008 (GUM) for the uncertainties and H.3 for the line;
// OIML D 28:2004 for conventional mass; 40 CFR 1065.310 for the dead-weight
// procedure; ILAC-G8:09/2019 4.2.2 for the verdict (from memory).
package loadcell

import (
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// Calibration is the load-cell calibration S(x) of an epoch,
//
//	reading = Zero + (1 + Gain)·force
//
// and, of degree 2 or 3, + Quadratic·force² + Cubic·force³. The zero value is
// the identity: the indicator is taken as it is.
type Calibration struct {
	Epoch fleet.EpochID // id of the check that opened the epoch
	Since time.Time

	Zero float64 // N at the lever arm
	Gain float64 // ratio

	UZero       float64 // N, standard; doubled it covers as ±2σ do
	UGain       float64 // ratio, standard; likewise
	CovZeroGain float64 // N, covariance of Zero and Gain

	// Degree is 2 or 3 when the indicator is no straight line; 0 and 1 are one.
	// The rest is nought unless Degree is 2 or 3.
	Degree    int
	Quadratic float64 // 1/N
	Cubic     float64 // 1/N²
	// Cov is the covariance of Zero, Gain, Quadratic and Cubic, in that order;
	// its upper left corner is UZero², CovZeroGain, UGain².
	Cov [4][4]float64
	// Low and High are the loads the curve was fitted over, N. Beyond them it
	// goes on as its tangent.
	Low, High float64
}

// Calibrates reports whether a kind of check loads the load cell with forces
// that are known, so that it gives zero and gain, and a calibration as left.
func Calibrates(k fleet.CheckKind) bool {
	return k == fleet.CheckDeadWeight || k == fleet.CheckTransfer || k == fleet.CheckTorque
}

// Masses are check masses by id.
type Masses map[fleet.MassID]fleet.Mass

// Result is the outcome of a calibration check.
//
// Its errors are those of S(x), the force the cell would have stored. For a
// check as found, S is the calibration in force. For a check as left, S is the
// calibration this very check gives (AsLeft): the zero error and gain error
// are then nought by construction, with the U that remains, and the verdict
// says whether what is left (linearity, reversibility, U) is in tolerance.
// What the indicator itself read is in AsLeft either way.
type Result struct {
	Verdict fleet.Verdict
	Reason  string   // a sentence: why the verdict
	Notes   []string // sentences that do not change the verdict

	// ZeroError is the error at no load, N at the lever arm, positive when the
	// cell reads high; UZeroError expanded. Only when ZeroValid.
	ZeroError   float64
	UZeroError  float64
	ZeroValid   bool
	ZeroVerdict fleet.Verdict

	// GainError is the error in proportion to force, ratio, positive when the
	// cell reads high; UGainError expanded. Only when GainValid.
	GainError  float64
	UGainError float64
	GainValid  bool
	// ZeroBudget and GainBudget list the standard uncertainties behind the
	// two; Contribution is in N and as a ratio.
	ZeroBudget []gum.Component
	GainBudget []gum.Component

	Readings []Reading
	Points   []Point

	// Linearity is the largest distance of a load's mean from the fitted line,
	// Reversibility the largest difference falling less rising at one load,
	// Repeatability the largest spread of readings at one load and direction;
	// N at the lever arm, absolute.
	Linearity     float64
	Reversibility float64
	Repeatability float64

	Scatter    float64 // N, standard deviation of one reading about the fit
	DoF        int     // degrees of freedom of Scatter
	AirDensity float64 // kg/m³; 0 where no mass was weighed

	// AsLeft is the calibration to use from PerformedAt on when the check is
	// as left. Only when AsLeftValid; a shunt check gives none.
	AsLeft      Calibration
	AsLeftValid bool
	// Line is the indicator's straight line whatever degree AsLeft has; valid
	// as GainValid, and for a zero check its Zero alone.
	Line Calibration

	// Stated are the results with U, coverage factor, effective degrees of
	// freedom and budget, those that this check can give.
	Stated []Stated
	// Risk is the probability, 0…1, that the decision to accept (pass,
	// conditional pass) or to reject is wrong: that a true error is beyond its
	// tolerance though all were accepted, or that none is though it was
	// rejected. ZeroRisk and Point.Risk are those of one decision. Nought where
	// nothing was decided. Source: JCGM 106:2012, 9.3 (specific risk).
	Risk     float64
	ZeroRisk float64

	Interpolation *Interpolation // nil: too few loads
	Drift         *Drift         // nil: no earlier check to compare with
	Class         *Class         // nil: no table applies
	Senses        []Sense        // both, when both were loaded
	SpeedZeros    []SpeedZero    // zero with rollers turning, by speed
	CreepSteps    []CreepStep
	Preloads      []Reading // kept, not judged
	Findings      []Finding
}

// Reading is one reading with its error.
type Reading struct {
	Index     int // in the check's list of readings, from 0
	Cycle     int
	Direction fleet.Direction
	Load      float64 // N at the lever arm, true force
	Reading   float64 // N, as the indicator read
	Error     float64 // N, S(reading) − Load
}

// Point is the mean of the readings of one load and direction.
type Point struct {
	Load      float64 // N at the lever arm
	Direction fleet.Direction
	Count     int
	Error     float64 // N
	U         float64 // N, expanded
	Tolerance float64 // N; 0: below 20 % of the load cell's range, not judged
	Verdict   fleet.Verdict
	Risk      float64 // that the decision on this point is wrong, 0…1; see Result.Risk
	K         float64 // coverage factor of U
	DoF       float64 // effective degrees of freedom
	Budget    []gum.Component
}
