package correction

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"

	"rollcall/services/fleet"
)

func is(x float64) *float64 { return &x }

// sixDecimals is the rounding of the printed grid.
const sixDecimals = 5.1e-7

// TestGrid checks every standard over a grid computed with Python in double
// precision from the formulas of SAE J1349 (η 0.85) and UN R85 Annex 5.
func TestGrid(t *testing.T) {
	for _, c := range []struct {
		p, t                                       float64 // kPa, °C
		ca, sae, sae118, sae1176                   float64
		si, aspirated50, turbo50, turbo70, turbo30 float64
	}{
		{99, 25, 1, 1, 1, 1, 1, 1, 1, 1, 1},
		{97, 30, 1.029145, 1.034288, 1.034391, 1.034275, 1.035075, 1.021383, 1.026240, 1.048221, 1.011843},
		{95, 20, 1.033326, 1.039207, 1.039324, 1.039191, 1.040123, 1.019592, 1.002305, 1.004195, 1.001047},
		{101, 15, 0.963611, 0.957190, 0.957061, 0.957207, 0.956494, 0.971446, 0.957881, 0.924742, 0.980630},
		{93, 35, 1.082230, 1.096741, 1.097031, 1.096702, 1.099470, 1.058140, 1.063495, 1.118433, 1.028377},
		{89, 10, 1.084002, 1.098826, 1.099123, 1.098787, 1.101631, 1.047513, 0.998067, 0.996488, 0.999121},
	} {
		// The two roundings of the formula in print differ from η = 0.85 by
		// what the package says, 0.03 % at the ends of the range.
		ca, _, _ := power(Conditions{DryPressure: c.p * 1e3, Temperature: c.t + 273.15}, 1, 0.5)
		for _, x := range []struct{ got, want float64 }{{ca, c.ca}, {1.18*ca - 0.18, c.sae118}, {1.176*ca - 0.176, c.sae1176}} {
			if math.Abs(x.got-x.want) > sixDecimals {
				t.Errorf("%v kPa, %v °C: %.7f, want %.6f", c.p, c.t, x.got, x.want)
			}
		}
		if math.Abs(c.sae118-c.sae)/c.sae > 3e-4 || math.Abs(c.sae1176-c.sae)/c.sae > 3e-4 {
			t.Errorf("the rounded forms differ by more than 0.03 %%: %v %v %v", c.sae, c.sae118, c.sae1176)
		}
		base := Conditions{DryPressure: c.p * 1e3, Temperature: c.t + 273.15}
		ci := func(q float64, turbo bool) Conditions {
			d := base
			d.FuelDelivery, d.Turbocharged, d.ChargePressureRatio = is(q), turbo, is(1)
			return d
		}
		for _, x := range []struct {
			name string
			s    fleet.Correction
			c    Conditions
			want float64
		}{
			{"none", fleet.CorrectionNone, base, 1},
			{"SAE J1349", fleet.CorrectionSAEJ1349, base, c.sae},
			{"ISO 1585 SI", fleet.CorrectionISO1585SI, base, c.si},
			{"CI aspirated, qc 50", fleet.CorrectionISO1585CI, ci(50, false), c.aspirated50},
			{"CI turbo, qc 50", fleet.CorrectionISO1585CI, ci(50, true), c.turbo50},
			{"CI turbo, qc 70", fleet.CorrectionISO1585CI, ci(70, true), c.turbo70},
			{"CI turbo, qc 30", fleet.CorrectionISO1585CI, ci(30, true), c.turbo30},
		} {
			r, err := Factor(x.s, x.c)
			if err != nil {
				t.Fatalf("%s at %v kPa, %v °C: %v", x.name, c.p, c.t, err)
			}
			if math.Abs(r.Factor-x.want) > sixDecimals {
				t.Errorf("%s at %v kPa, %v °C: %.7f, want %.6f", x.name, c.p, c.t, r.Factor, x.want)
			}
			if r.Standard != x.s {
				t.Errorf("%s says it is %s", x.name, r.Standard)
			}
		}
	}
}

