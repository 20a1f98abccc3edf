package correction

// mechanicalEfficiency is the default of SAE J1349 where the engine's friction
// is not measured.
const mechanicalEfficiency = 0.85

// saeJ1349 returns the factor for spark ignition,
//
//	ca = (99 kPa/p)·√(T/298)
//	cf = (ca − (1 − η))/η,  η = 0.85
//
// p dry pressure, T = t + 273. Only the indicated part of the power is taken
// to follow the air; friction is not. Often printed with η rounded, as
// 1.18·ca − 0.18, which differs by up to 0.03 % at the ends of the range.
//
// Range: 0.93 ≤ cf ≤ 1.07, dry pressure 90 to 105 kPa, intake air 15 to 35 °C.
// Source: SAE J1349 (2004 and later); ranges from memory.
func saeJ1349(c Conditions) (Result, error) {
	ca, dp, dT := power(c, 1, 0.5)
	r := Result{
		Factor:       (ca - (1 - mechanicalEfficiency)) / mechanicalEfficiency,
		DPressure:    dp / mechanicalEfficiency,
		DTemperature: dT / mechanicalEfficiency,
	}
	r.judge("SAE J1349",
		span{"factor", 0.93, 1.07, r.Factor, showFactor},
		span{"dry pressure", 90e3, 105e3, c.DryPressure, showPressure},
		span{"intake air", 273.15 + 15, 273.15 + 35, c.Temperature, showTemperature})
	return r, nil
}
