// Package unit turns file and screen units into SI and back.
//
// In: the unit a column of a file is written in, or a screen asks for. Out: a
// Unit that converts to and from the SI unit of its dimension. Only sources
// (files in) and screens (figures out) call it; everything between them is SI.
// The SI unit of each channel is in fleet.Channels.
//
// A unit is a line, SI = Scale·x + Offset. Scales are exact by definition
// (International System of Units, 9th edition 2019; international yard and
// pound agreement 1959; conventional density of mercury 13 595.1 kg/m³).
//
// Relative (gauge) pressure is not a unit: 0.8 bar of boost over the air is
// another quantity than 0.8 bar, and no factor turns one into the other. All
// pressures are absolute, so psig, barg and the like are refused with a
// sentence that says what to do.
package unit

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"rollcall/services/fleet"
)

// Dimension is a kind of quantity.
type Dimension string

// The dimensions known.
const (
	Speed               Dimension = "speed"
	AngularSpeed        Dimension = "angular speed"
	AngularAcceleration Dimension = "angular acceleration"
	Acceleration        Dimension = "acceleration"
	Force               Dimension = "force"
	Torque              Dimension = "torque"
	Mass                Dimension = "mass"
	Volume              Dimension = "volume"
	MassFlow            Dimension = "mass flow"
	Density             Dimension = "density"
	Pressure            Dimension = "pressure"
	Temperature         Dimension = "temperature"
	Ratio               Dimension = "ratio"
	Time                Dimension = "time"
	Angle               Dimension = "angle"
	Length              Dimension = "length"
	Power               Dimension = "power"
	Voltage             Dimension = "voltage"
	BridgeOutput        Dimension = "bridge output" // signal of a strain-gauge bridge over its supply
	Count               Dimension = "count"         // of a converter, as it comes
)

// Unit is a unit of measure. SI = Scale·x + Offset.
type Unit struct {
	Symbol    string // as this package writes it
	Scale     float64
	Offset    float64 // SI value of 0; not nought for °C and °F only
	Dimension Dimension
}

// ToSI returns x of this unit in the SI unit of its dimension.
func (u Unit) ToSI(x float64) float64 { return u.Scale*x + u.Offset }

// FromSI returns an SI value in this unit.
func (u Unit) FromSI(si float64) float64 { return (si - u.Offset) / u.Scale }

// entry is a unit with the other ways to write it.
type entry struct {
	Unit
	aliases []string
}

// Exact definitions.
const (
	foot            = 0.3048     // m
	inch            = 0.0254     // m
	mile            = 1609.344   // m
	pound           = 0.45359237 // kg
	standardGravity = 9.80665    // m/s²
	poundForce      = pound * standardGravity
	mercury         = 13595.1 * standardGravity // Pa per m of mercury
	turn            = 2 * math.Pi               // rad
)

