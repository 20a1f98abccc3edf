package correction

import (
	"fmt"
	"math"
)

// iso1585CI returns the factor for compression ignition,
//
//	αd = fa^fm
//	fa = (99 kPa/p)·(T/298)^0.7         naturally aspirated or mechanically charged
//	fa = (99 kPa/p)^0.7·(T/298)^1.5     turbocharged
//
// p dry pressure, T = t + 273, fm by engineFactor.
//
// Range: 0.9 ≤ αd ≤ 1.1, dry pressure 80 to 110 kPa, intake air 10 to 40 °C;
// a charge pressure ratio below 1 is outside too.
// Source: ISO 1585 and UN Regulation No. 85, Annex 5, 5.4.2; fa and ranges
// from memory.
func iso1585CI(c Conditions) (Result, error) {
	if c.FuelDelivery == nil {
		return Result{}, ErrFuelDelivery
	}
	q := *c.FuelDelivery
	if !(q > 0 && q < math.Inf(1)) {
		return Result{}, fmt.Errorf("fuel delivery %.6g mg per litre and cycle is not a positive number", q)
	}
	ratio := 1.0
	switch {
	case c.ChargePressureRatio != nil:
		ratio = *c.ChargePressureRatio
		if !(ratio > 0 && ratio < math.Inf(1)) {
			return Result{}, fmt.Errorf("charge pressure ratio %.6g is not a positive number: it is absolute charge pressure over air pressure", ratio)
		}
	case c.Turbocharged:
		return Result{}, ErrChargePressure
	}

	m, n := 1.0, 0.7
	if c.Turbocharged {
		m, n = 0.7, 1.5
	}
	fa, dp, dT := power(c, m, n)
	fm := engineFactor(q / ratio)
	d := fm * math.Pow(fa, fm-1)
	r := Result{Factor: math.Pow(fa, fm), DPressure: d * dp, DTemperature: d * dT}
	r.judge("ISO 1585 compression ignition",
		span{"factor", 0.9, 1.1, r.Factor, showFactor},
		span{"dry pressure", 80e3, 110e3, c.DryPressure, showPressure},
		span{"intake air", 273.15 + 10, 273.15 + 40, c.Temperature, showTemperature},
		span{"charge pressure ratio", 1, math.MaxFloat64, ratio, showRatio})
	return r, nil
}

func showRatio(x float64) string {
	if x == math.MaxFloat64 {
		return "any higher"
	}
	return fmt.Sprintf("%.3g", x)
}

// engineFactor returns
//
//	fm = 0.036·qc − 1.14   for 40 ≤ qc ≤ 65
//	fm = 0.3 below, 1.2 above
//
// qc fuel delivery corrected for charge pressure, mg/(L·cycle). The line meets
// both ends, so fm is continuous; the ends are part of the standard, not a
// clip of ours. Source: UN Regulation No. 85, Annex 5, 5.4.2.2.
func engineFactor(qc float64) float64 {
	switch {
	case qc < 40:
		return 0.3
	case qc > 65:
		return 1.2
	}
	return 0.036*qc - 1.14
}
