package loadcell

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"rollcall/services/fleet"
)

func bent() Calibration {
	return Calibration{
		Zero: 3, Gain: 0.01, Quadratic: -2e-6, Cubic: 3e-10, Degree: 3, Low: 0, High: 3000,
		UZero: 0.5, UGain: 1e-3, CovZeroGain: -2e-4,
		Cov: [4][4]float64{
			{0.25, -2e-4, 1e-8, 0},
			{-2e-4, 1e-6, -2e-10, 1e-14},
			{1e-8, -2e-10, 1e-13, -1e-17},
			{0, 1e-14, -1e-17, 1e-20},
		},
	}
}

// TestCurve: Force undoes Reading, within the loads and along the tangents
// beyond; the sensitivities are what a small change of a coefficient does.
func TestCurve(t *testing.T) {
	c := bent()
	for _, f := range []float64{-500, -1, 0, 1e-6, 10, 560, 1500, 2999, 3000, 3001, 5000} {
		x := c.Reading(f)
		near(t, "force", c.Force(x), f, 1e-9, 1e-13)
		s := c.Sensitivities(x)
		for k, h := range []float64{1e-3, 1e-6, 1e-9, 1e-12} {
			up, down := c, c
			for _, p := range []struct {
				c *Calibration
				h float64
			}{{&up, h}, {&down, -h}} {
				switch k {
				case 0:
					p.c.Zero += p.h
				case 1:
					p.c.Gain += p.h
				case 2:
					p.c.Quadratic += p.h
				case 3:
					p.c.Cubic += p.h
				}
			}
			near(t, "sensitivity", s[k], (up.Force(x)-down.Force(x))/(2*h), 1e-6*math.Abs(s[k])+1e-5, 1e-6)
		}
		v := 0.0
		for i := range s {
			for k := range s {
				v += s[i] * c.Cov[i][k] * s[k]
			}
		}
		near(t, "u", c.UForce(x), math.Sqrt(v), 0, 1e-12)
		// Of the other sign everything is the same.
		near(t, "mirrored", c.mirrored().Force(-x), -c.Force(x), 1e-9, 1e-13)
		near(t, "its u", c.mirrored().UForce(-x), c.UForce(x), 0, 1e-9)
	}
	// 1500 N by hand: 3 + 1.01·1500 − 2e-6·2.25e6 + 3e-10·3.375e9 = 1514.5125.
	near(t, "reading", c.Reading(1500), 1514.5125, 1e-9, 0)
	// A line is a line, to the bit, with or without its degree.
	a, b := Calibration{Zero: 3, Gain: 0.02, UZero: 0.5, UGain: 1e-3, CovZeroGain: -2e-4}, Calibration{Zero: 3, Gain: 0.02, UZero: 0.5, UGain: 1e-3, CovZeroGain: -2e-4, Degree: 1}
	for x := -100.0; x < 5000; x += 333.3 {
		if a.Force(x) != (x-3)/(1+0.02) || a.Force(x) != b.Force(x) || a.UForce(x) != b.UForce(x) {
			t.Fatal("a line has changed")
		}
		near(t, "u by the covariance", math.Sqrt(a.CovForce(x, x)), a.UForce(x), 0, 1e-12)
	}
	falls := c
	falls.Quadratic = -1e-3
	if falls.possible() || !c.possible() {
		t.Error("a curve that falls is taken")
	}
}

// TestLine: the line that stands for a curve has its force and covariance at a
// fifth and four fifths of the loads, and its U within a fifth over the loads
// that are judged, for calibrations as a bent load cell gives them.
func TestLine(t *testing.T) {
	cell, masses := bay(), weights()
	rng := rand.New(rand.NewPCG(5, 5))
	for _, bend := range []func(float64) float64{
		func(f float64) float64 { return -5e-6 * f * f },
		func(f float64) float64 { return 6e-6*f*f - 3.5e-9*f*f*f },
	} {
		check := weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return 2 + 1.01*f + bend(f) + 0.5*rng.NormFloat64() })
		check.State = fleet.AsLeft
		c := Judge(check, cell, masses, gravity, Calibration{}).AsLeft
		if c.Degree < 2 {
			t.Fatalf("degree %d", c.Degree)
		}
		l := c.Line()
		if l.Degree != 0 || l.Epoch != c.Epoch || l.Line() != l {
			t.Errorf("%+v", l)
		}
		x := []float64{c.Reading(c.Low + 0.2*(c.High-c.Low)), c.Reading(c.Low + 0.8*(c.High-c.Low))}
		for i := range x {
			near(t, "force", l.Force(x[i]), c.Force(x[i]), 1e-9, 0)
			for k := range x {
				near(t, "covariance", l.CovForce(x[i], x[k]), c.CovForce(x[i], x[k]), 0, 1e-6)
			}
		}
		for f := 0.2 * c.High; f <= c.High; f += 50 {
			if q := l.UForce(l.Reading(f)) / c.UForce(c.Reading(f)); q < 0.8 || q > 1.2 {
				t.Errorf("at %v N the line's u is %.2f of the curve's", f, q)
			}
		}
	}
}

