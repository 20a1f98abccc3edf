package show

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"rollcall/services/compute/unit"
)

// Units are the units somebody reads figures in, and the mark between whole and
// tenths. The zero value is not valid; DefaultUnits and ParseUnits give one.
type Units struct {
	Power, Torque, Temperature, Pressure unit.Unit
	// Comma writes 1,5 for 1.5.
	Comma bool
}

// The units that can be chosen, the usual one first, as they are written.
var (
	PowerUnits       = []string{"kW", "PS", "hp"}
	TorqueUnits      = []string{"N·m", "lb·ft"}
	TemperatureUnits = []string{"°C", "°F"}
	PressureUnits    = []string{"hPa", "inHg"}
)

// DefaultUnits are those of the command line: kW, N·m, °C, hPa, and a point.
func DefaultUnits() Units {
	u, err := ParseUnits("", "")
	if err != nil {
		panic("show: the usual units are unknown: " + err.Error())
	}
	return u
}

// ParseUnits reads units as an address has them, such as "PS,lb·ft,°F,inHg", in
// any order, those left out as usual; and numbers, "point" or "comma". lb-ft, degC
// and degF are understood too.
func ParseUnits(units, numbers string) (Units, error) {
	var u Units
	set := func(symbol string) bool {
		for _, x := range []struct {
			choices []string
			to      *unit.Unit
			as      unit.Dimension
		}{{PowerUnits, &u.Power, unit.Power}, {TorqueUnits, &u.Torque, unit.Torque}, {TemperatureUnits, &u.Temperature, unit.Temperature}, {PressureUnits, &u.Pressure, unit.Pressure}} {
			for _, c := range x.choices {
				if !strings.EqualFold(plainUnit(c), plainUnit(symbol)) {
					continue
				}
				parsed, err := unit.ParseAs(c, x.as)
				if err != nil {
					return false
				}
				parsed.Symbol = c
				*x.to = parsed
				return true
			}
		}
		return false
	}
	for _, usual := range []string{PowerUnits[0], TorqueUnits[0], TemperatureUnits[0], PressureUnits[0]} {
		set(usual)
	}
	for _, symbol := range strings.FieldsFunc(units, func(r rune) bool { return r == ',' || r == ' ' }) {
		if !set(symbol) {
			return u, fmt.Errorf("%.20q is no unit to read in; choose of %s", symbol, strings.Join(slices.Concat(PowerUnits, TorqueUnits, TemperatureUnits, PressureUnits), ", "))
		}
	}
	switch numbers {
	case "", "point":
	case "comma":
		u.Comma = true
	default:
		return u, fmt.Errorf("%.20q is no way to write numbers; choose point or comma", numbers)
	}
	return u, nil
}

// plainUnit is a unit's symbol as it can be typed in an address.
func plainUnit(s string) string {
	return strings.NewReplacer("·", "", "-", "", ".", "", "°", "", "deg", "").Replace(s)
}

// String lists the units, as ParseUnits reads them.
func (u Units) String() string {
	return strings.Join([]string{u.Power.Symbol, u.Torque.Symbol, u.Temperature.Symbol, u.Pressure.Symbol}, ",")
}

// Numbers is "point" or "comma".
func (u Units) Numbers() string {
	if u.Comma {
		return "comma"
	}
	return "point"
}

// Scale is how a quantity is shown.
type Scale struct {
	unit.Unit
	// Decimals are those of its figures where nothing else is known.
	Decimals int
}

// Of returns how a quantity of an SI unit is shown: W, N·m, K, Pa, rad/s, m/s, "1"
// for a ratio (in percent), and any other as it is.
func (u Units) Of(si string) Scale {
	switch si {
	case "W":
		return Scale{u.Power, 2}
	case "N·m":
		return Scale{u.Torque, 1}
	case "K":
		return Scale{u.Temperature, 1}
	case "Pa":
		decimals := 1
		if u.Pressure.Symbol != "hPa" {
			decimals = 3 // 0.001 inHg is 0.03 hPa
		}
		return Scale{u.Pressure, decimals}
	case "rad/s":
		return Scale{unit.Unit{Symbol: "rpm", Scale: RPM}, 0}
	case "m/s":
		return Scale{unit.Unit{Symbol: "km/h", Scale: 1 / 3.6}, 1}
	case "1":
		return Scale{unit.Unit{Symbol: "%", Scale: 0.01}, 2}
	case "N":
		return Scale{unit.Unit{Symbol: "N", Scale: 1}, 1}
	}
	return Scale{unit.Unit{Symbol: si, Scale: 1}, 3}
}

// Difference returns how a difference or an uncertainty of a quantity is shown:
// one of 1 K is 1 °C, not −272.15 °C.
func (s Scale) Difference() Scale {
	s.Offset = 0
	return s
}

// Fixed is an SI value with so many decimals.
func (u Units) Fixed(si float64, s Scale, decimals int) string {
	x := s.FromSI(si)
	text := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	if x < 0 && strings.Trim(text, "0.") != "" {
		text = "−" + text
	}
	return u.Mark(text)
}

// Signed is Fixed with a plus where it is positive.
func (u Units) Signed(si float64, s Scale, decimals int) string {
	return u.Mark(Signed(s.FromSI(si), decimals))
}

// Mark gives a figure the reader's mark between whole and tenths. It is for
// figures, in which a point stands between digits as that mark only.
func (u Units) Mark(s string) string {
	if !u.Comma {
		return s
	}
	b := []byte(s)
	for i := 1; i+1 < len(b); i++ {
		if b[i] == '.' && digit(b[i-1]) && digit(b[i+1]) {
			b[i] = ','
		}
	}
	return string(b)
}

func digit(c byte) bool { return c >= '0' && c <= '9' }

// MarkSentence is Mark for a sentence: only a number that stands by itself is
// changed, no version, time or name.
func (u Units) MarkSentence(s string) string {
	if !u.Comma {
		return s
	}
	fields := strings.SplitAfter(s, " ")
	for i, f := range fields {
		core := strings.TrimRight(f, " ,;:.)\u00a0%")
		number := strings.TrimLeft(core, "(+−±-=\u00a0")
		for _, part := range strings.Split(number, "\u00a0") {
			if _, err := strconv.ParseFloat(strings.TrimLeft(part, "±+−-"), 64); err == nil && strings.Count(part, ".") == 1 {
				f = strings.Replace(f, part, u.Mark(part), 1)
			}
		}
		fields[i] = f
	}
	return strings.Join(fields, "")
}
