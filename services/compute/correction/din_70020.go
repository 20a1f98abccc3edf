package correction

import "math"

// The reference air of DIN 70020.
const (
	dinPressure    = 101300.0 // Pa, 1013 mbar, with its vapour
	dinTemperature = 293.0    // K as the standard writes it, 20 °C
)

// din70020 returns the factor
//
//	k = (1013 mbar/p)·√(T/293)
//
// p air pressure with its vapour (the barometer, not the dry pressure), T = t +
// 273. Humid air is therefore not told from dry.
//
// The standard's part on power is withdrawn and no range of it is known here.
// The factor is judged by k/k(99 kPa, 25 °C) within 0.93 to 1.07.
// Source: DIN 70020 (classic text), from memory; range common practice, no
// source.
func din70020(c Conditions) (Result, error) {
	switch {
	case c.Barometer == 0:
		return Result{}, ErrBarometer
	case !(c.Barometer >= c.DryPressure && c.Barometer <= mostPressure):
		return Result{}, errBarometerRange(c)
	}
	T := c.Temperature - kelvinShift
	f := dinPressure / c.Barometer * math.Sqrt(T/dinTemperature)
	r := Result{Factor: f, DBarometer: -f / c.Barometer, DTemperature: f / (2 * T)}
	usual := dinPressure / referencePressure * math.Sqrt(referenceTemperature/dinTemperature)
	r.judge("DIN 70020", span{"factor", mildLow * usual, mildHigh * usual, f, showFactor})
	return r, nil
}
