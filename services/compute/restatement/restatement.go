// Package restatement computes a pull anew with what became known of its cell
// later.
//
// In: a pull as powercurve read it, with what lookback says of it. Out: its
// headline figures as they were stated, as they are restated, and the difference
// between them, each with U. It follows lookback. The pull itself is not changed:
// both values stand beside each other.
//
// # By cause
//
// Where the cause is known (lookback.Size), the pull is reduced from its samples
// again with the value put right that was wrong, x its error at the pull's time:
//
//	load-cell gain   F = S(reading)/(1 + x)             loadcell.Calibration.Through
//	load-cell zero   F = S(reading) − x·r/(L·n)         x at the roller surface, N
//	base inertia     M_base − x                         kg
//	parasitic loss   F_par(v) + x                       N, the same at every speed
//	air sensor       C·exp(−x)                          of the corrected figures; no other carries C
//
// which is exact, not to first order, and right for every figure: a zero error or
// a dragging bearing takes from wheel power, but not from engine power where the
// car's own coast-down was made under it, for there it stands on both sides. A
// share of the stated power cannot tell the two apart. Of a loss that is carried
// the baseline pull is put right by its own error at its own time.
//
// # By effect
//
// Where the cause is not known, or no value of the cell stands for it, all that
// can be said is
//
//	restated = stated/(1 + e)
//
// for every figure, e lookback's effect on the stated power.
//
// # Uncertainty
//
// The difference is uncertain by the size alone, as everything else is in both
// values: U is the change of the figure from x − u to x + u (JCGM 100:2008, 5.1.3,
// note 2), or that of the formula. The restated figure has its own budget and that,
// independent (JCGM 100:2008, eq. 10). An error known from checks of the load cell
// is the whole error of the value in force, whose uncertainty goes out of the
// budget with it; one known from the runs is the change since the cell was good,
// and leaves in the budget what was uncertain before.
package restatement