// TestPontius: NIST StRD Pontius as a shunt check, readings in millionths:
// degree 2 with the certified coefficients (1e6 times the certified ones), and
// the lack-of-fit F of NIST/SEMATECH e-Handbook 4.6.1.
func TestPontius(t *testing.T) {
	f, err := os.Open("../../../testdata/nist_strd_pontius.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rd := csv.NewReader(f)
	rd.Comment = '#'
	rows, err := rd.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	check := fleet.Check{Kind: fleet.CheckShunt, State: fleet.AsFound}
	for _, row := range rows[1:] {
		y, _ := strconv.ParseFloat(row[0], 64)
		x, _ := strconv.ParseFloat(row[1], 64)
		y *= 1e6
		check.Readings = append(check.Readings, fleet.Reading{Force: &y, Simulated: &x})
	}
	cell := bay()
	cell.LoadCellRange = 0
	i := Judge(check, cell, nil, 0, Calibration{}).Interpolation
	if i == nil || i.Degree != 2 {
		t.Fatalf("%+v", i)
	}
	const digits = 1e-10
	near(t, "B0", i.Coefficients[0], 1e6*0.673565789473684e-03, 0, digits)
	near(t, "B1", i.Coefficients[1], 1e6*0.732059160401003e-06, 0, digits)
	near(t, "B2", i.Coefficients[2], 1e6*-0.316081871345029e-14, 0, digits)
	near(t, "sd B0", math.Sqrt(i.Covariance[0][0]), 1e6*0.107938612033077e-03, 0, digits)
	near(t, "sd B1", math.Sqrt(i.Covariance[1][1]), 1e6*0.157817399981659e-09, 0, digits)
	near(t, "sd B2", math.Sqrt(i.Covariance[2][2]), 1e6*0.486652849992036e-16, 0, digits)
	near(t, "residual", i.Residual, 1e6*0.205177424076185e-03, 0, digits)
	near(t, "F of the line, as printed", i.Tried[0].LackOfFit, 214.7464, 0, 3e-6)
	near(t, "F of degree 2", i.Tried[1].LackOfFit, 0.81072, 0, 1e-5)
	near(t, "its p", i.Tried[1].P, 0.66617, 0, 1e-5)
	if i.Tried[0].DoFLack != 18 || i.Tried[0].DoFPure != 20 || i.DoF != 37 || len(i.Residuals) != 40 {
		t.Errorf("%+v", i)
	}
}

// TestDegree: which degree is taken for indicators of known shape.
func TestDegree(t *testing.T) {
	for _, c := range []struct {
		name   string
		bend   func(float64) float64
		noise  float64
		cycles int
		least  float64 // share of 300 checks with the degree
		want   int
	}{
		{"line, exact", func(f float64) float64 { return 0 }, 0, 2, 1, 1},
		{"line, noisy", func(f float64) float64 { return 0 }, 1, 2, 0.85, 1},
		{"line, one cycle up", func(f float64) float64 { return 0 }, 1, 1, 0.85, 1},
		{"quadratic", func(f float64) float64 { return -3e-6 * f * f }, 0.7, 2, 0.85, 2},
		{"cubic", func(f float64) float64 { return 4e-6*f*f - 2.4e-9*f*f*f }, 0.7, 2, 0.9, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(3, 3))
			cell, masses := wide(), weights()
			n := 0
			for range 300 {
				r := Judge(weigh(cycle(5), c.cycles, cell, masses, gravity, func(f float64) float64 { return f + c.bend(f) + c.noise*rng.NormFloat64() }), cell, masses, gravity, Calibration{})
				if r.Interpolation.Degree == c.want {
					n++
				}
				if r.Interpolation.Reason == "" || r.AsLeft.Degree > 1 != (r.Interpolation.Degree > 1) {
					t.Fatalf("%+v", r.Interpolation)
				}
			}
			if share := float64(n) / 300; share < c.least {
				t.Errorf("degree %d in %.0f %%", c.want, 100*share)
			}
		})
	}
	// Two loads make a line and no test of it.
	cell, masses := bay(), weights()
	two := []step{{1, fleet.Rising}, {2, fleet.Rising}, {1, fleet.Falling}}
	r := Judge(weigh(two, 3, cell, masses, gravity, func(f float64) float64 { return f }), cell, masses, gravity, Calibration{})
	if r.Interpolation == nil {
		t.Fatal(r.Reason)
	}
	if r.Interpolation.Degree != 1 || len(r.Interpolation.Tried) != 1 || r.Interpolation.Tried[0].Replicated {
		t.Errorf("%+v", r.Interpolation)
	}
	if _, ok := r.Get(Linearity); ok {
		t.Error("linearity of two loads")
	}
}

