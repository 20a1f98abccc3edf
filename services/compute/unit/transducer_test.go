package unit

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
)

// Readings of one force, 1250 N, in each way a load cell is logged; by hand.
func TestLoadCellReadings(t *testing.T) {
	parse := func(symbol string) Unit {
		u, err := Parse(symbol)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	must := func(u Unit, err error) Unit {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	for _, c := range []struct {
		name    string
		unit    Unit
		reading float64
	}{
		{"N", parse("N"), 1250},
		{"kgf", parse("kgf"), 1250 / 9.80665},
		// 1250 N at 0.35 m.
		{"N·m", must(AtArm(parse("N·m"), 0.35)), 437.5},
		// 322.6792… lbf·ft: 437.5 N·m over 1.3558179483314 N·m each.
		{"lbf·ft", must(AtArm(parse("lbf·ft"), 0.35)), 437.5 / 1.3558179483314},
		// A quarter of 5 kN: a quarter of 2 mV/V above the zero of 0.012.
		{"mV/V", must(Rated(parse("mV/V"), Force, 5000, 2, 0.012)), 0.512},
		{"mV/V, other way round", must(Rated(parse("mV/V"), Force, 5000, -2, 0.012)), -0.488},
		// Rated 10 V at 5 kN.
		{"V", must(Rated(parse("V"), Force, 5000, 10, 0)), 2.5},
		{"V, per volt", must(PerUnit(parse("V"), Force, 500, 0.1)), 2.6},
		{"mV", must(PerUnit(parse("mV"), Force, 0.5, 0)), 2500},
		// A quarter of 2²³ counts at 5 kN, zero at −1000.
		{"counts", must(Rated(parse("counts"), Force, 5000, 8388608, -1000)), 2097152 - 1000},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.unit.Dimension != Force {
				t.Errorf("dimension %s", c.unit.Dimension)
			}
			if got := c.unit.ToSI(c.reading); !scalar.EqualWithinRel(got, 1250, 1e-12) {
				t.Errorf("%g %s is %g N, want 1250", c.reading, c.unit.Symbol, got)
			}
			if got := c.unit.FromSI(1250); !scalar.EqualWithinRel(got, c.reading, 1e-12) {
				t.Errorf("1250 N is %g %s, want %g", got, c.unit.Symbol, c.reading)
			}
		})
	}
	// A mV/V is a thousandth; what is shown of a bridge may be either.
	if got := parse("mV/V").ToSI(2); got != 0.002 {
		t.Errorf("2 mV/V is %g V/V", got)
	}
}

func TestTransducerRefused(t *testing.T) {
	volt, newton, metre := SI(Voltage), SI(Force), SI(Torque)
	for name, c := range map[string]struct {
		try  func() (Unit, error)
		want error
	}{
		"no output":       {func() (Unit, error) { return Rated(volt, Force, 5000, 0, 0) }, ErrRated},
		"no rated value":  {func() (Unit, error) { return Rated(volt, Force, 0, 2, 0) }, ErrRated},
		"output NaN":      {func() (Unit, error) { return Rated(volt, Force, 5000, math.NaN(), 0) }, ErrRated},
		"rated infinite":  {func() (Unit, error) { return PerUnit(volt, Force, math.Inf(1), 0) }, ErrRated},
		"overflow":        {func() (Unit, error) { return Rated(volt, Force, 1e300, 1e-300, 0) }, ErrRated},
		"zero NaN":        {func() (Unit, error) { return PerUnit(volt, Force, 500, math.NaN()) }, ErrZero},
		"zero overflows":  {func() (Unit, error) { return PerUnit(volt, Force, 1e300, 1e300) }, ErrZero},
		"already a force": {func() (Unit, error) { return PerUnit(newton, Force, 1.01, 0) }, ErrSame},
		"arm of a force":  {func() (Unit, error) { return AtArm(newton, 0.35) }, ErrTorque},
		"no arm":          {func() (Unit, error) { return AtArm(metre, 0) }, ErrArm},
		"negative arm":    {func() (Unit, error) { return AtArm(metre, -0.35) }, ErrArm},
		"arm NaN":         {func() (Unit, error) { return AtArm(metre, math.NaN()) }, ErrArm},
	} {
		if u, err := c.try(); !errors.Is(err, c.want) {
			t.Errorf("%s: got %+v, %v, want %v", name, u, err, c.want)
		}
	}
}
