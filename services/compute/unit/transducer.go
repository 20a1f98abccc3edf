package unit

import (
	"errors"
	"fmt"
	"math"
)

// The reasons why what a column stands for cannot be computed.
var (
	ErrRated  = errors.New("unit: the rated value and the output at it must be numbers other than 0")
	ErrZero   = errors.New("unit: the reading at zero must be a number")
	ErrArm    = errors.New("unit: the lever arm must be a positive number")
	ErrTorque = errors.New("unit: a lever arm turns a torque into a force; the column is of something else")
	ErrSame   = errors.New("unit: the column already is of the quantity that is needed")
)

// Rated returns the unit of a column that holds a transducer's output, as its
// data sheet states it: at the rated value of what it measures its output is
// output away from zero,
//
//	SI = rated/output·(x − zero)
//
// rated in the SI unit of the dimension to; output and zero in the column's own
// unit. A load cell of 5 kN with a rated output of 2 mV/V in a column in mV/V has
// rated 5000 and output 2. A bridge wired the other way round has a negative
// output. A column that is of dimension to already is refused: an indicator that
// reads wrong in N is corrected by a calibration check, which has a date and an
// uncertainty, never by a factor in a file map.
func Rated(column Unit, to Dimension, rated, output, zero float64) (Unit, error) {
	scale := rated / output
	switch {
	case column.Dimension == to:
		return Unit{}, fmt.Errorf("%w: %s is of %s", ErrSame, column.Symbol, to)
	case rated == 0 || output == 0 || scale == 0 || scale-scale != 0:
		return Unit{}, fmt.Errorf("%w: %g at an output of %g", ErrRated, rated, output)
	case zero-zero != 0 || scale*zero-scale*zero != 0:
		return Unit{}, fmt.Errorf("%w: %g", ErrZero, zero)
	}
	return Unit{Symbol: column.Symbol, Scale: scale, Offset: 0 - scale*zero, Dimension: to}, nil
}

// PerUnit returns the unit of a column of which every one of its own units
// stands for each, in the SI unit of the dimension to, counted from zero,
//
//	SI = each·(x − zero)
//
// An amplifier that gives 1 V for 500 N, or a converter with 0.25 N a count. It
// is Rated with an output of 1.
func PerUnit(column Unit, to Dimension, each, zero float64) (Unit, error) {
	return Rated(column, to, each, 1, zero)
}

// AtArm returns the unit of a column that holds the torque of the brake as a
// force at its lever arm, m,
//
//	F = T/L
//
// L is the arm the indicator was set up with: it has multiplied by it what the
// load cell felt, so that dividing by the same one gives that back, whatever the
// true arm is. That one is the registry's and comes after the calibration.
func AtArm(column Unit, arm float64) (Unit, error) {
	switch {
	case column.Dimension != Torque:
		return Unit{}, fmt.Errorf("%w: %s is of %s", ErrTorque, column.Symbol, column.Dimension)
	case !(arm > 0) || math.IsInf(column.Scale/arm, 0) || column.Scale/arm == 0:
		return Unit{}, fmt.Errorf("%w: %g m", ErrArm, arm)
	}
	return Unit{Symbol: column.Symbol, Scale: column.Scale / arm, Dimension: Force}, nil
}
