package coastdown

import (
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/fleet"
)

const kmh = 1 / 3.6 // m/s

// Source: 40 CFR 86.529-98 figure F98-9, first 22 rows. The 160 kg row is
// printed 4.10 s where its own formula, its neighbours (3.99, 4.36) and the
// middle of its window (4.0 to 4.4 s) say 4.18: a misprint, skipped.
func TestTimeAgreesWithCFR(t *testing.T) {
	const tolerance = 0.015 // s: rounding of A, C and t as printed
	file, err := os.Open("../../../testdata/cfr86_529_coastdown.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 23 {
		t.Fatalf("%d rows, want head and 22", len(rows))
	}
	shortcutOff := 0
	for _, row := range rows[1:] {
		var x [7]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		mass, a, c, want := x[0], x[1], x[2], x[4]
		if mass == 160 {
			continue
		}
		loss := fleet.Loss{F0: a, F2: c / (kmh * kmh)}
		got, err := Time(loss, mass, 70*kmh, 60*kmh)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got-want) > tolerance {
			t.Errorf("%g kg: %.4f s, printed %.2f s", mass, got, want)
		}
		if got > x[5] || got < x[6] {
			t.Errorf("%g kg: %.4f s outside the printed window %g to %g s", mass, got, x[6], x[5])
		}
		shortcut := mass * 10 * kmh / loss.At(65*kmh)
		if math.Abs(shortcut-want) > tolerance {
			shortcutOff++
		}
		if mass == 200 {
			// scipy 1.10.1 quad: 4.8480 s; mass times Δv over F(65 km/h): 4.8242 s.
			if math.Abs(got-4.8480) > 5e-5 || math.Abs(shortcut-4.8242) > 5e-5 {
				t.Errorf("200 kg: %.4f s and by mean force %.4f s, want 4.8480 and 4.8242", got, shortcut)
			}
		}
	}
	// The table tells the two apart: the mean-force shortcut misses rows.
	if shortcutOff < 15 {
		t.Errorf("the mean-force shortcut misses %d rows only", shortcutOff)
	}
}

// Source: scipy 1.10.1 quad on m·dv/F(v); m 1500 kg, F0 120 N, F1 0.5 N·s/m,
// F2 0.40 N·s²/m²; last column m·Δv/t.
func TestTimeInClosedForm(t *testing.T) {
	loss := fleet.Loss{F0: 120, F1: 0.5, F2: 0.40}
	for _, c := range []struct{ from, to, seconds, force float64 }{
		{120, 40, 109.098788280, 305.53348812},
		{120, 100, 16.448818577, 506.62199807},
		{100, 80, 21.888932828, 380.70989568},
		{80, 60, 29.800617662, 279.63626217},
		{60, 40, 40.960419213, 203.44843860},
	} {
		got, err := Time(loss, 1500, c.from*kmh, c.to*kmh)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got-c.seconds) > 1e-9 {
			t.Errorf("%g to %g km/h: %.9f s, want %.9f", c.from, c.to, got, c.seconds)
		}
		if force := 1500 * (c.from - c.to) * kmh / got; math.Abs(force-c.force) > 1e-8 {
			t.Errorf("%g to %g km/h: %.8f N, want %.8f", c.from, c.to, force, c.force)
		}
	}
}

