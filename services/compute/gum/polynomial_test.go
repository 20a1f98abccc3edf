package gum

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// groupsOf returns the indices of equal x.
func groupsOf(x []float64) [][]int {
	var out [][]int
	at := map[float64]int{}
	for i, v := range x {
		k, ok := at[v]
		if !ok {
			k = len(out)
			at[v] = k
			out = append(out, nil)
		}
		out[k] = append(out[k], i)
	}
	return out
}

// TestPontiusQuadratic: NIST StRD Pontius, certified values (15 digits); covariances from
// the same data in exact rationals. Lack of fit: NIST/SEMATECH e-Handbook 4.6.1
// (printed from single precision: 214.7464, residual sd 0.0021712694), R lm and
// anova in double precision: 214.74692, quadratic 0.81072, p 0.66617.
func TestPontiusQuadratic(t *testing.T) {
	c := columns(t, "nist_strd_pontius.csv")
	x, y := c["x"], c["y"]
	p, err := FitPolynomial(x, y, 2)
	if err != nil {
		t.Fatal(err)
	}
	const digits = 1e-11
	for i, want := range []float64{0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14} {
		near(t, "coefficient", p.Coefficients[i], want, digits)
	}
	for i, want := range []float64{0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16} {
		near(t, "its sd", math.Sqrt(p.Covariance[i][i]), want, digits)
	}
	near(t, "residual sd", p.Residual, 0.205177424076185e-03, digits)
	near(t, "RSS", p.RSS, 1.5576176879699247e-06, digits)
	near(t, "cov 01", p.Covariance[0][1], -1.514042797694806e-14, digits)
	near(t, "cov 02", p.Covariance[0][2], 4.103097012723051e-21, digits)
	near(t, "cov 12", p.Covariance[1][2], -7.460176386769183e-27, digits)
	if p.DoF != 37 {
		t.Errorf("ν %d", p.DoF)
	}
	lof := p.TestLackOfFit(y, groupsOf(x), 0)
	near(t, "quadratic: F", lof.F, 0.81072, 1e-5)
	near(t, "quadratic: p", lof.P, 0.66617, 1e-5)
	if lof.Lack != 17 || lof.Pure != 20 {
		t.Errorf("ν %d and %d", lof.Lack, lof.Pure)
	}

	line, err := FitPolynomial(x, y, 1)
	if err != nil {
		t.Fatal(err)
	}
	lof = line.TestLackOfFit(y, groupsOf(x), 0)
	near(t, "line: F as printed", lof.F, 214.7464, 3e-6)
	near(t, "line: F", lof.F, 214.74692, 3e-8)
	near(t, "line: residual sd as printed", line.Residual, 0.0021712694, 3e-6)
	near(t, "line: residual sd", line.Residual, 0.002171272596057, digits)
	near(t, "line: intercept", line.Coefficients[0], 6.149684210526e-03, 1e-12)
	near(t, "line: slope", line.Coefficients[1], 7.221025814536e-07, 1e-12)
	near(t, "critical F", distuv.F{D1: 18, D2: 20}.Quantile(0.95), 2.151124, 1e-6)
	near(t, "pure error", lof.SDPure*lof.SDPure*20, 9.2215e-07, 1e-5)
	if f, probability := p.Highest(0); probability > 1e-20 || !(f > 1000) {
		t.Errorf("the quadratic term is needed: F %v, p %v", f, probability)
	}
	// F of the highest coefficient is its t squared.
	f, _ := p.Highest(0)
	near(t, "F of the quadratic term", f, math.Pow(0.316081871345029e-14/0.486652849992036e-16, 2), 1e-10)
}

