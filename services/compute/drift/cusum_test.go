package drift

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
	"gonum.org/v1/gonum/stat"
)

// Expected values: R package spc 0.6.7,
// xcusum.arl(.5, h, mu, sided = "two", r = 60), printed to 4 decimals; Montgomery's tables and the
// NIST/SEMATECH e-Handbook print the h = 4 and h = 5 columns rounded.
func TestRunLength(t *testing.T) {
	limits := []float64{3, 4, 4.77, 5, 8}
	rows := []struct {
		shift float64
		want  [5]float64
	}{
		{0, [5]float64{58.7979, 167.6838, 368.5614, 465.4435, 9482.864}},
		{0.25, [5]float64{36.2410, 74.2240, 121.3127, 139.4937, 736.1196}},
		{0.5, [5]float64{17.1985, 26.6302, 35.2082, 37.9961, 84.0006}},
		{0.75, [5]float64{9.6704, 13.2851, 16.1729, 17.0483, 28.7634}},
		{1, [5]float64{6.4031, 8.3831, 9.9170, 10.3760, 16.3720}},
		{1.5, [5]float64{3.7491, 4.7472, 5.5172, 5.7472, 8.7473}},
		{2, [5]float64{2.6797, 3.3428, 3.8553, 4.0089, 6.0093}},
		{2.5, [5]float64{2.1208, 2.6195, 2.9986, 3.1137, 4.6158}},
		{3, [5]float64{1.7732, 2.1945, 2.4844, 2.5733, 3.7781}},
		{4, [5]float64{1.3108, 1.7085, 1.9558, 2.0126, 2.8360}},
	}
	for _, r := range rows {
		for i, h := range limits {
			t.Run(fmt.Sprintf("shift %g h %g", r.shift, h), func(t *testing.T) {
				if got := RunLength(r.shift, 0.5, h); !scalar.EqualWithinAbsOrRel(got, r.want[i], 6e-5, 2e-5) {
					t.Errorf("run length %.5f, want %.5f", got, r.want[i])
				}
				if got := RunLength(-r.shift, 0.5, h); !scalar.EqualWithinAbsOrRel(got, r.want[i], 6e-5, 2e-5) {
					t.Errorf("run length of the opposite shift %.5f, want %.5f", got, r.want[i])
				}
			})
		}
	}
}

// Expected values: R package spc 0.6.7, xcusum.arl with hs = h/2, h = 5.
func TestRunLengthHeadStart(t *testing.T) {
	for shift, want := range map[float64]float64{0: 430.3908, 0.5: 28.6658, 1: 6.3469, 2: 2.3623} {
		if got := RunLengthFrom(2.5, shift, 0.5, 5); !scalar.EqualWithinRel(got, want, 2e-5) {
			t.Errorf("shift %g: run length %.5f, want %.4f", shift, got, want)
		}
	}
}

// Expected values: R package spc 0.6.7, xcusum.crit(.5, L0, sided = "two").
func TestLimitFor(t *testing.T) {
	for l, want := range map[float64]float64{370: 4.773834, 500: 5.070704} {
		got, err := LimitFor(l, 0.5)
		if err != nil {
			t.Fatal(err)
		}
		if !scalar.EqualWithinAbs(got, want, 2e-5) {
			t.Errorf("limit for %g = %.6f, want %.6f", l, got, want)
		}
	}
	for _, bad := range []struct{ l, k float64 }{{0.5, 0.5}, {math.NaN(), 0.5}, {1e300, 0.5}, {370, 0}, {370, -1}} {
		if h, err := LimitFor(bad.l, bad.k); err == nil {
			t.Errorf("run length %g, k %g gave h = %g", bad.l, bad.k, h)
		}
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.3 (group means from memory): target 325,
// k 0.3175, h 4.1959, in the units of the data. First signal at group 14.
func TestCUSUMHandbook(t *testing.T) {
	data := table(t, "nist_cusum_example.csv")
	mean, hi, lo := numbers(t, data["mean"]), numbers(t, data["s_hi"]), numbers(t, data["s_lo"])
	c := CUSUM{K: 0.3175}
	first := 0
	for i, m := range mean {
		c.Add(m - 325)
		if !scalar.EqualWithinAbs(c.High, hi[i], 1e-9) || !scalar.EqualWithinAbs(c.Low, lo[i], 1e-9) {
			t.Errorf("group %d: %.4f and %.4f, want %.4f and %.4f", i+1, c.High, c.Low, hi[i], lo[i])
		}
		if first == 0 && (c.High > 4.1959 || c.Low > 4.1959) {
			first = i + 1
		}
	}
	if first != 14 {
		t.Errorf("first signal at group %d, want 14", first)
	}
}

// Montgomery and Runger, Applied Statistics and Probability for Engineers,
// table 16-7, target 99; sides with K = 1 computed from it by hand.
func TestCUSUMChemicalConcentration(t *testing.T) {
	x := numbers(t, table(t, "mr_chemical_concentration.csv")["x"])
	up := []float64{2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0}
	low := []float64{0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0}
	c := CUSUM{K: 1}
	for i, v := range x {
		c.Add(v - 99)
		if !scalar.EqualWithinAbs(c.High, up[i], 1e-9) || !scalar.EqualWithinAbs(c.Low, low[i], 1e-9) {
			t.Errorf("observation %d: %.4f and %.4f, want %.4f and %.4f", i+1, c.High, c.Low, up[i], low[i])
		}
	}
}

// R package qcc, data pistonrings (Montgomery 1991): phase I grand mean
// 74.001176 and R̄/d2 0.009785338 standardise the sample means; the process is
// in control for the first 25 samples and the shift after sample 34 is what
// Montgomery's x̄ chart also shows (samples 37 to 39 outside its limits).
func TestCUSUMPistonRings(t *testing.T) {
	data := table(t, "pistonrings.csv")
	d := numbers(t, data["diameter"])
	h, err := LimitFor(500, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	c := CUSUM{K: 0.5}
	first := 0
	for i := 0; i+5 <= len(d); i += 5 {
		c.Add((stat.Mean(d[i:i+5], nil) - 74.001176) / (0.009785338 / math.Sqrt(5)))
		if first == 0 && (c.High > h || c.Low > h) {
			first = i/5 + 1
			if c.Low > h {
				t.Error("the low side signals")
			}
		}
	}
	if first < 34 || first > 37 {
		t.Errorf("first signal at sample %d, want one of 34 to 37", first)
	}
}

// The computed run length against simulated ones, in and out of control.
func TestRunLengthSimulated(t *testing.T) {
	r := newRand(11)
	for _, shift := range []float64{0, 1} {
		const runs = 4000
		sum, sq := 0.0, 0.0
		for range runs {
			c, n := CUSUM{K: 0.5}, 0.0
			for c.High <= 4 && c.Low <= 4 {
				c.Add(shift + r.NormFloat64())
				n++
			}
			sum, sq = sum+n, sq+n*n
		}
		mean := sum / runs
		se := math.Sqrt((sq/runs - mean*mean) / runs)
		if want := RunLength(shift, 0.5, 4); math.Abs(mean-want) > 4*se {
			t.Errorf("shift %g: simulated %.2f ± %.2f, computed %.2f", shift, mean, se, want)
		}
	}
}
