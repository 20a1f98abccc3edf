package show

import "testing"

// Expected values: 1 PS = 75 kgf·m/s = 735.498 75 W; 1 hp = 550 ft·lbf/s =
// 745.699 87… W; 1 lbf·ft = 1.355 817 948… N·m; 1 inHg = 3386.388… Pa with the
// conventional density of mercury (NIST SP 811, appendix B).
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		units, numbers, si string
		x                  float64
		decimals           int
		want               string
	}{
		{"", "", "W", 203400, 2, "203.40 kW"},
		{"PS", "", "W", 203400, 2, "276.55 PS"},
		{"hp", "comma", "W", 203400, 2, "272,76 hp"},
		{"lb-ft", "", "N·m", 329.4, 1, "243.0 lb·ft"},
		{"degF", "", "K", 298.15, 1, "77.0 °F"},
		{"", "", "K", 298.15, 1, "25.0 °C"},
		{"inHg", "", "Pa", 101325, 2, "29.92 inHg"},
		{"", "comma", "Pa", 101325, 1, "1013,2 hPa"},
		{"PS,inHg", "", "N·m", -12.34, 1, "−12.3 N·m"},
		{"", "", "rad/s", 649.2624816, 0, "6200 rpm"},
		{"", "", "m/s", 27.7777778, 1, "100.0 km/h"},
		{"", "", "N·m", -0.04, 1, "0.0 N·m"},
		{"", "", "kg", 1200.5, 1, "1200.5 kg"},
	} {
		u, err := ParseUnits(c.units, c.numbers)
		if err != nil {
			t.Fatal(err)
		}
		s := u.Of(c.si)
		if got := u.Fixed(c.x, s, c.decimals) + " " + s.Symbol; got != c.want {
			t.Errorf("%g %s in %q: %s, want %s", c.x, c.si, c.units, got, c.want)
		}
	}
	f, _ := ParseUnits("°F", "")
	if got := f.Fixed(10, f.Of("K").Difference(), 1); got != "18.0" {
		t.Errorf("a difference of 10 K is %s °F, want 18.0", got)
	}
	for _, bad := range [][2]string{{"furlong", ""}, {"", "roman"}, {"kW,<script>", ""}} {
		if _, err := ParseUnits(bad[0], bad[1]); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
	u, _ := ParseUnits("hp lb.ft", "comma")
	if again, err := ParseUnits(u.String(), u.Numbers()); err != nil || again != u {
		t.Errorf("%q reads back as %v, %v", u, again, err)
	}
}

func TestMarkSentence(t *testing.T) {
	u, _ := ParseUnits("", "comma")
	for in, want := range map[string]string{
		"Offset +1.96\u00a0%\u00a0±\u00a00.43\u00a0% against (−0.83\u00a0%) a limit of ±\u00a01\u00a0%.": "Offset +1,96\u00a0%\u00a0±\u00a00,43\u00a0% against (−0,83\u00a0%) a limit of ±\u00a01\u00a0%.",
		"version 1.2.3 at 09:30 of v0.5": "version 1.2.3 at 09:30 of v0.5",
		"61.5 s, 3.25; 2.5.":             "61,5 s, 3,25; 2,5.",
	} {
		if got := u.MarkSentence(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