// TestOlder checks the two older standards: values computed with Python, DIN
// 70020 with 101.3 kPa and 293 K from t + 273, SAE J607 with 101.325 kPa and
// 288.7056 K from t + 273.15. DIN takes the barometer, whatever the dry pressure.
func TestOlder(t *testing.T) {
	for _, c := range []struct {
		s          fleet.Correction
		p, t, want float64
	}{
		{fleet.CorrectionDIN70020, 97, 30, 1.062002},
		{fleet.CorrectionDIN70020, 95, 20, 1.066316},
		{fleet.CorrectionDIN70020, 101, 15, 0.994376},
		{fleet.CorrectionSAEJ607, 99, 25, 1.040091},
		{fleet.CorrectionSAEJ607, 97, 30, 1.070400},
		{fleet.CorrectionSAEJ607, 95, 20, 1.074757},
	} {
		in := Conditions{DryPressure: c.p * 1e3, Barometer: c.p * 1e3, Temperature: c.t + 273.15}
		r, err := Factor(c.s, in)
		if err != nil || math.Abs(r.Factor-c.want) > sixDecimals || r.Standard != c.s {
			t.Errorf("%s at %v kPa, %v °C: %.7f (%v), want %.6f", c.s, c.p, c.t, r.Factor, err, c.want)
		}
		in.DryPressure -= 1200 // moist air of the same barometer
		moist, err := Factor(c.s, in)
		if same := moist.Factor == r.Factor; err != nil || same != (c.s == fleet.CorrectionDIN70020) {
			t.Errorf("%s in moist air %v, in dry %v (%v)", c.s, moist.Factor, r.Factor, err)
		}
	}
	// The derivatives are those of the factor, by central differences.
	at := func(p, temperature float64) Result {
		r, err := Factor(fleet.CorrectionDIN70020, Conditions{DryPressure: 60e3, Barometer: p, Temperature: temperature})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for p := 70e3; p <= 115e3; p += 5e3 {
		for T := 250.; T <= 340; T += 10 {
			r := at(p, T)
			dp, dT := (at(p+1, T).Factor-at(p-1, T).Factor)/2, (at(p, T+0.01).Factor-at(p, T-0.01).Factor)/0.02
			if !scalar.EqualWithinRel(r.DBarometer, dp, 1e-6) || !scalar.EqualWithinRel(r.DTemperature, dT, 1e-6) || r.DPressure != 0 {
				t.Errorf("at %v Pa, %v K: derivatives %v, %v, %v; by difference %v, %v", p, T, r.DBarometer, r.DTemperature, r.DPressure, dp, dT)
			}
		}
	}
}

// TestCharged: a charged engine gets the standard's factor with the caution
// that its assumption may not hold; another gets none; no correction has
// nothing to be cautious about. UN R85 Supplement 7 (GRPE-70-02) has 1 for
// engines that compensate by themselves.
func TestCharged(t *testing.T) {
	for _, s := range Standards() {
		in := Conditions{DryPressure: 95e3, Barometer: 96e3, Temperature: 303.15, FuelDelivery: is(50), ChargePressureRatio: is(1.6)}
		natural, err := Factor(s, in)
		if err != nil || natural.Caution != "" {
			t.Errorf("%s, not charged: %+v %v", s, natural, err)
		}
		in.Charged = true
		charged, err := Factor(s, in)
		if err != nil || charged.Factor != natural.Factor {
			t.Errorf("%s: charged %v, else %v (%v)", s, charged.Factor, natural.Factor, err)
		}
		if s == fleet.CorrectionNone {
			if charged.Caution != "" {
				t.Errorf("no correction cautions: %s", charged.Caution)
			}
			continue
		}
		for _, says := range []string{Name(s), "held to a set point", "the uncorrected one holds"} {
			if !strings.Contains(charged.Caution, says) {
				t.Errorf("%s: caution %q does not say %q", s, charged.Caution, says)
			}
		}
		if charged.InRange != natural.InRange || charged.Note != natural.Note {
			t.Errorf("%s: the caution changed the judgement of the range", s)
		}
	}
}

// TestCompressionIgnitionExample is a worked example of UN R85 Annex 5, 5.4.2
// with charge pressure ratio, computed with Python: fa 1.0553041819, qc 60,
// fm 1.02, αd 1.0564409141.
func TestCompressionIgnitionExample(t *testing.T) {
	c := Conditions{DryPressure: 95e3, Temperature: 303.15, FuelDelivery: is(120), ChargePressureRatio: is(2), Turbocharged: true}
	r, err := Factor(fleet.CorrectionISO1585CI, c)
	if err != nil {
		t.Fatal(err)
	}
	if !scalar.EqualWithinAbs(r.Factor, 1.0564409141, 6e-11) {
		t.Errorf("αd %.10f, want 1.0564409141", r.Factor)
	}
	// A mechanically driven charger: aspirated exponents, qc still over r.
	c.Turbocharged = false
	r, err = Factor(fleet.CorrectionISO1585CI, c)
	want := math.Pow(99./95*math.Pow(303./298, 0.7), 1.02) // by hand, as above
	if err != nil || !scalar.EqualWithinRel(r.Factor, want, 1e-14) {
		t.Errorf("mechanically charged %v, want %v (%v)", r.Factor, want, err)
	}
}

// TestEngineFactor: the line of UN R85 Annex 5, 5.4.2.2 gives exactly 0.3 at 40
// and 1.2 at 65, so there is no step.
func TestEngineFactor(t *testing.T) {
	for qc, want := range map[float64]float64{0: 0.3, 39: 0.3, 40: 0.3, 50: 0.66, 60: 1.02, 65: 1.2, 66: 1.2, 200: 1.2} {
		if got := engineFactor(qc); math.Abs(got-want) > 1e-12 {
			t.Errorf("fm(%v) = %v, want %v", qc, got, want)
		}
	}
	for _, seam := range []float64{40, 65} {
		below, above := engineFactor(math.Nextafter(seam, 0)), engineFactor(math.Nextafter(seam, 100))
		if math.Abs(above-below) > 1e-12 {
			t.Errorf("fm steps from %v to %v at %v", below, above, seam)
		}
	}
}

// TestBattery holds for every standard: 1 at the reference air; thinner or
// warmer air never lowers it; the derivatives are those of the factor; the
// factor is never clipped.
func TestBattery(t *testing.T) {
	for _, s := range []fleet.Correction{fleet.CorrectionNone, fleet.CorrectionSAEJ1349, fleet.CorrectionSAEJ607, fleet.CorrectionISO1585SI, fleet.CorrectionISO1585CI} {
		for _, turbo := range []bool{false, true} {
			at := func(p, temperature float64) Result {
				r, err := Factor(s, Conditions{DryPressure: p, Temperature: temperature, FuelDelivery: is(55), ChargePressureRatio: is(1), Turbocharged: turbo})
				if err != nil {
					t.Fatal(err)
				}
				return r
			}
			if r := at(99e3, 298.15); s != fleet.CorrectionSAEJ607 && math.Abs(r.Factor-1) > 1e-14 || !r.InRange || r.Note != "" {
				t.Errorf("%s at the reference: %+v", s, r)
			}
			for p := 60e3; p <= 115e3; p += 5e3 {
				for T := 250.; T <= 340; T += 10 {
					r := at(p, T)
					dp := (at(p+1, T).Factor - at(p-1, T).Factor) / 2
					dT := (at(p, T+0.01).Factor - at(p, T-0.01).Factor) / 0.02
					if math.Abs(r.DPressure-dp) > 1e-6*math.Abs(dp)+1e-14 || math.Abs(r.DTemperature-dT) > 1e-6*math.Abs(dT)+1e-12 {
						t.Errorf("%s at %v Pa, %v K: derivatives %v, %v; by difference %v, %v", s, p, T, r.DPressure, r.DTemperature, dp, dT)
					}
					if r.DPressure > 0 || r.DTemperature < 0 {
						t.Errorf("%s falls with thinner or warmer air at %v Pa, %v K", s, p, T)
					}
					if s != fleet.CorrectionNone && r.DPressure == 0 {
						t.Errorf("%s is clipped at %v Pa, %v K", s, p, T)
					}
					if (r.Note == "") != r.InRange {
						t.Errorf("%s at %v Pa, %v K: in range %v, note %q", s, p, T, r.InRange, r.Note)
					}
				}
			}
		}
	}
}

// TestRange: outside is said, with what and of which standard. Ranges: SAE
// J1349 and UN R85 as the package states them (from memory); factors by hand.
func TestRange(t *testing.T) {
	for _, c := range []struct {
		name string
		s    fleet.Correction
		c    Conditions
		in   bool
		says []string
	}{
		{"SAE inside", fleet.CorrectionSAEJ1349, Conditions{DryPressure: 97e3, Temperature: 303.15}, true, nil},
		{"SAE factor above", fleet.CorrectionSAEJ1349, Conditions{DryPressure: 93e3, Temperature: 308.15}, false, []string{"SAE J1349: factor 1.097 is outside 0.93 to 1.07"}},
		{"SAE end of temperature is inside", fleet.CorrectionSAEJ1349, Conditions{DryPressure: 99e3, Temperature: 308.15}, true, nil},
		{"SAE cold and thin", fleet.CorrectionSAEJ1349, Conditions{DryPressure: 89e3, Temperature: 283.15}, false, []string{"factor 1.099", "dry pressure 89.0 kPa is outside 90.0 kPa to 105.0 kPa", "intake air 10.0 °C is outside 15.0 °C to 35.0 °C"}},
		{"ISO SI below", fleet.CorrectionISO1585SI, Conditions{DryPressure: 107e3, Temperature: 288.15}, false, []string{"ISO 1585 spark ignition: factor 0.8925"}},
		{"ISO SI hot", fleet.CorrectionISO1585SI, Conditions{DryPressure: 99e3, Temperature: 313.15}, false, []string{"intake air 40.0 °C"}},
		{"ISO CI wider", fleet.CorrectionISO1585CI, Conditions{DryPressure: 93e3, Temperature: 308.15, FuelDelivery: is(50)}, true, nil},
		{"ISO CI outside", fleet.CorrectionISO1585CI, Conditions{DryPressure: 90e3, Temperature: 308.15, FuelDelivery: is(70)}, false, []string{"outside 0.9 to 1.1"}},
		{"ISO CI ratio", fleet.CorrectionISO1585CI, Conditions{DryPressure: 99e3, Temperature: 298.15, FuelDelivery: is(50), ChargePressureRatio: is(0.9)}, false, []string{"charge pressure ratio 0.9 is outside 1 to any higher"}},
		{"J607 inside", fleet.CorrectionSAEJ607, Conditions{DryPressure: 97e3, Temperature: 303.15}, true, nil},
		{"J607 thin", fleet.CorrectionSAEJ607, Conditions{DryPressure: 89e3, Temperature: 303.15}, false, []string{"SAE J607: factor 1.167 is outside 0.9673 to 1.113"}},
		{"DIN inside", fleet.CorrectionDIN70020, Conditions{DryPressure: 96e3, Barometer: 97e3, Temperature: 303.15}, true, nil},
		{"DIN thin", fleet.CorrectionDIN70020, Conditions{DryPressure: 88e3, Barometer: 89e3, Temperature: 303.15}, false, []string{"DIN 70020: factor 1.157 is outside 0.9597 to 1.104"}},
		{"none anywhere", fleet.CorrectionNone, Conditions{}, true, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Factor(c.s, c.c)
			if err != nil {
				t.Fatal(err)
			}
			if r.InRange != c.in {
				t.Errorf("in range %v, factor %v, note %q", r.InRange, r.Factor, r.Note)
			}
			for _, s := range c.says {
				if !strings.Contains(r.Note, s) {
					t.Errorf("note %q does not say %q", r.Note, s)
				}
			}
		})
	}
}