import (
	"errors"
	"fmt"
	"math"

	"rollcall/services/compute/lookback"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

// Pull is a pull to be restated.
type Pull struct {
	// Input is what it was computed from, without a CarriedLoss.
	Input powercurve.Input
	// Baseline is what the pull is computed from whose loss is used where this one
	// measured none; nil: no other's.
	Baseline *powercurve.Input
	// Effect is the effect on its stated power, a ratio, UEffect expanded.
	Effect, UEffect float64
	// Size is the error at its time, BaselineSize that at the baseline's; nil: not
	// known, or none.
	Size, BaselineSize *lookback.Size
}

// Way says how a pull was restated.
type Way string

// The ways.
const (
	ByCause  Way = "by cause"
	ByEffect Way = "by effect"
)

// Of says what of a figure along the curve is meant.
type Of string

// What can be meant.
const (
	Peak     Of = "peak"
	BandMean Of = "band mean"
)

// Value is a value with its expanded uncertainty.
type Value struct{ Value, U float64 }

// Figure is a headline figure before and after.
type Figure struct {
	Figure powercurve.Figure
	Of     Of
	Stated Value
	// Restated and Difference, which is Restated less Stated, are nil where the
	// figure can be stated no more; Result.Note says why.
	Restated, Difference *Value
}

// Result is a restated pull.
type Result struct {
	Way     Way
	Figures []Figure // those that were stated
	// Note says which figures can be stated no more, and why; empty: all can.
	Note string
}

// ErrEffect is returned for an effect that takes all the power or more.
var ErrEffect = errors.New("restatement: the effect is no share of a power")

// Restate returns the figures of a pull before and after: by its cause where Size
// is known, else by the effect. It returns powercurve's errors where the pull
// cannot be reduced, as it was or put right.
func Restate(p Pull) (Result, error) {
	was, err := reduce(p, nil, 0)
	if err != nil {
		return Result{}, fmt.Errorf("as it was stated: %w", err)
	}
	if p.Size == nil {
		return byEffect(was, p.Effect, p.UEffect)
	}
	var now [3][]figure
	lost := ""
	for i, shift := range [...]float64{0, -1, 1} {
		c, err := reduce(p, p.Size, shift)
		if err != nil {
			return Result{}, fmt.Errorf("with %s put right: %w", p.Size.Fault, err)
		}
		now[i] = figures(c)
		if lost == "" {
			lost = c.NoEnginePower
		}
	}
	out := Result{Way: ByCause}
	factor, uFactor := 1.0, 0.0
	if p.Size.Fault == fleet.FaultAir && was.Correction != nil && was.Correction.Standard != fleet.CorrectionNone {
		factor = math.Exp(-p.Size.Value)
		uFactor = math.Exp(-p.Size.Value+p.Size.U/2) - math.Exp(-p.Size.Value-p.Size.U/2)
	}
	for _, f := range figures(was) {
		g := Figure{Figure: f.figure, Of: f.of, Stated: f.value}
		x, low, high := find(now[0], f), find(now[1], f), find(now[2], f)
		if x != nil && low != nil && high != nil {
			k, uk := 1.0, 0.0
			if corrected(f.figure) {
				k, uk = factor, uFactor
			}
			u := math.Hypot(high.Value-low.Value, uk*x.Value)
			g.Restated = &Value{k * x.Value, math.Hypot(k*x.U, u)}
			g.Difference = &Value{k*x.Value - f.value.Value, u}
		} else if out.Note == "" {
			out.Note = "not every figure can be stated with the error put right: " + lost
		}
		out.Figures = append(out.Figures, g)
	}
	return out, nil
}

// byEffect restates figures by a share of their own.
func byEffect(c powercurve.Curve, effect, u float64) (Result, error) {
	k := 1 + effect
	if !(k > 0) || math.IsInf(k, 1) || u-u != 0 {
		return Result{}, fmt.Errorf("%w: %g ± %g", ErrEffect, effect, u)
	}
	out := Result{Way: ByEffect}
	for _, f := range figures(c) {
		x, own := f.value.Value, math.Abs(f.value.Value)*u/(k*k)
		out.Figures = append(out.Figures, Figure{
			Figure: f.figure, Of: f.of, Stated: f.value,
			Restated: &Value{x / k, math.Hypot(f.value.U/k, own)}, Difference: &Value{x/k - x, own},
		})
	}
	return out, nil
}

// reduce returns the curve of a pull with an error put right; nil: as it was.
// shift is by how many standard uncertainties the errors are taken larger, the
// baseline's with it: what is known of both comes from the same checks and runs.
func reduce(p Pull, size *lookback.Size, shift float64) (powercurve.Curve, error) {
	in, from := p.Input, p.Baseline
	in.CarriedLoss = nil
	if size != nil {
		in = right(in, size, shift)
		if from != nil && p.BaselineSize != nil {
			put := right(*from, p.BaselineSize, shift)
			from = &put
		}
	}
	own, err := powercurve.Reduce(in)
	if err != nil || own.Loss != nil || from == nil {
		return own, err
	}
	// A loss that cannot be carried leaves the pull without, as it stands.
	base, err := powercurve.Reduce(*from)
	if err != nil {
		return own, nil
	}
	loss, err := base.CarryLoss(*from)
	if err != nil {
		return own, nil
	}
	in.CarriedLoss = &loss
	with, err := powercurve.Reduce(in)
	if err != nil {
		return own, nil
	}
	return with, nil
}

// right returns what a pull is computed from with an error of its cell put right.
func right(in powercurve.Input, s *lookback.Size, shift float64) powercurve.Input {
	x := s.Value + shift*s.U/2
	c := &in.Cell
	switch s.Fault {
	case fleet.FaultGain:
		in.Calibration = in.Calibration.Through(0, x)
		if s.From == lookback.FromChecks {
			in.Calibration = in.Calibration.Known(false, true)
			c.U.LoadCell = 0
		}
	case fleet.FaultZero:
		in.Calibration = in.Calibration.Through(x*c.RollerRadius/(c.LeverArm*c.BrakeRatio), 0)
		if s.From == lookback.FromChecks {
			in.Calibration = in.Calibration.Known(true, false)
		}
	case fleet.FaultInertia:
		c.BaseInertia -= x
	case fleet.FaultParasitic:
		c.Parasitic.F0 += x
	}
	return in
}

// figure is a headline figure of a curve.
type figure struct {
	figure powercurve.Figure
	of     Of
	value  Value
}

// figures returns the headline figures that a curve states.
func figures(c powercurve.Curve) []figure {
	var out []figure
	for _, x := range [...]struct {
		figure powercurve.Figure
		peak   *powercurve.Peak
		mean   *powercurve.Mean
	}{
		{powercurve.WheelPower, c.PeakWheelPower, c.MeanWheelPower},
		{powercurve.EnginePower, c.PeakEnginePower, c.MeanEnginePower},
		{powercurve.EngineTorque, c.PeakEngineTorque, c.MeanEngineTorque},
		{powercurve.CorrectedPower, c.PeakCorrectedPower, c.MeanCorrectedPower},
		{powercurve.CorrectedTorque, c.PeakCorrectedTorque, c.MeanCorrectedTorque},
	} {
		if x.peak != nil {
			out = append(out, figure{x.figure, Peak, Value{x.peak.Value, x.peak.Expanded}})
		}
		if x.mean != nil {
			out = append(out, figure{x.figure, BandMean, Value{x.mean.Value, x.mean.Expanded}})
		}
	}
	return out
}

// find returns the value of the same figure, nil where there is none.
func find(all []figure, f figure) *Value {
	for i := range all {
		if all[i].figure == f.figure && all[i].of == f.of {
			return &all[i].value
		}
	}
	return nil
}

// corrected says whether a figure carries the correction factor.
func corrected(f powercurve.Figure) bool {
	return f == powercurve.CorrectedPower || f == powercurve.CorrectedTorque
}
