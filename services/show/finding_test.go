package show

import (
	"testing"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// A finding's size is in the unit people use, and absent where it says nothing.
func TestFindingSize(t *testing.T) {
	for _, c := range []struct {
		kind, unit string
		size       float64
		want       string
	}{
		{"ramp_rate", "1", 0.212, "21.2 %"}, {"throttle_closing", "rad", 0.2617993877991494, "15°"}, {"band_not_covered", "rad/s", 31.41592653589793, "300 rpm"},
		{"intake_air_hot", "K", 21.4, "21.4 K"}, {"gap", "s", 0.25, "0.25 s"}, {"clock", "1", 3, "3 samples"}, {"clock", "s", 0.002, "0.002 s"},
		{"no_coast_down", "1", 1, ""}, {"outside_the_standard", "1", 1.0812, "factor 1.0812"}, {"spiking", "m/s", -1.5, "−1.5 m/s"},
	} {
		if got := FindingSize(&rollcallv1.Finding{Kind: c.kind, Size: c.size, SizeUnit: c.unit}); got != c.want {
			t.Errorf("%s %v %s: %q, want %q", c.kind, c.size, c.unit, got, c.want)
		}
	}
	for _, c := range []struct {
		start, end float64
		want       string
	}{{0, 0, ""}, {-1.5, 2, "−1.50 to 2.00 s"}, {3.1, 3.1, "at 3.10 s"}} {
		if got := FindingSpan(&rollcallv1.Finding{StartS: c.start, EndS: c.end}); got != c.want {
			t.Errorf("%v: %q", c, got)
		}
	}
}
