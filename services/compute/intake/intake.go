// Package intake fits what one car's power owes to its intake air temperature,
// from that car's own pulls.
//
// In: pulls of one car with their power and intake air. Out: the sensitivity
// with U, naming the pulls it was fitted from. It follows powercurve and is
// called on demand. Nothing is ever assumed of a car: without pulls enough, or
// with intake air too much alike, there is no sensitivity and the reason is
// said.
//
// The model is
//
//	ln P_pg = m_g + b·T_pg (+ c·ln p_pg) + ε
//
// P power as measured (not corrected), W; T intake air temperature, K; p dry
// pressure, Pa; g the group of pulls that share a cell and its calibration, a
// level m_g each, so that what cells differ by does not pass for the air. c is
// fitted only where the pressure moved enough to matter; otherwise what the
// pressure may have done enters U.
package intake

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// Pull is one pull of the car.
type Pull struct {
	ID          fleet.PullID
	At          time.Time
	Group       string  // whatever tells cell and calibration apart
	Power       float64 // W, as measured
	Temperature float64 // K, intake air, mean over the sweep
	DryPressure float64 // Pa
}

// Settings rule Fit. Start from DefaultSettings.
type Settings struct {
	// LeastPulls is how many pulls a fit needs.
	LeastPulls int
	// LeastSpread is how far apart, K, the intake air of one group must be.
	LeastSpread float64
	// PressureMatters is the spread of dry pressure, ratio, from which its
	// exponent is fitted; Exponent bounds what the pressure may have done below.
	PressureMatters, Exponent float64
}

// DefaultSettings returns the settings Rollcall starts with. Pulls repeat to a
// quarter of a percent and engines lose of the order of 0.1 % a kelvin: over
// 8 K four pulls show the slope to about a third of itself, over 2 K not at
// all. A pressure that moves by 0.3 % moves power by less than a pull does by
// chance; no standard has power follow it by more than the exponent 1.2. Common
// practice, no source.
func DefaultSettings() Settings {
	return Settings{LeastPulls: 4, LeastSpread: 8, PressureMatters: 0.003, Exponent: 1.2}
}

// Sensitivity is what the car's power owes to its intake air, fitted.
type Sensitivity struct {
	Car string
	// PerKelvin is b = ∂ ln P/∂T, 1/K: −0.001 is a tenth of a percent lost a
	// kelvin. U is its expanded uncertainty, 95.45 %, with DoF.
	PerKelvin, U, DoF float64
	// PressureExponent is c; nil: not fitted.
	PressureExponent *float64
	Residual         float64 // standard deviation of ln P about the fit
	Low, High        float64 // K, the intake air seen
	// FittedFrom are the pulls it was fitted from, in order of time.
	FittedFrom []fleet.PullID
	// Resolved says that b differs from nought by more than U.
	Resolved bool
	// Notes are what may have passed for the intake air.
	Notes []string
}

// The reasons why there is no sensitivity.
var (
	ErrFew    = errors.New("too few pulls to fit an intake air sensitivity")
	ErrSpread = errors.New("the intake air of the pulls is too much alike to fit a sensitivity")
	ErrPull   = errors.New("a pull cannot be used")
)

// confounded is the correlation of intake air with the order of pulls above
// which a fit cannot tell the air from whatever else warms up. Common practice,
// no source.
const confounded = 0.9