// TestNorrisAndThermometer: NIST StRD Norris (certified), and JCGM 100:2008 H.3
// by the polynomial fit: coefficients, covariance, predicted value at 30 °C
// (printed −0.1494, u 0.0041; exact rationals beside).
func TestNorrisAndThermometer(t *testing.T) {
	c := columns(t, "nist_strd_norris.csv")
	p, err := FitPolynomial(c["x"], c["y"], 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "B0", p.Coefficients[0], -0.262323073774029, 1e-12)
	near(t, "B1", p.Coefficients[1], 1.00211681802045, 1e-13)
	near(t, "sd B0", math.Sqrt(p.Covariance[0][0]), 0.232818234301152, 1e-12)
	near(t, "sd B1", math.Sqrt(p.Covariance[1][1]), 0.429796848199937e-3, 1e-12)
	near(t, "residual sd", p.Residual, 0.884796396144373, 1e-12)

	c = columns(t, "gum_h3_thermometer.csv")
	var x, y []float64
	for name, v := range c {
		if len(v) != 11 {
			t.Fatalf("%s has %d rows", name, len(v))
		}
	}
	for i, v := range c["t"] {
		x, y = append(x, v-20), append(y, c["b"][i])
	}
	p, err = FitPolynomial(x, y, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "y1", p.Coefficients[0], -0.17120379013, 1e-10)
	near(t, "y2", p.Coefficients[1], 0.00218269774, 1e-8)
	near(t, "u(y1)", math.Sqrt(p.Covariance[0][0]), 0.00287759784, 1e-8)
	near(t, "u(y2)", math.Sqrt(p.Covariance[1][1]), 0.00066793877, 1e-8)
	near(t, "r", p.Covariance[0][1]/math.Sqrt(p.Covariance[0][0]*p.Covariance[1][1]), -0.9304296031, 1e-9)
	b, u := p.At(10)
	near(t, "b(30)", b, -0.14937681273, 1e-9)
	near(t, "u(b(30))", u, 0.00413859575, 1e-8)
	if math.Round(b*1e4) != -1494 || math.Round(u*1e4) != 41 {
		t.Errorf("b(30) %v ± %v, printed −0.1494, 0.0041", b, u)
	}
	near(t, "leverage", u, p.Residual*math.Sqrt(p.Leverage(10)), 1e-14)
}

// TestRespond: what adding v does to the coefficients, against fitting y + v.
func TestRespond(t *testing.T) {
	x := []float64{0, 10, 20, 40, 50, 80, 81}
	y := []float64{1, 2, 4, 3, 6, 9, 7}
	v := []float64{0.1, 0, -0.3, 0.2, 0.5, 0, 1}
	var sum []float64
	for i := range y {
		sum = append(sum, y[i]+v[i])
	}
	for degree := 1; degree <= 3; degree++ {
		a, _ := FitPolynomial(x, y, degree)
		b, _ := FitPolynomial(x, sum, degree)
		d := a.Respond(v)
		for k := range d {
			if math.Abs(b.Coefficients[k]-a.Coefficients[k]-d[k]) > 1e-12 {
				t.Errorf("degree %d, coefficient %d: %v, want %v", degree, k, d[k], b.Coefficients[k]-a.Coefficients[k])
			}
		}
	}
}

func TestPolynomialErrors(t *testing.T) {
	x := []float64{0, 1, 1, 0, 1}
	y := []float64{1, 2, 3, 4, 5}
	if _, err := FitPolynomial(x, y, 2); !errors.Is(err, ErrFewForDegree) {
		t.Errorf("two x for degree 2: %v", err)
	}
	if _, err := FitPolynomial(x[:3], y[:3], 2); !errors.Is(err, ErrFewPoints) {
		t.Errorf("three points for degree 2: %v", err)
	}
	if _, err := FitPolynomial([]float64{2, 2, 2}, y[:3], 1); !errors.Is(err, ErrOneX) {
		t.Errorf("one x: %v", err)
	}
	if _, err := FitPolynomial([]float64{2, math.NaN(), 2}, y[:3], 1); !errors.Is(err, ErrNotFinite) {
		t.Errorf("NaN: %v", err)
	}
}

// TestOutside: JCGM 106:2012 works with the normal distribution; the values are
// from its table in any book: Φ(−1) 0.1586552539, Φ(−2) 0.0227501319, and
// Student's: scipy.stats.t.sf(2, 3) = 0.0696629842794.
func TestOutside(t *testing.T) {
	near(t, "on the limit", Outside(1, 1e-3, Infinite, 1), 0.5, 1e-12)
	near(t, "one u inside", Outside(1, 0.1, Infinite, 1.1), 0.1586552539314571, 1e-9)
	near(t, "two u outside", Outside(-1.2, 0.1, Infinite, 1), 0.9772498680518208, 1e-9)
	near(t, "rejected, two u outside", WrongDecision(-1.2, 0.1, Infinite, 1), 0.0227501319481792, 1e-9)
	near(t, "both sides", Outside(0, 0.5, Infinite, 1), 2*0.0227501319481792, 1e-9)
	near(t, "three degrees of freedom", Outside(10, 0.5, 3, 11), 0.0696629842794+TTail(42, 3), 1e-9)
	near(t, "seam", Outside(1, 0.1, 0.999e7, 1.3), Outside(1, 0.1, 1.001e7, 1.3), 1e-5)
	if Outside(1, 0, 5, 1) != 0 || Outside(1.1, 0, 5, 1) != 1 || WrongDecision(1.1, 0, 5, 1) != 0 {
		t.Error("no uncertainty")
	}
}
