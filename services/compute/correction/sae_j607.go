package correction

import "math"

// The reference air of SAE J607: 29.92 inHg dry and 60 °F. The pressure is
// taken as 101.325 kPa (29.92 inHg at 0 °C is 101.32 kPa: the same to 4e-5).
const (
	j607Pressure    = 101325.0               // Pa, dry
	j607Temperature = (60 + 459.67) * 5. / 9 // K
)

// saeJ607 returns the factor
//
//	C = (101.325 kPa/p)·√(T/288.71 K)
//
// p dry pressure, T absolute. The whole power is taken to follow the air, not
// the indicated part alone, and the reference air is dense: the figure is about
// 4 % above SAE J1349's in the same air.
//
// The standard is withdrawn and no range of it is known here. The factor is
// judged by C/C(99 kPa, 25 °C) within 0.93 to 1.07.
// Source: SAE J607, as open implementations have it; range common practice, no
// source.
func saeJ607(c Conditions) (Result, error) {
	f := j607Pressure / c.DryPressure * math.Sqrt(c.Temperature/j607Temperature)
	r := Result{Factor: f, DPressure: -f / c.DryPressure, DTemperature: f / (2 * c.Temperature)}
	usual := j607Pressure / referencePressure * math.Sqrt((referenceTemperature+kelvinShift)/j607Temperature)
	r.judge("SAE J607", span{"factor", mildLow * usual, mildHigh * usual, f, showFactor})
	return r, nil
}
