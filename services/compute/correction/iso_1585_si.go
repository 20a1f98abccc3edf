package correction

// iso1585SI returns the factor for spark ignition,
//
//	αa = (99 kPa/p)^1.2·(T/298)^0.6
//
// p dry pressure, T = t + 273.
//
// Range: 0.93 ≤ αa ≤ 1.07, dry pressure 80 to 110 kPa, intake air 15 to 35 °C.
// Source: ISO 1585 and UN Regulation No. 85, Annex 5, 5.4.1; exponents and
// ranges from memory.
func iso1585SI(c Conditions) (Result, error) {
	var r Result
	r.Factor, r.DPressure, r.DTemperature = power(c, 1.2, 0.6)
	r.judge("ISO 1585 spark ignition",
		span{"factor", 0.93, 1.07, r.Factor, showFactor},
		span{"dry pressure", 80e3, 110e3, c.DryPressure, showPressure},
		span{"intake air", 273.15 + 15, 273.15 + 35, c.Temperature, showTemperature})
	return r, nil
}
