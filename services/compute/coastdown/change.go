package coastdown

import "rollcall/services/fleet"

// Measured is a measured loss force with its uncertainty.
type Measured struct {
	Loss fleet.Loss
	Cov  [3][3]float64 // of F0, F1, F2
	// Scale is the relative standard uncertainty of what scales the whole force,
	// the mass that coasts.
	Scale               float64
	SpeedLow, SpeedHigh float64 // m/s
}

// Change is the change of a loss force against an earlier measurement.
type Change struct {
	Loss fleet.Loss    // now less then
	Cov  [3][3]float64 // of its coefficients
	// Points are over the speeds that both measured.
	Points []ChangePoint
	// Worst indexes the point with the largest change over its U.
	Worst    int
	Resolved bool    // the change as a whole is more than the noise explains
	P        float64 // probability of as large a change by chance
	// Mean is the mean change over the common speeds, N, and UMean expanded.
	Mean, UMean float64
	// Power is the mean over the common speeds of change times speed, W, UPower
	// expanded; PowerWithin says that it keeps the limit of 40 CFR 1066.260.
	Power, UPower float64
	PowerWithin   bool
	Says          string // a sentence
}

// ChangePoint is the change at one speed.
type ChangePoint struct {
	Speed    float64 // m/s
	Now      float64 // N
	Then     float64 // N
	Change   float64 // N
	U        float64 // N, expanded
	Resolved bool
}