// The units known; the first of a dimension is its SI unit.
var table = []entry{
	{Unit{"m/s", 1, 0, Speed}, []string{"mps", "m·s⁻¹", "m s-1", "m*s-1"}},
	{Unit{"km/h", 1 / 3.6, 0, Speed}, []string{"kph", "kmh", "kmph", "KPH", "KMH", "KM/H", "Km/h"}},
	{Unit{"mph", mile / 3600, 0, Speed}, []string{"MPH", "mi/h", "mi/hr"}},
	{Unit{"ft/s", foot, 0, Speed}, []string{"fps", "ft/sec"}},

	{Unit{"rad/s", 1, 0, AngularSpeed}, []string{"rad·s⁻¹", "rad s-1"}},
	{Unit{"rpm", turn / 60, 0, AngularSpeed}, []string{"RPM", "Rpm", "1/min", "min-1", "min^-1", "min⁻¹", "/min", "rev/min", "r/min", "U/min"}},
	{Unit{"rev/s", turn, 0, AngularSpeed}, []string{"rps", "r/s"}},
	{Unit{"deg/s", turn / 360, 0, AngularSpeed}, []string{"°/s"}},

	{Unit{"rad/s²", 1, 0, AngularAcceleration}, []string{"rad/s2", "rad/s^2"}},
	{Unit{"rpm/s", turn / 60, 0, AngularAcceleration}, []string{"RPM/s", "1/min/s"}},

	{Unit{"m/s²", 1, 0, Acceleration}, []string{"m/s2", "m/s^2"}},
	{Unit{"km/h/s", 1 / 3.6, 0, Acceleration}, []string{"kph/s"}},
	{Unit{"g0", standardGravity, 0, Acceleration}, []string{"gn"}},

	{Unit{"N", 1, 0, Force}, []string{"Newton", "newton"}},
	{Unit{"kN", 1e3, 0, Force}, nil},
	{Unit{"daN", 10, 0, Force}, nil},
	{Unit{"lbf", poundForce, 0, Force}, []string{"LBF", "lb-f"}},
	{Unit{"kgf", standardGravity, 0, Force}, []string{"kp", "KGF"}},

	{Unit{"N·m", 1, 0, Torque}, []string{"Nm", "N m", "N*m", "N.m", "N-m", "NM"}},
	{Unit{"kN·m", 1e3, 0, Torque}, []string{"kNm", "kN m", "kN*m"}},
	{Unit{"lbf·ft", poundForce * foot, 0, Torque}, []string{"lbf ft", "lbf-ft", "lbf.ft", "lbf*ft", "ft·lbf", "ft lbf", "ft-lbf", "ft·lb", "ft-lb", "ft lb", "ftlb", "lb·ft", "lb-ft", "lb ft", "lbft"}},
	{Unit{"lbf·in", poundForce * inch, 0, Torque}, []string{"lbf in", "lbf-in", "in·lbf", "in-lbf", "in-lb", "lb-in"}},
	{Unit{"kgf·m", standardGravity, 0, Torque}, []string{"kgf m", "kgf-m", "kgfm", "kgf*m", "kgm", "mkgf", "kpm"}},

	{Unit{"kg", 1, 0, Mass}, []string{"KG", "Kg"}},
	{Unit{"g", 1e-3, 0, Mass}, nil},
	{Unit{"t", 1e3, 0, Mass}, nil},
	{Unit{"lb", pound, 0, Mass}, []string{"lbm", "lbs", "LB"}},
	{Unit{"oz", pound / 16, 0, Mass}, nil},

	{Unit{"m³", 1, 0, Volume}, []string{"m3", "m^3"}},
	{Unit{"L", 1e-3, 0, Volume}, []string{"l", "litre", "liter", "dm³", "dm3"}},
	{Unit{"cm³", 1e-6, 0, Volume}, []string{"cm3", "ccm", "cc", "mL", "ml"}},
	{Unit{"in³", inch * inch * inch, 0, Volume}, []string{"in3", "cu in", "cuin", "cid"}},

	{Unit{"kg/m³", 1, 0, Density}, []string{"kg/m3", "kg/m^3", "g/L", "g/l"}},
	{Unit{"mg/L", 1e-3, 0, Density}, []string{"mg/l", "g/m³", "g/m3"}},

	{Unit{"kg/s", 1, 0, MassFlow}, nil},
	{Unit{"g/s", 1e-3, 0, MassFlow}, nil},
	{Unit{"kg/h", 1. / 3600, 0, MassFlow}, []string{"kg/hr"}},
	{Unit{"lb/h", pound / 3600, 0, MassFlow}, []string{"lb/hr", "lbm/h", "pph"}},

	{Unit{"g/cm³", 1e3, 0, Density}, []string{"g/cm3", "g/cc", "kg/L", "kg/l", "kg/dm³"}},

	{Unit{"Pa", 1, 0, Pressure}, []string{"pa", "Pa abs"}},
	{Unit{"hPa", 100, 0, Pressure}, []string{"hpa", "HPA", "hPa abs"}},
	{Unit{"mbar", 100, 0, Pressure}, []string{"MBAR", "mBar", "mb", "mbar abs", "mbara"}},
	{Unit{"kPa", 1e3, 0, Pressure}, []string{"kpa", "KPA", "Kpa", "KPa", "kPa abs", "kPaa"}},
	{Unit{"MPa", 1e6, 0, Pressure}, nil},
	{Unit{"bar", 1e5, 0, Pressure}, []string{"BAR", "Bar", "bara", "bar abs", "bar(a)"}},
	{Unit{"psi", poundForce / (inch * inch), 0, Pressure}, []string{"PSI", "Psi", "psia", "psi abs", "lbf/in²", "lbf/in2"}},
	{Unit{"inHg", mercury * inch, 0, Pressure}, []string{"inhg", "in Hg", "in.Hg", "INHG"}},
	{Unit{"mmHg", mercury * 1e-3, 0, Pressure}, []string{"mmhg", "mm Hg", "MMHG"}},
	{Unit{"atm", 101325, 0, Pressure}, nil},

	{Unit{"K", 1, 0, Temperature}, []string{"kelvin", "degK"}},
	{Unit{"°C", 1, 273.15, Temperature}, []string{"C", "degC", "deg C", "DegC", "celsius", "ºC", "℃"}},
	{Unit{"°F", 5. / 9, 459.67 * 5 / 9, Temperature}, []string{"F", "degF", "deg F", "DegF", "fahrenheit", "ºF", "℉"}},

	{Unit{"1", 1, 0, Ratio}, []string{"-", "ratio", "–"}},
	{Unit{"%", 1e-2, 0, Ratio}, []string{"percent", "pct", "%RH", "% RH", "%rh"}},
	{Unit{"‰", 1e-3, 0, Ratio}, nil},

	{Unit{"s", 1, 0, Time}, []string{"sec", "S"}},
	{Unit{"ms", 1e-3, 0, Time}, []string{"msec"}},
	{Unit{"µs", 1e-6, 0, Time}, []string{"us", "μs", "usec"}},
	{Unit{"ns", 1e-9, 0, Time}, nil},
	{Unit{"min", 60, 0, Time}, nil},
	{Unit{"h", 3600, 0, Time}, []string{"hr"}},

	{Unit{"rad", 1, 0, Angle}, nil},
	{Unit{"deg", turn / 360, 0, Angle}, []string{"°", "º", "DEG", "Deg", "°CA", "degCA", "deg CA", "°KW"}},

	{Unit{"m", 1, 0, Length}, nil},
	{Unit{"mm", 1e-3, 0, Length}, []string{"MM"}},
	{Unit{"cm", 1e-2, 0, Length}, nil},
	{Unit{"km", 1e3, 0, Length}, nil},
	{Unit{"in", inch, 0, Length}, []string{"inch", "\""}},
	{Unit{"ft", foot, 0, Length}, []string{"feet"}},

	{Unit{"W", 1, 0, Power}, nil},
	{Unit{"kW", 1e3, 0, Power}, []string{"KW", "Kw"}},
	{Unit{"MW", 1e6, 0, Power}, nil},
	{Unit{"hp", 550 * foot * poundForce, 0, Power}, []string{"HP", "Hp", "bhp", "BHP", "whp", "WHP"}},
	{Unit{"PS", 75 * standardGravity, 0, Power}, []string{"ps", "hp(M)", "cv", "CV", "ch", "pk"}},

	{Unit{"V", 1, 0, Voltage}, nil},
	{Unit{"mV", 1e-3, 0, Voltage}, nil},

	{Unit{"V/V", 1, 0, BridgeOutput}, nil},
	{Unit{"mV/V", 1e-3, 0, BridgeOutput}, []string{"mv/v"}},
	{Unit{"µV/V", 1e-6, 0, BridgeOutput}, []string{"uV/V", "μV/V"}},

	{Unit{"count", 1, 0, Count}, []string{"counts", "Counts", "cts", "digit", "digits", "LSB", "lsb"}},
}