// Every sign of the discriminant against the integral by Simpson's rule with
// 20 000 steps, and the textbook cases by hand.
func TestTimeForEveryDiscriminant(t *testing.T) {
	simpson := func(l fleet.Loss, m, v1, v2 float64) float64 {
		const n = 20000
		h := (v1 - v2) / n
		sum := 1/l.At(v1) + 1/l.At(v2)
		for i := 1; i < n; i++ {
			w := 2.0
			if i%2 == 1 {
				w = 4
			}
			sum += w / l.At(v2+float64(i)*h)
		}
		return m * sum * h / 3
	}
	for _, c := range []struct {
		name string
		l    fleet.Loss
	}{
		{"positive", fleet.Loss{F0: 150, F1: 1, F2: 0.3}},
		{"negative", fleet.Loss{F0: 100, F1: 30, F2: 0.2}},
		{"zero", fleet.Loss{F0: 100, F1: 20, F2: 1}},
		{"nearly zero", fleet.Loss{F0: 100, F1: 20, F2: 1 + 1e-13}},
		{"constant", fleet.Loss{F0: 120}},
		{"linear", fleet.Loss{F0: 120, F1: 3}},
		{"quadratic alone", fleet.Loss{F2: 0.5}},
		{"linear falling", fleet.Loss{F0: 300, F1: -5}},
		{"bent down", fleet.Loss{F0: 300, F1: 10, F2: -0.3}},
		{"valley", fleet.Loss{F0: 500, F1: -40, F2: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Time(c.l, 1500, 40, 5)
			if err != nil {
				t.Fatal(err)
			}
			if want := simpson(c.l, 1500, 40, 5); math.Abs(got/want-1) > 1e-9 {
				t.Errorf("%.12g s, want %.12g", got, want)
			}
		})
	}
	if got, _ := Time(fleet.Loss{F0: 120}, 1500, 40, 5); got != 1500*35.0/120 {
		t.Errorf("constant force: %g s", got)
	}
	for name, l := range map[string]fleet.Loss{
		"nothing": {}, "drives": {F0: -10}, "drives in between": {F0: 350, F1: -40, F2: 1}, "missing": {F0: math.NaN()},
	} {
		if got, err := Time(l, 1500, 40, 5); !errors.Is(err, ErrNoStop) {
			t.Errorf("%s: %g s, %v; want ErrNoStop", name, got, err)
		}
	}
	if _, err := Time(fleet.Loss{F0: 1}, 0, 40, 5); !errors.Is(err, ErrMass) {
		t.Errorf("mass 0: %v", err)
	}
}

// speedAt returns the speed after coasting t seconds from v1 when D > 0: the
// closed form solved for v.
func speedAt(l fleet.Loss, m, v1, t float64) float64 {
	root := math.Sqrt(4*l.F0*l.F2 - l.F1*l.F1)
	angle := math.Atan((2*l.F2*v1+l.F1)/root) - root*t/(2*m)
	return (root*math.Tan(angle) - l.F1) / (2 * l.F2)
}

// coast samples a coast-down of 1300 kg from 45 m/s.
func coast(l fleet.Loss, n int, step float64, noise float64, random *rand.Rand) channel.Series {
	s := channel.Series{T: make([]float64, n), X: make([]float64, n)}
	for i := range n {
		s.T[i] = 12 + float64(i)*step
		s.X[i] = speedAt(l, 1300, 45, float64(i)*step)
		if random != nil {
			s.X[i] += noise * random.NormFloat64()
		}
	}
	return s
}

var truth = fleet.Loss{F0: 180, F1: 3, F2: 0.45}

// Without noise the coefficients come back to the error of the trapezoid rule.
func TestRegressExact(t *testing.T) {
	fit, err := Regress(Input{Speed: coast(truth, 3000, 0.01, 0, nil), Mass: 1300})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []float64{20, 30, 45} {
		if math.Abs(fit.At(v)/truth.At(v)-1) > 1e-6 {
			t.Errorf("at %g m/s: %.6f N, want %.6f", v, fit.At(v), truth.At(v))
		}
	}
	if math.Abs(fit.Loss.F0-180) > 0.01 || math.Abs(fit.Loss.F1-3) > 1e-3 || math.Abs(fit.Loss.F2-0.45) > 1e-5 {
		t.Errorf("got %+v", fit.Loss)
	}
}

