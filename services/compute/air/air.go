// Package air computes the properties of the humid air in a cell.
//
// In: pressure, temperature and relative humidity as the cell's sensors read
// them. Out: the dry-air pressure that the correction standards ask for
// (package correction) and the density that lifts a check mass (package
// loadcell). It stands at the start of the flow and imports nothing of ours.
//
// Formula: CIPM-2007, A. Picard, R. S. Davis, M. Gläser, K. Fujii, Revised
// formula for the density of moist air, Metrologia 45 (2008) 149–155, with a
// carbon dioxide fraction of 400 ppm. Its relative standard uncertainty is
// 22e-6 (same paper, from memory) inside 60 to 110 kPa and 15 to 27 °C;
// outside that range the figures are still given and Judge says so.
package air

import (
	"fmt"
	"math"
	"strings"
)

// Air is humid air.
type Air struct {
	Pressure    float64 // Pa, absolute
	Temperature float64 // K
	Humidity    float64 // relative humidity, 0…1
}

// The constants of the CIPM-2007 formula: saturation vapour pressure, eq. A1.1.
const (
	satA = 1.2378847e-5  // K⁻²
	satB = -1.9121316e-2 // K⁻¹
	satC = 33.93711047
	satD = -6.3431645e3 // K
)

// Enhancement factor, appendix A1.2.
const (
	enhAlpha = 1.00062
	enhBeta  = 3.14e-8 // Pa⁻¹
	enhGamma = 5.6e-7  // K⁻²
)

// Compressibility factor, appendix A1.4.
const (
	zA0 = 1.58123e-6 // K·Pa⁻¹
	zA1 = -2.9331e-8 // Pa⁻¹
	zA2 = 1.1043e-10 // K⁻¹·Pa⁻¹
	zB0 = 5.707e-6   // K·Pa⁻¹
	zB1 = -2.051e-8  // Pa⁻¹
	zC0 = 1.9898e-4  // K·Pa⁻¹
	zC1 = -2.376e-6  // Pa⁻¹
	zD  = 1.83e-11   // K²·Pa⁻²
	zE  = -0.765e-8  // K²·Pa⁻²
)

// Molar masses and the gas constant, eqs. 1 to 3.
const (
	gasConstant = 8.314472    // J·mol⁻¹·K⁻¹
	molarDry    = 28.96546e-3 // kg/mol at 400 ppm carbon dioxide
	molarWater  = 18.01528e-3 // kg/mol
)

// zeroCelsius is 0 °C, K.
const zeroCelsius = 273.15

// FormulaUncertainty is the relative standard uncertainty of Density due to
// the formula alone. Source: as the package, section 3 (from memory).
const FormulaUncertainty = 22e-6

// SaturationPressure returns the saturation vapour pressure over water,
//
//	psv = exp(A·T² + B·T + C + D/T)
//
// T in K, psv in Pa. Source: CIPM-2007, eq. A1.1.
func SaturationPressure(temperature float64) float64 {
	t := temperature
	return math.Exp(satA*t*t + satB*t + satC + satD/t)
}

// Enhancement returns the factor by which water vapour in air exceeds the
// vapour over pure water,
//
//	f = α + β·p + γ·t²
//
// p in Pa, t in °C (the temperature argument is in K). Source: CIPM-2007, A1.2.
func Enhancement(pressure, temperature float64) float64 {
	t := temperature - zeroCelsius
	return enhAlpha + enhBeta*pressure + enhGamma*t*t
}

// VapourFraction returns the mole fraction of water vapour,
//
//	xv = h·f(p, t)·psv(T)/p
//
// h relative humidity 0…1. Source: CIPM-2007, A1.3.
func (a Air) VapourFraction() float64 { return a.VapourPressure() / a.Pressure }

// VapourPressure returns the partial pressure of the water vapour, h·f·psv, Pa.
func (a Air) VapourPressure() float64 {
	return a.Humidity * Enhancement(a.Pressure, a.Temperature) * SaturationPressure(a.Temperature)
}

// DryPressure returns the pressure of the air without its water vapour,
//
//	p_dry = p − h·f·psv
//
// Pa. The enhancement factor f (about 1.004) is kept: without it p_dry would
// be up to 0.02 % high. Source: CIPM-2007, A1.1 to A1.3.
func (a Air) DryPressure() float64 { return a.Pressure - a.VapourPressure() }

// Compressibility returns
//
//	Z = 1 − p/T·[a0 + a1·t + a2·t² + (b0 + b1·t)·xv + (c0 + c1·t)·xv²] + (p/T)²·(d + e·xv²)
//
// p in Pa, T in K, t in °C, xv the mole fraction of vapour.
// Source: CIPM-2007, A1.4.
func Compressibility(a Air) float64 {
	t := a.Temperature - zeroCelsius
	r := a.Pressure / a.Temperature
	x := a.VapourFraction()
	return 1 - r*(zA0+t*(zA1+t*zA2)+(zB0+zB1*t)*x+(zC0+zC1*t)*x*x) + r*r*(zD+zE*x*x)
}

// Density returns the density of humid air,
//
//	ρ = p·Ma/(Z·R·T)·[1 − xv·(1 − Mv/Ma)]
//
// kg/m³. The air must be possible (Validate); where the formula leaves its own
// range Judge says so. Source: CIPM-2007, eq. 1.
func Density(a Air) float64 {
	x := a.VapourFraction()
	return a.Pressure * molarDry / (Compressibility(a) * gasConstant * a.Temperature) * (1 - x*(1-molarWater/molarDry))
}

