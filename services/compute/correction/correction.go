// Package correction computes the factor that carries a measured power to the
// standard air of a standard.
//
// In: the dry-air pressure (package air) and intake air temperature of a pull,
// and for compression-ignition engines the fuel delivery and charge pressure.
// Out: the factor, its partial derivatives for the uncertainty budget, and
// whether the standard vouches for it under these conditions. Package
// powercurve multiplies with it. One file a standard:
//
//	none.go                no correction
//	sae_j1349.go           SAE J1349, spark ignition
//	iso_1585_si.go         ISO 1585 and UN Regulation No. 85, spark ignition
//	iso_1585_ci.go         ISO 1585 and UN Regulation No. 85, compression ignition
//
// Outside a standard's own range the factor is still computed, never clipped;
// Result.InRange is then false and Result.Note says what is outside of what.
//
// The standards write temperatures as t + 273 and 298 (t in °C), not 273.15
// and 298.15. The factors here do the same: T − 0.15 K is put over 298.
//
// An engine that compensates ambient pressure and temperature by itself
// (closed-loop boost) must not be corrected a second time: UN R85 Supplement 7
// sets its factor to 1. For such a car choose fleet.CorrectionNone.
package correction

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"rollcall/services/fleet"
)

// Conditions are those a factor is computed for.
type Conditions struct {
	DryPressure float64 // Pa, barometer less the water vapour's partial pressure
	Temperature float64 // K, intake air

	// FuelDelivery is the fuel per cycle and litre of swept volume,
	// mg/(L·cycle); compression ignition only. For a four-stroke engine it is
	// 120000·(g/s)/(L·rpm) (UN R85, Annex 5, 5.4.2.2). Nil: not known.
	FuelDelivery *float64
	// ChargePressureRatio is absolute charge pressure over ambient pressure;
	// nil: not charged (1). Compression ignition only.
	ChargePressureRatio *float64
	// Turbocharged says the charger is driven by the exhaust; a mechanically
	// driven one counts as naturally aspirated. Compression ignition only.
	Turbocharged bool
}

// Result is a correction factor.
type Result struct {
	Standard fleet.Correction
	Factor   float64 // corrected power = Factor × measured power
	InRange  bool    // the standard vouches for the factor under these conditions
	Note     string  // empty in range; else what is outside of what

	DPressure    float64 // ∂Factor/∂DryPressure, 1/Pa
	DTemperature float64 // ∂Factor/∂Temperature, 1/K
}

// What may be missing for a compression-ignition engine.
var (
	ErrFuelDelivery   = errors.New("the fuel delivery (mg per litre of swept volume and cycle) is not known; without it the compression-ignition factor is not defined: give it, or ask for no correction")
	ErrChargePressure = errors.New("the charge pressure ratio of a turbocharged engine is not known; log boost and air pressure, or ask for no correction")
)

// Factor returns the correction factor of standard s under conditions c. It
// returns an error for an unknown standard, for conditions no air can have
// (the usual cause is a wrong unit), and ErrFuelDelivery or ErrChargePressure
// where a compression-ignition factor lacks its inputs.
func Factor(s fleet.Correction, c Conditions) (Result, error) {
	if s == fleet.CorrectionNone {
		return none(), nil
	}
	f, ok := map[fleet.Correction]func(Conditions) (Result, error){
		fleet.CorrectionSAEJ1349:  saeJ1349,
		fleet.CorrectionISO1585SI: iso1585SI,
		fleet.CorrectionISO1585CI: iso1585CI,
	}[s]
	if !ok {
		return Result{}, fmt.Errorf("correction %q is not known; choose %s, %s, %s or %s", s,
			fleet.CorrectionNone, fleet.CorrectionSAEJ1349, fleet.CorrectionISO1585SI, fleet.CorrectionISO1585CI)
	}
	if err := c.validate(); err != nil {
		return Result{}, fmt.Errorf("correct to %s: %w", s, err)
	}
	r, err := f(c)
	if err != nil {
		return Result{}, fmt.Errorf("correct to %s: %w", s, err)
	}
	r.Standard = s
	return r, nil
}

// The bounds of what can be air at an engine. They catch a wrong unit, not an
// unusual day. Common practice, no source.
const (
	leastPressure    = 30e3 // Pa
	mostPressure     = 150e3
	leastTemperature = 223.15 // K
	mostTemperature  = 423.15
)

func (c Conditions) validate() error {
	switch {
	case !(c.DryPressure >= leastPressure && c.DryPressure <= mostPressure):
		return fmt.Errorf("dry air pressure %.6g Pa is not between 30 and 150 kPa: check the unit (hPa, kPa?) and that the pressure is absolute", c.DryPressure)
	case !(c.Temperature >= leastTemperature && c.Temperature <= mostTemperature):
		return fmt.Errorf("intake air temperature %.6g K is not between −50 and 150 °C: check the unit (°C, °F?)", c.Temperature)
	}
	return nil
}

// The reference air that SAE J1349 and ISO 1585 share.
const (
	referencePressure    = 99e3 // Pa, dry
	referenceTemperature = 298  // K as the standards write it, 25 °C
	// kelvinShift is what the standards leave out of 273.15.
	kelvinShift = 0.15 // K
)

// power returns k = (99 kPa/p)^m·(T/298)^n and its partial derivatives
// ∂k/∂p = −m·k/p and ∂k/∂T = n·k/T, T as the standards count it.
func power(c Conditions, m, n float64) (k, dp, dT float64) {
	T := c.Temperature - kelvinShift
	k = math.Pow(referencePressure/c.DryPressure, m) * math.Pow(T/referenceTemperature, n)
	return k, -m * k / c.DryPressure, n * k / T
}

// span is a range of validity.
type span struct {
	name      string  // of the quantity
	low, high float64 // in SI; the ends belong to it
	value     float64
	show      func(float64) string
}

// spanGuard keeps an end inside despite rounding, ratio.
const spanGuard = 1e-12

// judge sets InRange and Note from the ranges of a standard, the note naming
// each value that is outside.
func (r *Result) judge(standard string, spans ...span) {
	var out []string
	for _, s := range spans {
		if s.value < s.low-spanGuard*math.Abs(s.low) || s.value > s.high+spanGuard*math.Abs(s.high) {
			out = append(out, fmt.Sprintf("%s %s is outside %s to %s", s.name, s.show(s.value), s.show(s.low), s.show(s.high)))
		}
	}
	r.InRange = len(out) == 0
	if !r.InRange {
		r.Note = standard + ": " + strings.Join(out, "; ") + "; shown as computed"
	}
}

func showFactor(x float64) string      { return fmt.Sprintf("%.4g", x) }
func showPressure(x float64) string    { return fmt.Sprintf("%.1f kPa", x/1e3) }
func showTemperature(x float64) string { return fmt.Sprintf("%.1f °C", x-273.15) }