// A residual brake force is taken off, also when it is sampled on a clock of
// its own: with an invented brake force B(t) the car of mass M slows as if the
// loss were larger; here B = b0 constant, so F0 seen without it is F0 + b0.
func TestRegressTakesBrakeOff(t *testing.T) {
	loss := truth
	loss.F0 += 35
	speed := coast(loss, 3000, 0.01, 0, nil)
	brake := channel.Series{T: []float64{11, 20, 50}, X: []float64{35, 35, 35}}
	fit, err := Regress(Input{Speed: speed, Brake: brake, Mass: 1300})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(fit.Loss.F0-180) > 0.01 || math.Abs(fit.Brake-35) > 1e-9 {
		t.Errorf("F0 %.4f N with a brake force of %.4f N, want 180 and 35", fit.Loss.F0, fit.Brake)
	}
}

// In seeded runs with noise on speed and brake force the loss force lies within
// U (k = 2) of the truth in the share a normal distribution gives, and its mean
// is the truth (no bias).
func TestRegressWithinUncertainty(t *testing.T) {
	const runs, noise, brakeNoise = 600, 0.02, 30.0
	random := rand.New(rand.NewPCG(11, 12))
	speeds := [...]float64{18, 25, 35, 45}
	var within, mean, square [len(speeds)]float64
	for range runs {
		speed := coast(truth, 2000, 0.01, noise, random)
		brake := channel.Series{T: speed.T, X: make([]float64, len(speed.T))}
		for i := range brake.X {
			brake.X[i] = brakeNoise * random.NormFloat64()
		}
		fit, err := Regress(Input{Speed: speed, Brake: brake, Mass: 1300})
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range speeds {
			z := (fit.At(v) - truth.At(v)) / fit.U(v)
			mean[i] += z / runs
			square[i] += z * z / runs
			if math.Abs(z) <= 2 {
				within[i] += 1.0 / runs
			}
		}
	}
	for i, v := range speeds {
		// 95.45 % ± 3 · 0.85 % for 600 runs; mean 0 ± 3/√600; variance 1 ± 3·√(2/600).
		if within[i] < 0.929 || within[i] > 0.98 {
			t.Errorf("at %g m/s %.1f %% of runs are within U, want 95.4 %%", v, 100*within[i])
		}
		if math.Abs(mean[i]) > 0.123 || math.Abs(square[i]-1) > 0.175 {
			t.Errorf("at %g m/s: standardised error has mean %.3f, mean square %.3f", v, mean[i], square[i])
		}
	}
}

func TestRegressRefuses(t *testing.T) {
	good := coast(truth, 3000, 0.01, 0, nil)
	flat := channel.Series{T: good.T, X: make([]float64, 3000)}
	for i := range flat.X {
		flat.X[i] = 30
	}
	for _, c := range []struct {
		name string
		in   Input
		want error
	}{
		{"no mass", Input{Speed: good}, ErrMass},
		{"no samples", Input{Mass: 1300}, channel.ErrEmpty},
		{"few samples", Input{Mass: 1300, Speed: channel.Series{T: good.T[:10], X: good.X[:10]}}, ErrShort},
		{"no fall", Input{Mass: 1300, Speed: flat}, ErrShort},
		{"time falls", Input{Mass: 1300, Speed: channel.Series{T: []float64{1, 0}, X: []float64{1, 2}}}, channel.ErrClock},
		{"brake's time falls", Input{Mass: 1300, Speed: good, Brake: channel.Series{T: []float64{1, 0}, X: []float64{1, 2}}}, channel.ErrClock},
	} {
		t.Run(c.name, func(t *testing.T) {
			if fit, err := Regress(c.in); !errors.Is(err, c.want) {
				t.Errorf("got %+v, %v; want %v", fit, err, c.want)
			}
		})
	}
}

// Twice the mass is twice the force; the same motion in half the unit of length
// is the same force at half the number.
func TestRegressScales(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5))
	speed := coast(truth, 1500, 0.01, 0.02, random)
	a, err := Regress(Input{Speed: speed, Mass: 1300})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Regress(Input{Speed: speed, Mass: 2600})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(b.At(30)/(2*a.At(30))-1) > 1e-12 || math.Abs(b.U(30)/(2*a.U(30))-1) > 1e-9 {
		t.Errorf("twice the mass: %g ± %g N from %g ± %g N", b.At(30), b.U(30), a.At(30), a.U(30))
	}
	again, _ := Regress(Input{Speed: speed, Mass: 1300})
	if again != a {
		t.Error("two runs differ")
	}
}