var (
	bySymbol = map[string]Unit{}
	byFold   = map[string][]Unit{} // upper and lower case the same, for suggestions only
)

func init() {
	for _, e := range table {
		for _, s := range append([]string{e.Symbol}, e.aliases...) {
			if _, twice := bySymbol[s]; twice {
				panic("unit: " + s + " is in the table twice")
			}
			bySymbol[s] = e.Unit
			f := fold(s)
			if !slices.Contains(byFold[f], e.Unit) {
				byFold[f] = append(byFold[f], e.Unit)
			}
		}
	}
}

func fold(s string) string {
	return strings.NewReplacer(" ", "", "·", "", "*", "", "-", "", ".", "").Replace(strings.ToLower(s))
}

// UnknownError is a symbol that is no unit.
type UnknownError struct {
	Symbol     string
	Dimension  Dimension // expected; empty: any
	Suggestion string    // a unit that was perhaps meant; empty: none
	Accepted   []string  // symbols of the expected dimension, or of all
	Relative   bool      // it is a relative pressure
}

// Error says what is wrong and lists what is accepted.
func (e *UnknownError) Error() string {
	var b strings.Builder
	switch {
	case e.Relative:
		fmt.Fprintf(&b, "unit %q is a relative (gauge) pressure, which is not a unit: log the absolute pressure, or add the air pressure to the column before", e.Symbol)
	case e.Symbol == "":
		b.WriteString("no unit given (write 1 for a pure number)")
	default:
		fmt.Fprintf(&b, "unit %q is not known", e.Symbol)
	}
	if e.Suggestion != "" {
		fmt.Fprintf(&b, "; did you mean %s?", e.Suggestion)
	}
	if e.Dimension != "" {
		fmt.Fprintf(&b, "; a unit of %s is needed", e.Dimension)
	}
	fmt.Fprintf(&b, "; accepted: %s", strings.Join(e.Accepted, ", "))
	return b.String()
}

