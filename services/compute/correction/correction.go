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
//	sae_j607.go            SAE J607, the older American one
//	din_70020.go           DIN 70020, the older German one
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
// sets its factor to 1. Whether an engine does cannot be seen from its air, so
// the factor of a charged engine is computed as the standard has it and
// Result.Caution says that its assumption may not hold; whoever shows the
// corrected figure shows the uncorrected one and the caution beside it. Where
// the engine is known to compensate choose fleet.CorrectionNone.
package correction

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"rollcall/services/fleet"
)

// Conditions are those a factor is computed for.
type Conditions struct {
	DryPressure float64 // Pa, barometer less the water vapour's partial pressure
	Temperature float64 // K, intake air
	// Barometer is the air pressure with its vapour, Pa; DIN 70020 only.
	Barometer float64
	// Charged says that the engine is charged in whatever way: its charge
	// pressure was seen above ambient, or it was declared.
	Charged bool

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
	// Caution says why the standard's own assumption may not hold for this
	// engine, in range or not; empty: nothing speaks against it.
	Caution string

	DPressure    float64 // ∂Factor/∂DryPressure, 1/Pa
	DTemperature float64 // ∂Factor/∂Temperature, 1/K
	DBarometer   float64 // ∂Factor/∂Barometer, 1/Pa; DIN 70020 only
}

// What may be missing for a compression-ignition engine.
var (
	ErrFuelDelivery   = errors.New("the fuel delivery (mg per litre of swept volume and cycle) is not known; without it the compression-ignition factor is not defined: give it, or ask for no correction")
	ErrBarometer      = errors.New("DIN 70020 takes the air pressure with its vapour, which is not given")
	ErrChargePressure = errors.New("the charge pressure ratio of a turbocharged engine is not known; log boost and air pressure, or ask for no correction")
)

// Standards lists the corrections that Factor knows, none first.
func Standards() []fleet.Correction { return slices.Clone(fleet.Corrections) }

// factors computes each standard's factor.
var factors = map[fleet.Correction]func(Conditions) (Result, error){
	fleet.CorrectionSAEJ1349:  saeJ1349,
	fleet.CorrectionSAEJ607:   saeJ607,
	fleet.CorrectionISO1585SI: iso1585SI,
	fleet.CorrectionISO1585CI: iso1585CI,
	fleet.CorrectionDIN70020:  din70020,
}

// Factor returns the correction factor of standard s under conditions c. It
// returns an error for an unknown standard, for conditions no air can have
// (the usual cause is a wrong unit), ErrFuelDelivery or ErrChargePressure
// where a compression-ignition factor lacks its inputs, and ErrBarometer where
// DIN 70020 lacks its own.
func Factor(s fleet.Correction, c Conditions) (Result, error) {
	if s == fleet.CorrectionNone {
		return none(), nil
	}
	f, ok := factors[s]
	if !ok {
		names := make([]string, len(fleet.Corrections))
		for i, k := range fleet.Corrections {
			names[i] = string(k)
		}
		last := len(names) - 1
		return Result{}, fmt.Errorf("correction %q is not known; choose %s or %s", s, strings.Join(names[:last], ", "), names[last])
	}
	if err := c.validate(); err != nil {
		return Result{}, fmt.Errorf("correct to %s: %w", s, err)
	}
	r, err := f(c)
	if err != nil {
		return Result{}, fmt.Errorf("correct to %s: %w", s, err)
	}
	r.Standard = s
	if c.Charged || c.Turbocharged {
		r.Caution = Caution(s)
	}
	return r, nil
}

// Caution returns what a standard assumes that a charged engine may not do.
// Sources: UN Regulation No. 85, Supplement 7 (working paper GRPE-70-02, 2015):
// the factor is 1 for a charged engine that compensates ambient pressure and
// temperature by itself; the rest is common practice, no source.
func Caution(s fleet.Correction) string {
	assumes := "takes the power of an engine to follow the air around it"
	if s == fleet.CorrectionISO1585CI {
		assumes = "takes the charge of a turbocharged engine to follow the air around it to a fixed power"
	}
	return Name(s) + " " + assumes + "; the engine is charged, and one whose boost is held to a set point makes up for thin or warm air itself: then the corrected figure counts the air twice and the uncorrected one holds"
}

// Name returns how a correction is written in a sentence.
func Name(s fleet.Correction) string {
	switch s {
	case fleet.CorrectionNone:
		return "no correction"
	case fleet.CorrectionSAEJ1349:
		return "SAE J1349"
	case fleet.CorrectionSAEJ607:
		return "SAE J607"
	case fleet.CorrectionISO1585SI:
		return "ISO 1585 / UN R85, spark ignition"
	case fleet.CorrectionISO1585CI:
		return "ISO 1585 / UN R85, compression ignition"
	case fleet.CorrectionDIN70020:
		return "DIN 70020"
	}
	return string(s)
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

func errBarometerRange(c Conditions) error {
	return fmt.Errorf("air pressure %.6g Pa is not between the dry pressure %.6g Pa and 150 kPa: check the unit (hPa, kPa?) and that the pressure is absolute", c.Barometer, c.DryPressure)
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

// Where a standard states no range its factor is judged by how far it moves the
// figure: ±7 % of what the air of SAE J1349 would give, the range that SAE J1349
// and ISO 1585 state for spark ignition. Common practice, no source.
const (
	mildLow  = 0.93
	mildHigh = 1.07
)

func showFactor(x float64) string      { return fmt.Sprintf("%.4g", x) }
func showPressure(x float64) string    { return fmt.Sprintf("%.1f kPa", x/1e3) }
func showTemperature(x float64) string { return fmt.Sprintf("%.1f °C", x-273.15) }
