package unit

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
	"pgregory.net/rapid"

	"rollcall/services/fleet"
)

// exact guards against rounding of the few operations of a conversion, ratio.
const exact = 4e-16

func TestParse(t *testing.T) {
	// Sources: [def] exact by definition (yard and pound agreement 1959; BIPM
	// SI brochure 2019), worked by hand; [sp811] NIST SP 811 (2008), appendix B;
	// [scale] definition of the Fahrenheit and Celsius scales.
	for _, c := range []struct {
		symbol    string
		in, si    float64
		dimension Dimension
		tolerance float64 // ratio
		source    string
	}{
		{"m/s", 27.5, 27.5, Speed, exact, "def"},
		{"km/h", 90, 25, Speed, exact, "def"},
		{"kph", 90, 25, Speed, exact, "def"},
		{"mph", 1, 0.44704, Speed, exact, "def"},
		{"ft/s", 1, 0.3048, Speed, exact, "def"},
		{"rad/s", 3, 3, AngularSpeed, exact, "def"},
		{"rpm", 60, 2 * math.Pi, AngularSpeed, exact, "def"},
		{"1/min", 60, 2 * math.Pi, AngularSpeed, exact, "def"},
		{"rev/s", 1, 2 * math.Pi, AngularSpeed, exact, "def"},
		{"deg/s", 180, math.Pi, AngularSpeed, exact, "def"},
		{"rpm/s", 60, 2 * math.Pi, AngularAcceleration, exact, "def"},
		{"m/s²", 2, 2, Acceleration, exact, "def"},
		{"km/h/s", 3.6, 1, Acceleration, exact, "def"},
		{"g0", 1, 9.80665, Acceleration, exact, "def"},
		{"N", 5, 5, Force, exact, "def"},
		{"kN", 5, 5000, Force, exact, "def"},
		{"daN", 5, 50, Force, exact, "def"},
		{"lbf", 1, 4.4482216152605, Force, exact, "def"},
		{"kgf", 1, 9.80665, Force, exact, "def"},
		{"N·m", 7, 7, Torque, exact, "def"},
		{"Nm", 7, 7, Torque, exact, "def"},
		{"kN·m", 7, 7000, Torque, exact, "def"},
		{"lbf·ft", 1, 1.3558179483314, Torque, 1e-14, "def, printed to 14 digits"},
		{"ft-lb", 1, 1.3558179483314, Torque, 1e-14, "def, printed to 14 digits"},
		{"lbf·in", 12, 1.3558179483314, Torque, 1e-14, "def, printed to 14 digits"},
		{"kgf·m", 1, 9.80665, Torque, exact, "def"},
		{"kg", 2, 2, Mass, exact, "def"},
		{"g", 2, 0.002, Mass, exact, "def"},
		{"t", 2, 2000, Mass, exact, "def"},
		{"lb", 1, 0.45359237, Mass, exact, "def"},
		{"oz", 16, 0.45359237, Mass, exact, "def"},
		{"g/cm³", 7.85, 7850, Density, exact, "def"},
		{"Pa", 99000, 99000, Pressure, exact, "def"},
		{"hPa", 990, 99000, Pressure, exact, "def"},
		{"mbar", 990, 99000, Pressure, exact, "def"},
		{"kPa", 99, 99000, Pressure, exact, "def"},
		{"MPa", 0.1, 1e5, Pressure, exact, "def"},
		{"bar", 1, 1e5, Pressure, exact, "def"},
		{"psi", 1, 6894.757293168361, Pressure, exact, "def"},
		{"inHg", 1, 3386.389, Pressure, 2e-7, "sp811"},
		{"inHg", 29.92, 101320.75, Pressure, 1e-7, "sp811 times 29.92"},
		{"mmHg", 1, 133.322387415, Pressure, exact, "def of the conventional mmHg"},
		{"atm", 1, 101325, Pressure, exact, "def"},
		{"K", 300, 300, Temperature, exact, "def"},
		{"°C", 25, 298.15, Temperature, exact, "scale"},
		{"degC", -40, 233.15, Temperature, exact, "scale"},
		{"C", 0, 273.15, Temperature, exact, "scale"},
		{"°F", -40, 233.15, Temperature, exact, "scale"},
		{"°F", 32, 273.15, Temperature, exact, "scale"},
		{"degF", 212, 373.15, Temperature, exact, "scale"},
		{"%", 50, 0.5, Ratio, exact, "def"},
		{"1", 0.98, 0.98, Ratio, exact, "def"},
		{"-", 0.98, 0.98, Ratio, exact, "def"},
		{"‰", 5, 0.005, Ratio, exact, "def"},
		{"s", 2, 2, Time, exact, "def"},
		{"ms", 2, 0.002, Time, exact, "def"},
		{"µs", 2, 2e-6, Time, exact, "def"},
		{"us", 2, 2e-6, Time, exact, "def"},
		{"ns", 2, 2e-9, Time, exact, "def"},
		{"min", 2, 120, Time, exact, "def"},
		{"h", 2, 7200, Time, exact, "def"},
		{"deg", 180, math.Pi, Angle, exact, "def"},
		{"rad", 1, 1, Angle, exact, "def"},
		{"m", 1, 1, Length, exact, "def"},
		{"mm", 1, 0.001, Length, exact, "def"},
		{"cm", 1, 0.01, Length, exact, "def"},
		{"km", 1, 1000, Length, exact, "def"},
		{"in", 1, 0.0254, Length, exact, "def"},
		{"ft", 1, 0.3048, Length, exact, "def"},
		{"W", 1, 1, Power, exact, "def"},
		{"kW", 1, 1000, Power, exact, "def"},
		{"hp", 1, 745.6998715822702, Power, exact, "def"},
		{"PS", 1, 735.49875, Power, exact, "def"},
		{"V", 1, 1, Voltage, exact, "def"},
		{"mV", 1, 0.001, Voltage, exact, "def"},
		{" [km/h] ", 90, 25, Speed, exact, "brackets and spaces of a file's head are no part of the unit"},
	} {
		t.Run(c.symbol, func(t *testing.T) {
			u, err := Parse(c.symbol)
			if err != nil {
				t.Fatal(err)
			}
			if u.Dimension != c.dimension {
				t.Errorf("dimension %s, want %s", u.Dimension, c.dimension)
			}
			if got := u.ToSI(c.in); !scalar.EqualWithinRel(got, c.si, c.tolerance) {
				t.Errorf("%v %s is %.17g in SI, want %.17g (%s)", c.in, c.symbol, got, c.si, c.source)
			}
		})
	}
}

