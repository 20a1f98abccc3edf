// Package coastdown measures loss forces from coast-downs: of a car in neutral
// (driveline and tyres), or of the empty rollers (parasitic loss).
//
// In: roller speed, residual brake force, equivalent mass. Out: F0, F1, F2 of
// the loss force with their covariance, and coast times in closed form. It sits
// between channel and powercurve.
package coastdown

import (
	"errors"

	"rollcall/services/compute/channel"
	"rollcall/services/fleet"
)

// Input is one coast-down, cut to the part where nothing drives the rollers.
type Input struct {
	Speed channel.Series // m/s at the roller surface
	Brake channel.Series // N at the roller surface, positive when it slows; empty: none
	Mass  float64        // kg, equivalent mass at the roller surface of all that turns
}

// Fit is a measured loss force
//
//	F(v) = F0 + F1·v + F2·v²
type Fit struct {
	Loss      fleet.Loss
	Cov       [3][3]float64 // of F0, F1, F2 from noise; the mass's uncertainty is not in it
	Mass      float64       // kg, as given
	SpeedLow  float64       // m/s, slowest in the fit
	SpeedHigh float64       // m/s, fastest in the fit
	Span      channel.Span
	Samples   int
	Noise     float64 // m/s, standard deviation of the speed about the fit
	Brake     float64 // N, mean residual brake force
}

// The reasons why a coast-down cannot be fitted.
var (
	ErrShort = errors.New("coastdown: too short")
	ErrMass  = errors.New("coastdown: mass is not positive")
)

// At returns the loss force at speed v, N.
func (f Fit) At(v float64) float64 { return f.Loss.At(v) }

// U returns the standard uncertainty of the loss force at speed v that the
// noise of the fit gives, N.
func (f Fit) U(v float64) float64 { panic("not built yet") }

// Regress returns the loss force of a coast-down.
func Regress(in Input) (Fit, error) { panic("not built yet") }

// Time returns the time to coast from speed v1 down to v2, s.
func Time(l fleet.Loss, mass, v1, v2 float64) (float64, error) { panic("not built yet") }
