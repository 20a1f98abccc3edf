package powercurve

import (
	"errors"
	"fmt"
	"math"

	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// CarriedLoss is the loss that a baseline pull's coast-down measured, to be used
// for a later pull of the same car and set-up on the same cell. It is what a
// percentage is not: see the package comment.
type CarriedLoss struct {
	Pull        fleet.PullID // the baseline pull
	SetUp       string       // its Input.SetUp
	Fit         coastdown.Fit
	Cell        fleet.Cell // its registry entry then
	Calibration loadcell.Calibration
	Vehicle     Vehicle
}

// ErrCarry is returned when a loss cannot be carried.
var ErrCarry = errors.New("powercurve: the loss cannot be carried")

// CarryLoss returns the loss of a pull that had a coast-down, to be given as
// CarriedLoss to later pulls. in is what the curve was reduced from. It returns
// ErrCarry when the pull measured no loss of its own, or says not of which pull
// and set-up it is.
func (c *Curve) CarryLoss(in Input) (CarriedLoss, error) {
	switch {
	case c.Loss == nil:
		return CarriedLoss{}, fmt.Errorf("%w: the baseline pull has none: %s", ErrCarry, c.NoEnginePower)
	case c.CarriedFrom != "":
		return CarriedLoss{}, fmt.Errorf("%w: it was itself carried, from pull %s; carry it from there", ErrCarry, c.CarriedFrom)
	case in.Pull == "" || in.SetUp == "":
		return CarriedLoss{}, fmt.Errorf("%w: name the baseline pull and the car's set-up", ErrCarry)
	}
	return CarriedLoss{Pull: in.Pull, SetUp: in.SetUp, Fit: *c.Loss, Cell: in.Cell, Calibration: in.Calibration, Vehicle: in.Vehicle}, nil
}

// differs says why a carried loss is not this pull's, or "".
func (l *CarriedLoss) differs(in *Input) string {
	if l.Pull == "" || l.SetUp == "" {
		return "it does not say which pull and set-up it is from; take it from Curve.CarryLoss"
	}
	if l.SetUp != in.SetUp {
		return fmt.Sprintf("it is of car and set-up %q, the pull of %q: record a coast-down", l.SetUp, in.SetUp)
	}
	if l.Cell.ID != in.Cell.ID {
		return fmt.Sprintf("it is from cell %s, and tyres roll otherwise on the rollers of %s: record a coast-down", l.Cell.ID, in.Cell.ID)
	}
	same := func(a, b *float64) bool { return a != nil && b != nil && *a == *b }
	was, is := l.Vehicle, in.Vehicle
	if was.GearRatio != is.GearRatio || was.TyreRadius != is.TyreRadius ||
		!same(was.CoastingMass, is.CoastingMass) || !same(was.RotatingMass, is.RotatingMass) {
		return "gear ratio, tyre radius or rotating masses are others than then: record a coast-down"
	}
	a, b := &l.Cell, &in.Cell
	if a.BaseInertia != b.BaseInertia || a.RollerRadius != b.RollerRadius || a.LeverArm != b.LeverArm || a.BrakeRatio != b.BrakeRatio {
		return "the cell's registry entry has changed since: compute the baseline pull again with the present one"
	}
	for _, x := range [...]float64{
		l.Fit.Loss.F0, l.Fit.Loss.F1, l.Fit.Loss.F2, l.Fit.Drag.F0, l.Fit.Drag.F1, l.Fit.Drag.F2, 1 / l.Fit.Mass,
		l.Fit.Cov[0][0], l.Fit.Cov[1][1], l.Fit.Cov[2][2], l.Fit.Cov[0][1], l.Fit.Cov[0][2], l.Fit.Cov[1][2],
		l.Fit.SpeedLow, l.Fit.SpeedHigh, l.Cell.Parasitic.F0, l.Cell.Parasitic.F1, l.Cell.Parasitic.F2, l.Cell.U.Parasitic,
		l.Cell.U.LoadCell, l.Calibration.Zero, l.Calibration.Gain, l.Calibration.UZero, l.Calibration.UGain, l.Calibration.CovZeroGain,
	} {
		if x-x != 0 {
			return "it has a number that is none"
		}
	}
	if !(l.Fit.Mass > 0) || !(l.Calibration.Gain > -1) || math.IsInf(l.Fit.Mass, 1) {
		return "its mass or calibration cannot be"
	}
	return ""
}

// carry takes the loss from the baseline pull.
func (r *reduction) carry(out *Curve) {
	l := r.in.CarriedLoss
	if why := l.differs(&r.in); why != "" {
		out.NoEnginePower = "the baseline pull's loss cannot be carried to this one: " + why
		return
	}
	fit := l.Fit
	out.Loss, out.CarriedFrom = &fit, l.Pull
}