// TestCurveAsLeft: a bent indicator as left is corrected to nothing where a
// line leaves what it is bent by.
func TestCurveAsLeft(t *testing.T) {
	cell, masses := bay(), weights()
	check := weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return 2 + 1.01*f - 5e-6*f*f })
	check.State = fleet.AsLeft
	r := Judge(check, cell, masses, gravity, Calibration{})
	if r.AsLeft.Degree != 2 || r.Verdict != fleet.VerdictPass {
		t.Fatalf("%s %+v", r.Reason, r.AsLeft)
	}
	near(t, "zero", r.AsLeft.Zero, 2, 1e-8, 0)
	near(t, "gain", r.AsLeft.Gain, 0.01, 1e-11, 0)
	near(t, "quadratic", r.AsLeft.Quadratic, -5e-6, 1e-14, 0)
	near(t, "zero error", r.ZeroError, 0, 1e-8, 0)
	near(t, "gain error", r.GainError, 0, 1e-11, 0)
	for _, p := range r.Points {
		near(t, "point", p.Error, 0, 1e-8, 0)
	}
	// The same readings as found under it: no error either; a zero check keeps
	// the curve.
	check.State = fleet.AsFound
	again := Judge(check, cell, masses, gravity, r.AsLeft)
	near(t, "gain error under it", again.GainError, 0, 1e-11, 0)
	z := zeroCheck(5, 5, 5)
	z.State = fleet.AsLeft
	after := Judge(z, cell, nil, 0, r.AsLeft).AsLeft
	if after.Degree != 2 || after.Quadratic != r.AsLeft.Quadratic || after.Zero != 5 || after.Cov[0][1] != 0 || !after.possible() {
		t.Errorf("%+v", after)
	}
}

// Through gives the true force of a force that is off, for a line and a curve, also
// beyond the curve's loads; Known takes out what is known. Expected by their
// definition.
func TestThrough(t *testing.T) {
	line := Calibration{Epoch: "k", Zero: 3, Gain: 0.02, UZero: 0.5, UGain: 1e-3, CovZeroGain: -2e-4}
	curve := Calibration{
		Zero: 3, Gain: 0.01, Quadratic: -2e-6, Cubic: 3e-10, Degree: 3, Low: 0, High: 3000,
		UZero: 0.5, UGain: 1e-3, CovZeroGain: -2e-4,
		Cov: [4][4]float64{{0.25, -2e-4, 0, 0}, {-2e-4, 1e-6, 0, 0}, {0, 0, 1e-14, 0}, {0, 0, 0, 1e-22}},
	}
	for _, c := range []Calibration{line, curve, {}} {
		for _, e := range [][2]float64{{0, 0.02}, {20, 0}, {-15, -0.03}} {
			put := c.Through(e[0], e[1])
			if put.Epoch != c.Epoch {
				t.Errorf("epoch %q", put.Epoch)
			}
			for _, reading := range []float64{-200, 5, 800, 2900, 3500} {
				want := (c.Force(reading) - e[0]) / (1 + e[1])
				if got := put.Force(reading); math.Abs(got-want) > 1e-6 {
					t.Errorf("degree %d, errors %v, reading %g: %g N, want %g", c.Degree, e, reading, got, want)
				}
				// Zero and gain of the error are exact: u shrinks with the slope alone.
				if got, want := put.UForce(reading), c.UForce(reading)/(1+e[1]); math.Abs(got-want) > 1e-6*want {
					t.Errorf("degree %d, errors %v, reading %g: u %g N, want %g", c.Degree, e, reading, got, want)
				}
			}
		}
		if k := c.Known(true, true); k.UZero != 0 || k.UGain != 0 || k.CovZeroGain != 0 || k.Zero != c.Zero || k.Gain != c.Gain {
			t.Errorf("known: %+v", k)
		}
		if k := c.Known(false, true); k.UZero != c.UZero || k.UGain != 0 || k.CovZeroGain != 0 || k.Cov[0][1] != 0 {
			t.Errorf("gain known: %+v", k)
		}
	}
}