// TestPower checks P = 2πnT/60 in three units against values computed from the
// definitions of hp and PS by Python in double precision.
func TestPower(t *testing.T) {
	for _, c := range []struct{ torque, speed, kW, hp, ps float64 }{
		{400, 5252, 219.995262, 295.018505, 299.110313},
		{500, 6000, 314.159265, 421.294514, 427.137728},
		{350, 4500, 164.933614, 221.179620, 224.247307},
	} {
		p := c.torque * must(t, "rpm").ToSI(c.speed)
		for symbol, want := range map[string]float64{"kW": c.kW, "hp": c.hp, "PS": c.ps} {
			if got := must(t, symbol).FromSI(p); math.Abs(got-want) > 6e-7 { // printed to 1e-6
				t.Errorf("%v N·m at %v rpm: %.7f %s, want %.6f", c.torque, c.speed, got, symbol, want)
			}
		}
	}
}

func must(t *testing.T, symbol string) Unit {
	t.Helper()
	u, err := Parse(symbol)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := rapid.SampledFrom(table).Draw(t, "unit")
		x := rapid.Float64Range(-1e6, 1e6).Draw(t, "x")
		// Offsets cost digits of a small x: the tolerance is that of the sum.
		// Below 2⁻¹⁰²² of SI, float64 has fewer digits.
		const subnormal = 0x1p-1022
		if got := e.FromSI(e.ToSI(x)); math.Abs(got-x) > 1e-15*(math.Abs(x)+2*math.Abs(e.Offset/e.Scale))+subnormal/e.Scale {
			t.Fatalf("%v %s comes back as %v", x, e.Symbol, got)
		}
	})
}