// Sensitivity holds the partial derivatives of a quantity with respect to the
// three readings of the air.
type Sensitivity struct {
	Pressure    float64 // per Pa
	Temperature float64 // per K
	Humidity    float64 // per 1 of relative humidity
}

// U returns the standard uncertainty for independent standard uncertainties of
// the three readings: √Σ(c·u)². Source: JCGM 100:2008, eq. 10.
func (s Sensitivity) U(pressure, temperature, humidity float64) float64 {
	return math.Hypot(math.Hypot(s.Pressure*pressure, s.Temperature*temperature), s.Humidity*humidity)
}

// DryPressureSensitivity returns the partial derivatives of DryPressure,
//
//	∂p_dry/∂p = 1 − h·β·psv
//	∂p_dry/∂T = −h·(2γt·psv + f·psv·(2AT + B − D/T²))
//	∂p_dry/∂h = −f·psv
func (a Air) DryPressureSensitivity() Sensitivity {
	T := a.Temperature
	psv, f := SaturationPressure(T), Enhancement(a.Pressure, T)
	dpsv := psv * (2*satA*T + satB - satD/(T*T))
	return Sensitivity{
		Pressure:    1 - a.Humidity*enhBeta*psv,
		Temperature: -a.Humidity * (2*enhGamma*(T-zeroCelsius)*psv + f*dpsv),
		Humidity:    -f * psv,
	}
}

// DensitySensitivity returns the partial derivatives of Density by central
// differences (steps 10 Pa, 0.01 K, 0.001); the formula is smooth and the
// truncation below 1e-6 of the derivative.
func DensitySensitivity(a Air) Sensitivity {
	diff := func(step float64, move func(*Air, float64)) float64 {
		up, down := a, a
		move(&up, step)
		move(&down, -step)
		return (Density(up) - Density(down)) / (2 * step)
	}
	return Sensitivity{
		Pressure:    diff(10, func(b *Air, d float64) { b.Pressure += d }),
		Temperature: diff(0.01, func(b *Air, d float64) { b.Temperature += d }),
		Humidity:    diff(0.001, func(b *Air, d float64) { b.Humidity += d }),
	}
}

// The bounds of what a cell on this planet can hold. They catch a wrong unit,
// not an unusual day. Common practice, no source.
const (
	leastPressure    = 30e3  // Pa
	mostPressure     = 120e3 // Pa
	leastTemperature = 223.15
	mostTemperature  = 343.15
)

// Validate returns nil for air a cell can hold, and else an error that says
// which reading is impossible and what may be the matter.
func (a Air) Validate() error {
	switch {
	case !finite(a.Pressure) || !finite(a.Temperature) || !finite(a.Humidity):
		return fmt.Errorf("air of %v Pa, %v K, humidity %v: a reading is not a number", a.Pressure, a.Temperature, a.Humidity)
	case a.Pressure < leastPressure || a.Pressure > mostPressure:
		return fmt.Errorf("air pressure %.6g Pa is not between 30 and 120 kPa: check the unit of the column (hPa, mbar, kPa?) and that the pressure is absolute", a.Pressure)
	case a.Temperature < leastTemperature || a.Temperature > mostTemperature:
		return fmt.Errorf("air temperature %.6g K (%.4g °C) is not between −50 and 70 °C: check the unit of the column (°C, °F?)", a.Temperature, a.Temperature-zeroCelsius)
	case a.Humidity < 0 || a.Humidity > 1:
		return fmt.Errorf("relative humidity %.6g is not between 0 and 1: check the unit of the column (%%?)", a.Humidity)
	}
	return nil
}

// Validity says whether a figure was computed inside the range of its formula.
type Validity struct {
	InRange bool
	Note    string // empty inside; else which quantity is outside and of what
}

// The range of CIPM-2007 (the paper, section 3; from memory). The ends belong
// to it.
const (
	rangePressureLow     = 60e3
	rangePressureHigh    = 110e3
	rangeTemperatureLow  = zeroCelsius + 15
	rangeTemperatureHigh = zeroCelsius + 27
)

// rangeGuard keeps an end of the range inside despite rounding, ratio.
const rangeGuard = 1e-12

// Judge says whether CIPM-2007 is inside its own range for this air. Outside,
// Density and DryPressure still hold to far better than a cell's sensors, but
// the stated 22e-6 is no longer vouched for.
func Judge(a Air) Validity {
	var out []string
	if a.Pressure < rangePressureLow*(1-rangeGuard) || a.Pressure > rangePressureHigh*(1+rangeGuard) {
		out = append(out, fmt.Sprintf("pressure %.2f kPa is outside 60 to 110 kPa", a.Pressure/1e3))
	}
	if a.Temperature < rangeTemperatureLow*(1-rangeGuard) || a.Temperature > rangeTemperatureHigh*(1+rangeGuard) {
		out = append(out, fmt.Sprintf("temperature %.1f °C is outside 15 to 27 °C", a.Temperature-zeroCelsius))
	}
	if len(out) == 0 {
		return Validity{InRange: true}
	}
	return Validity{Note: strings.Join(out, " and ") + " of CIPM-2007"}
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