func TestRefused(t *testing.T) {
	good := Conditions{DryPressure: 99e3, Temperature: 298.15}
	with := func(f func(*Conditions)) Conditions { c := good; f(&c); return c }
	for _, c := range []struct {
		name string
		s    fleet.Correction
		c    Conditions
		is   error
		says string
	}{
		{"unknown standard", "din_70021", good, nil, `"din_70021" is not known; choose none, sae_j1349, sae_j607, iso_1585_si, iso_1585_ci or din_70020`},
		{"no standard", "", good, nil, "is not known"},
		{"hPa for Pa", fleet.CorrectionSAEJ1349, with(func(c *Conditions) { c.DryPressure = 990 }), nil, "check the unit (hPa, kPa?)"},
		{"°C for K", fleet.CorrectionISO1585SI, with(func(c *Conditions) { c.Temperature = 25 }), nil, "check the unit (°C, °F?)"},
		{"not a number", fleet.CorrectionSAEJ1349, with(func(c *Conditions) { c.DryPressure = math.NaN() }), nil, "dry air pressure NaN"},
		{"no fuel", fleet.CorrectionISO1585CI, good, ErrFuelDelivery, "correct to iso_1585_ci"},
		{"no barometer", fleet.CorrectionDIN70020, good, ErrBarometer, "correct to din_70020"},
		{"barometer in hPa", fleet.CorrectionDIN70020, with(func(c *Conditions) { c.Barometer = 1002 }), nil, "air pressure 1002 Pa is not between"},
		{"fuel nought", fleet.CorrectionISO1585CI, with(func(c *Conditions) { c.FuelDelivery = is(0) }), nil, "fuel delivery 0"},
		{"no charge pressure", fleet.CorrectionISO1585CI, with(func(c *Conditions) { c.FuelDelivery, c.Turbocharged = is(50), true }), ErrChargePressure, ""},
		{"charge ratio nought", fleet.CorrectionISO1585CI, with(func(c *Conditions) { c.FuelDelivery, c.ChargePressureRatio = is(50), is(0) }), nil, "charge pressure ratio 0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Factor(c.s, c.c)
			if err == nil || !strings.Contains(err.Error(), c.says) || c.is != nil && !errors.Is(err, c.is) {
				t.Errorf("%v", err)
			}
		})
	}
}