func TestChannels(t *testing.T) {
	for c, si := range fleet.Channels {
		d, ok := DimensionOf(si)
		if !ok {
			t.Errorf("channel %s is kept in %q, which is the SI unit of no dimension", c, si)
			continue
		}
		u, err := ParseFor(si, c)
		if err != nil || u.Scale != 1 || u.Offset != 0 || u.Dimension != d {
			t.Errorf("channel %s: its own unit gives %+v, %v", c, u, err)
		}
	}
	if _, ok := DimensionOf("km/h"); ok {
		t.Error("km/h taken as an SI unit")
	}
	if _, ok := DimensionOf("furlong"); ok {
		t.Error("furlong taken as an SI unit")
	}
	if u, err := ParseFor("bar", "x_oil_pressure"); err != nil || u.Dimension != Pressure {
		t.Errorf("a site's own channel: %+v, %v", u, err)
	}
}

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		name    string
		parse   func() error
		says    []string
		unsaid  string
		unknown bool // else a mismatch
	}{
		{"unknown lists the dimension's", func() error { _, err := ParseAs("furlong/h", Speed); return err },
			[]string{`"furlong/h" is not known`, "unit of speed", "m/s, km/h, mph, ft/s"}, "kPa", true},
		{"channel named", func() error { _, err := ParseFor("furlong/h", fleet.RollerSpeed); return err },
			[]string{"channel roller_speed", "m/s, km/h"}, "kPa", true},
		{"wrong dimension", func() error { _, err := ParseFor("N", fleet.RollerSpeed); return err },
			[]string{"unit N is of force", "a unit of speed is needed", "m/s, km/h"}, "kPa", false},
		{"mass for force", func() error { _, err := ParseFor("kg", fleet.LoadCellForce); return err },
			[]string{"unit kg is of mass", "N, kN, daN, lbf, kgf"}, "", false},
		{"case suggests", func() error { _, err := Parse("KN"); return err }, []string{"did you mean kN?"}, "", true},
		{"case is not guessed", func() error { _, err := Parse("mpa"); return err }, []string{"did you mean MPa?"}, "", true},
		{"empty", func() error { _, err := ParseFor("", fleet.Lambda); return err }, []string{"no unit given", "accepted: 1, %"}, "did you mean", true},
		{"gauge psi", func() error { _, err := ParseFor("psig", fleet.Boost); return err }, []string{"relative (gauge) pressure", "absolute pressure", "Pa, hPa"}, "", true},
		{"gauge bar", func() error { _, err := Parse("bar(g)"); return err }, []string{"relative (gauge) pressure"}, "", true},
		{"gauge word", func() error { _, err := Parse("kPa gauge"); return err }, []string{"relative (gauge) pressure"}, "", true},
		{"kg is no gauge pressure", func() error { _, err := Parse("kgg"); return err }, []string{"not known"}, "relative", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.parse()
			if err == nil {
				t.Fatal("accepted")
			}
			var unknown *UnknownError
			var mismatch *MismatchError
			if errors.As(err, &unknown) != c.unknown || errors.As(err, &mismatch) == c.unknown {
				t.Errorf("%T: %v", err, err)
			}
			for _, s := range c.says {
				if !strings.Contains(err.Error(), s) {
					t.Errorf("%q does not say %q", err, s)
				}
			}
			if c.unsaid != "" && strings.Contains(err.Error(), c.unsaid) {
				t.Errorf("%q says %q", err, c.unsaid)
			}
		})
	}
}