// Fit fits the sensitivity of a car from its own pulls. The order given does
// not matter. ErrFew, ErrSpread and ErrPull say what is missing.
func Fit(car string, pulls []Pull, s Settings) (Sensitivity, error) {
	pulls = slices.Clone(pulls)
	slices.SortFunc(pulls, func(a, b Pull) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	groups := map[string][]int{}
	for i, p := range pulls {
		if !(p.Power > 0) || !(p.Temperature > 0) || !(p.DryPressure > 0) || math.IsInf(p.Power+p.Temperature+p.DryPressure, 1) {
			return Sensitivity{}, fmt.Errorf("pull %s has power %g W, intake air %g K, dry pressure %g Pa: %w", p.ID, p.Power, p.Temperature, p.DryPressure, ErrPull)
		}
		groups[p.Group] = append(groups[p.Group], i)
	}
	if len(pulls) < s.LeastPulls {
		return Sensitivity{}, fmt.Errorf("%w: %d of car %s, it takes %d", ErrFew, len(pulls), car, s.LeastPulls)
	}
	out := Sensitivity{Car: car, Low: math.Inf(1), High: math.Inf(-1)}
	// Deviations from the mean of each group take the levels out.
	n := len(pulls)
	y, x, q := make([]float64, n), make([]float64, n), make([]float64, n)
	spread, pressure := 0.0, 0.0
	for _, members := range groups {
		var t, l, p []float64
		for _, i := range members {
			t = append(t, pulls[i].Temperature)
			l = append(l, math.Log(pulls[i].Power))
			p = append(p, math.Log(pulls[i].DryPressure))
		}
		mt, ml, mp := stat.Mean(t, nil), stat.Mean(l, nil), stat.Mean(p, nil)
		for k, i := range members {
			x[i], y[i], q[i] = t[k]-mt, l[k]-ml, p[k]-mp
		}
		spread, pressure = max(spread, slices.Max(t)-slices.Min(t)), max(pressure, slices.Max(p)-slices.Min(p))
	}
	if !(spread >= s.LeastSpread) {
		return Sensitivity{}, fmt.Errorf("%w: %.1f K within one cell and calibration, it takes %.0f K: pull once cold and once heat-soaked", ErrSpread, spread, s.LeastSpread)
	}
	columns := [][]float64{x}
	if pressure >= s.PressureMatters {
		columns = append(columns, q)
	}
	dof := n - len(groups) - len(columns)
	if dof < 1 {
		return Sensitivity{}, fmt.Errorf("%w: %d pulls in %d groups of cell and calibration leave no degree of freedom", ErrFew, n, len(groups))
	}
	a := mat.NewDense(n, len(columns), nil)
	for j, c := range columns {
		a.SetCol(j, c)
	}
	var qr mat.QR
	qr.Factorize(a)
	var b mat.Dense
	if err := qr.SolveTo(&b, false, mat.NewDense(n, 1, y)); err != nil {
		return Sensitivity{}, fmt.Errorf("%w: intake air and pressure moved together and cannot be told apart", ErrSpread)
	}
	rss := 0.0
	for i := range pulls {
		e := y[i]
		for j := range columns {
			e -= columns[j][i] * b.At(j, 0)
		}
		rss += e * e
	}
	out.PerKelvin, out.DoF, out.Residual = b.At(0, 0), float64(dof), math.Sqrt(rss/float64(dof))
	var normal, inverse mat.Dense
	normal.Mul(a.T(), a)
	if err := inverse.Inverse(&normal); err != nil {
		return Sensitivity{}, fmt.Errorf("%w: intake air and pressure moved together and cannot be told apart", ErrSpread)
	}
	components := []gum.Component{{Name: "scatter", Sensitivity: math.Sqrt(inverse.At(0, 0)), U: out.Residual, DoF: out.DoF}}
	if len(columns) == 2 {
		c := b.At(1, 0)
		out.PressureExponent = &c
	} else {
		// p^c with c anywhere between 0 and Exponent, rectangular, moves the
		// slope by c times the slope of ln p over T.
		sxx, sxq := 0.0, 0.0
		for i := range x {
			sxx += x[i] * x[i]
			sxq += x[i] * q[i]
		}
		components = append(components, gum.Component{Name: "pressure", Sensitivity: sxq / sxx, U: s.Exponent / math.Sqrt(3), DoF: gum.Infinite})
	}
	u, err := gum.Combine(components)
	if err != nil {
		return Sensitivity{}, fmt.Errorf("combine the uncertainty of a sensitivity: %w", err)
	}
	out.U, out.DoF = u.Expanded(), u.DoF
	out.Resolved = math.Abs(out.PerKelvin) > out.U
	order := make([]float64, n)
	for i, p := range pulls {
		out.FittedFrom = append(out.FittedFrom, p.ID)
		out.Low, out.High = min(out.Low, p.Temperature), max(out.High, p.Temperature)
		order[i] = float64(i)
	}
	if len(groups) == 1 {
		if r := stat.Correlation(x, order, nil); math.Abs(r) > confounded {
			out.Notes = append(out.Notes, fmt.Sprintf("the intake air moved with the order of the pulls (correlation %.2f): what else warmed up is in the figure too", r))
		}
	}
	return out, nil
}

// Worth returns what a change of the intake air by dT kelvin is worth at a
// power, and its expanded uncertainty:
//
//	ΔP = P·(exp(b·dT) − 1),  U = P·exp(b·dT)·|dT|·U_b
//
// Inside says whether dT is no more than the fit has seen; beyond, the line is
// carried on where nothing was measured.
func (s *Sensitivity) Worth(power, dT float64) (change, u float64, inside bool) {
	f := math.Exp(s.PerKelvin * dT)
	return power * (f - 1), power * f * math.Abs(dT) * s.U, math.Abs(dT) <= s.High-s.Low
}

// String says what the sensitivity is and where it comes from.
func (s *Sensitivity) String() string {
	names := make([]string, len(s.FittedFrom))
	for i, id := range s.FittedFrom {
		names[i] = string(id)
		if len(names[i]) > 8 {
			names[i] = names[i][:8]
		}
	}
	text := fmt.Sprintf("intake air sensitivity of %s: %+.3f %% a kelvin ± %.3f %% (95 %%), fitted from its own %d pulls (%s) between %.1f and %.1f °C",
		s.Car, 100*s.PerKelvin, 100*s.U, len(names), strings.Join(names, ", "), s.Low-273.15, s.High-273.15)
	if s.PressureExponent != nil {
		text += fmt.Sprintf(", with the air pressure to the power %.2f", *s.PressureExponent)
	}
	if !s.Resolved {
		text += "; not told from nought"
	}
	for _, n := range s.Notes {
		text += "; " + n
	}
	return text
}