// MismatchError is a unit of another dimension than is needed.
type MismatchError struct {
	Unit     Unit
	Want     Dimension
	Accepted []string
}

// Error says what the unit is of and lists what is accepted.
func (e *MismatchError) Error() string {
	return fmt.Sprintf("unit %s is of %s, but a unit of %s is needed; accepted: %s", e.Unit.Symbol, e.Unit.Dimension, e.Want, strings.Join(e.Accepted, ", "))
}

// Parse returns the unit a symbol stands for. Upper and lower case matter (mW
// is not MW). An unknown symbol gives an *UnknownError that lists all units.
func Parse(symbol string) (Unit, error) { return parse(symbol, "") }

// ParseAs returns the unit a symbol stands for when it is of the dimension
// wanted, and else an *UnknownError or *MismatchError that lists the accepted
// units of that dimension.
func ParseAs(symbol string, want Dimension) (Unit, error) {
	u, err := parse(symbol, want)
	if err != nil {
		return Unit{}, err
	}
	if u.Dimension != want {
		return Unit{}, &MismatchError{Unit: u, Want: want, Accepted: Accepted(want)}
	}
	return u, nil
}

// ParseFor returns the unit a column of channel c is written in. A channel of
// the site's own (x_…) takes any unit.
func ParseFor(symbol string, c fleet.Channel) (Unit, error) {
	si, known := fleet.Channels[c]
	if !known {
		return Parse(symbol)
	}
	d, _ := DimensionOf(si)
	u, err := ParseAs(symbol, d)
	if err != nil {
		return Unit{}, fmt.Errorf("channel %s: %w", c, err)
	}
	return u, nil
}

func parse(symbol string, want Dimension) (Unit, error) {
	s := strings.TrimSpace(symbol)
	s = strings.TrimSpace(strings.TrimSuffix(strings.TrimPrefix(s, "["), "]"))
	if u, ok := bySymbol[s]; ok {
		return u, nil
	}
	e := &UnknownError{Symbol: s, Dimension: want, Accepted: Accepted(want), Relative: relative(s)}
	if !e.Relative {
		var near []string
		for _, u := range byFold[fold(s)] {
			if s != "" && (want == "" || u.Dimension == want) {
				near = append(near, u.Symbol)
			}
		}
		e.Suggestion = strings.Join(near, " or ")
	}
	return Unit{}, e
}

// relative reports whether a symbol is a pressure unit marked as gauge.
func relative(s string) bool {
	f := strings.ToLower(strings.NewReplacer(" ", "", "(", "", ")", "", "_", "", "-", "").Replace(s))
	for _, mark := range []string{"gauge", "gage", "rel", "g"} {
		base, cut := strings.CutSuffix(f, mark)
		if !cut {
			continue
		}
		for _, u := range byFold[base] {
			if u.Dimension == Pressure {
				return true
			}
		}
	}
	return false
}

// DimensionOf returns the dimension whose SI unit has this symbol, such as
// those in fleet.Channels; false when it is the SI unit of none.
func DimensionOf(si string) (Dimension, bool) {
	u, ok := bySymbol[si]
	if !ok || SI(u.Dimension).Symbol != u.Symbol {
		return "", false
	}
	return u.Dimension, true
}

// SI returns the SI unit of a dimension; the zero Unit for an unknown one.
func SI(d Dimension) Unit {
	for _, e := range table {
		if e.Dimension == d {
			return e.Unit
		}
	}
	return Unit{}
}

// Accepted returns the symbols of a dimension, its SI unit first; of all
// dimensions in alphabetical order when d is empty.
func Accepted(d Dimension) []string {
	var out []string
	for _, e := range table {
		if d == "" || e.Dimension == d {
			out = append(out, e.Symbol)
		}
	}
	if d == "" {
		sort.Strings(out)
	}
	return out
}