// FuzzRegress holds that no input gives a number that is not finite.
func FuzzRegress(f *testing.F) {
	f.Add(uint64(1), 100, 0.01, 40.0, 0.02, 1300.0)
	f.Add(uint64(2), 2000, 1e-7, 1e200, 1e199, 1e100)
	f.Fuzz(func(t *testing.T, seed uint64, n int, step, v, noise, mass float64) {
		if n < 0 || n > 3000 {
			return
		}
		random := rand.New(rand.NewPCG(seed, 0))
		s := channel.Series{}
		for i := range n {
			s.T = append(s.T, float64(i)*step)
			s.X = append(s.X, v*math.Exp(-0.02*float64(i)*step)+noise*random.NormFloat64())
		}
		fit, err := Regress(Input{Speed: s, Brake: s, Mass: mass})
		if err != nil {
			return
		}
		for _, x := range []float64{fit.Loss.F0, fit.Loss.F1, fit.Loss.F2, fit.Noise, fit.Brake, fit.Cov[0][0], fit.Cov[1][1], fit.Cov[2][2]} {
			if x-x != 0 {
				t.Fatalf("not finite: %+v", fit)
			}
		}
	})
}

func BenchmarkRegress(b *testing.B) {
	speed := coast(truth, 2000, 0.01, 0.02, rand.New(rand.NewPCG(5, 5)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Regress(Input{Speed: speed, Brake: speed, Mass: 1300}); err != nil {
			b.Fatal(err)
		}
	}
}

// A brake that drags as its load cell reads, by a constant and in proportion to
// speed: the loss is that of the rest alone, the drag comes back over speed, and
// loss and drag together go with the mass, loss against drag with the brake's
// scale, exactly (the regression is linear in both).
func TestRegressResidualDrag(t *testing.T) {
	const mass = 1300
	drag := fleet.Loss{F0: 40, F1: 5}
	whole := fleet.Loss{F0: truth.F0 + drag.F0, F1: truth.F1 + drag.F1, F2: truth.F2 + drag.F2}
	fit := func(m, scale float64) Fit {
		speed, brake := channel.Series{}, channel.Series{}
		for i := range 3000 {
			at := float64(i) / 100
			v := speedAt(whole, mass, 45, at)
			speed.T, speed.X = append(speed.T, at), append(speed.X, v)
			brake.T, brake.X = append(brake.T, at), append(brake.X, scale*drag.At(v))
		}
		f, err := Regress(Input{Speed: speed, Brake: brake, Mass: m})
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	a := fit(mass, 1)
	for _, v := range []float64{20, 30, 44} {
		if math.Abs(a.At(v)-truth.At(v)) > 0.02 || math.Abs(a.Drag.At(v)-drag.At(v)) > 0.02 {
			t.Errorf("at %g m/s: loss %.3f N, want %.3f; drag %.3f N, want %.3f", v, a.At(v), truth.At(v), a.Drag.At(v), drag.At(v))
		}
		heavier, stronger := fit(mass*1.01, 1), fit(mass, 1.01)
		if d := heavier.At(v) - a.At(v); math.Abs(d-0.01*a.Slowing(v)) > 1e-6 {
			t.Errorf("at %g m/s: 1 %% of mass moves the loss by %.6f N, slowing says %.6f", v, d, 0.01*a.Slowing(v))
		}
		if d := stronger.At(v) - a.At(v); math.Abs(d+0.01*a.Drag.At(v)) > 1e-6 {
			t.Errorf("at %g m/s: 1 %% of brake moves the loss by %.6f N, drag says %.6f", v, d, -0.01*a.Drag.At(v))
		}
	}
}
