package repeat

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Sentence is what a calibrator tells a customer of a figure: the figure, ± U,
// the correction, the conditions.
type Sentence struct {
	Figure      string // "peak engine power"
	Unit        string // SI: W, N·m, N
	Value       float64
	U           float64 // expanded, 95 %
	EngineSpeed float64 // rad/s; 0: of no one engine speed
	Pulls       int
	Limit       float64 // repeatability limit r; 0: one pull

	// Correction is the standard's name; empty: as measured.
	Correction string
	Factor     float64
	// Outside is why the standard does not vouch for the factor, Caution why
	// its assumption may not hold; empty: nothing.
	Outside, Caution string
	// Uncorrected is the figure without the correction, stated beside it when
	// there is a caution.
	Uncorrected float64

	Cell string
	// At and Until are when the first and the last of the pulls were made; Until
	// zero: on the day of At.
	At, Until time.Time
	// The air: Pa dry, K, and K at the intake; 0: not logged.
	DryPressure, Temperature, Intake float64
	// Loss says how the driveline loss was got; empty: not stated for a wheel
	// figure.
	Loss string
}

// String returns the sentence:
//
//	Peak engine power 208.6 kW ± 2.7 kW (95 %) at 6200 rpm, mean of 4 pulls on fen-2
//	on 20 Jun 2026, which repeat within 1.4 kW; corrected to SAE J1349 by 1.0182; air
//	21.3 °C, 98.41 kPa dry, intake 24.0 °C; driveline loss by coast-down.
func (s Sentence) String() string {
	var b strings.Builder
	b.WriteString(strings.ToUpper(s.Figure[:min(1, len(s.Figure))]) + s.Figure[min(1, len(s.Figure)):])
	fmt.Fprintf(&b, " %s ± %s (95 %%)", s.show(s.Value), s.show(s.U))
	if s.EngineSpeed > 0 {
		fmt.Fprintf(&b, " at %.0f rpm", s.EngineSpeed*30/math.Pi)
	}
	if s.Pulls == 1 {
		b.WriteString(", one pull")
	} else {
		fmt.Fprintf(&b, ", mean of %d pulls", s.Pulls)
	}
	if s.Cell != "" {
		b.WriteString(" on " + s.Cell)
	}
	if !s.At.IsZero() {
		from, until := s.At.UTC().Format("2 Jan 2006"), s.Until.UTC().Format("2 Jan 2006")
		if s.Until.IsZero() || from == until {
			b.WriteString(" on " + from)
		} else {
			b.WriteString(" from " + from + " to " + until)
		}
	}
	switch {
	case s.Pulls == 1:
		b.WriteString(", whose repeatability is not known")
	case s.Limit > 0:
		fmt.Fprintf(&b, ", which repeat within %s", s.show(s.Limit))
	}
	if s.Correction == "" {
		b.WriteString("; as measured, not corrected for the air")
	} else {
		fmt.Fprintf(&b, "; corrected to %s by %.4f", s.Correction, s.Factor)
		if s.Outside != "" {
			fmt.Fprintf(&b, ", outside the standard's range (%s)", s.Outside)
		}
		if s.Caution != "" {
			fmt.Fprintf(&b, "; uncorrected %s, for %s", s.show(s.Uncorrected), s.Caution)
		}
	}
	if s.Temperature > 0 && s.DryPressure > 0 {
		fmt.Fprintf(&b, "; air %.1f °C, %.2f kPa dry", s.Temperature-273.15, s.DryPressure/1e3)
		if s.Intake > 0 {
			fmt.Fprintf(&b, ", intake %.1f °C", s.Intake-273.15)
		}
	} else {
		b.WriteString("; air not logged")
	}
	if s.Loss != "" {
		b.WriteString("; " + s.Loss)
	}
	b.WriteString(".")
	return b.String()
}

// show returns a value in the unit people use, rounded to what U makes sense of:
// U to two digits, at least a tenth of a unit.
func (s Sentence) show(x float64) string {
	u, unit := s.U, s.Unit
	if unit == "W" {
		x, u, unit = x/1e3, u/1e3, "kW"
	}
	decimals := 1
	if u > 0 && u < 0.95 {
		decimals = min(4, int(math.Ceil(-math.Log10(u)))+1)
	}
	return fmt.Sprintf("%.*f %s", decimals, x, unit)
}
