package drift

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
)

// table reads a CSV file of the repository's testdata; its first line names
// the source.
func table(t testing.TB, name string) map[string][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for k, head := range rows[0] {
		for _, row := range rows[1:] {
			out[head] = append(out[head], row[k])
		}
	}
	return out
}

func numbers(t testing.TB, column []string) []float64 {
	t.Helper()
	out := make([]float64, len(column))
	for i, s := range column {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = v
	}
	return out
}

// grouping turns a column of names into a factor; names give each level's place.
func grouping(name string, column []string) (Factor, map[string]int) {
	place := map[string]int{}
	f := Factor{Name: name}
	for _, v := range column {
		l, ok := place[v]
		if !ok {
			l = len(place)
			place[v] = l
		}
		f.Level = append(f.Level, l)
	}
	f.Levels = len(place)
	return f, place
}

// Expected values: R 4.2.2, lme4 1.1-31, lmer(formula, REML = TRUE or FALSE,
// control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12,
// rhobeg = 1e-2))), ranef(…, condVar = TRUE). Data: see the heads of the files.
// The remembered tolerance of those figures is 1e-7 relative in a variance.
func TestFitCrossedPublished(t *testing.T) {
	type effect struct {
		factor int
		level  string
		want   float64
	}
	cases := []struct {
		name, file, y string
		factors       []string
		method        Method
		variances     []float64
		residual      float64
		beta, se      float64
		criterion     float64
		effects       []effect
		sd            []float64 // conditional, by factor; nil: not published
	}{
		{"Dyestuff REML", "dyestuff.csv", "Yield", []string{"Batch"}, REML,
			[]float64{1764.05}, 2451.25, 1527.5, 19.383412, 319.654276842,
			[]effect{{0, "A", -17.606851}, {0, "B", 0.391263}, {0, "C", 28.562225},
				{0, "D", -23.084538}, {0, "E", 56.733188}, {0, "F", -44.995287}}, []float64{19.586570}},
		{"Dyestuff ML", "dyestuff.csv", "Yield", []string{"Batch"}, ML,
			[]float64{1388.33333333}, 2451.25, 1527.5, 17.694554, 327.327059881, nil, nil},
		{"Dyestuff2 REML", "dyestuff2.csv", "Yield", []string{"Batch"}, REML,
			[]float64{0}, 13.80630963, 5.6656, 0.678388031, 161.828277812,
			[]effect{{0, "A", 0}}, []float64{0}},
		{"Dyestuff2 ML", "dyestuff2.csv", "Yield", []string{"Batch"}, ML,
			[]float64{0}, 13.34609931, 5.6656, 0.666985740, 162.873036654, nil, nil},
		{"Pastes REML", "pastes.csv", "strength", []string{"sample", "batch"}, REML,
			[]float64{8.43366667, 1.65730880}, 0.678, 60.05333333, 0.676870079, 246.990745853,
			[]effect{{0, "A:a", 1.774687}, {0, "A:b", 0.332651}, {0, "B:b", -2.481095},
				{0, "D:c", 4.493846}, {0, "I:a", -4.573901},
				{1, "A", 0.800644}, {1, "B", -0.272508}, {1, "C", 0.722268},
				{1, "D", -0.127814}, {1, "E", -1.502414}, {1, "H", 1.108121}}, []float64{1.141721, 1.028494}},
		{"Pastes ML", "pastes.csv", "strength", []string{"sample", "batch"}, ML,
			[]float64{8.4336665, 1.1991558}, 0.678, 60.05333333, 0.642135338, 247.994465862, nil, nil},
		{"Penicillin REML", "penicillin.csv", "diameter", []string{"plate", "sample"}, REML,
			[]float64{0.716908348, 3.730918538}, 0.302415446, 22.97222222, 0.808573463, 330.860588991,
			[]effect{{1, "A", 2.187058}, {1, "B", -1.010476}, {1, "C", 1.937899},
				{1, "D", -0.096895}, {1, "E", -0.013842}, {1, "F", -3.003744},
				{0, "a", 0.804547}, {0, "g", -1.375516}, {0, "m", 1.427422}, {0, "x", -1.219797}},
			[]float64{0.271360, 0.202171}},
		{"Penicillin ML", "penicillin.csv", "diameter", []string{"plate", "sample"}, ML,
			[]float64{0.714992333, 3.135188246}, 0.302425420, 22.97222222, 0.744595795, 332.188348669, nil, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			data := table(t, c.file)
			y := numbers(t, data[c.y])
			var factors []Factor
			var places []map[string]int
			for _, name := range c.factors {
				f, p := grouping(name, data[name])
				factors, places = append(factors, f), append(places, p)
			}
			fit, err := FitCrossed(y, nil, factors, c.method)
			if err != nil {
				t.Fatal(err)
			}
			close := func(what string, got, want, rel float64) {
				t.Helper()
				if !scalar.EqualWithinAbsOrRel(got, want, 1e-12, rel) {
					t.Errorf("%s = %.12g, want %.12g", what, got, want)
				}
			}
			for i, want := range c.variances {
				close("variance of "+c.factors[i], fit.Variances[i], want, 5e-7)
			}
			close("residual variance", fit.Residual, c.residual, 5e-7)
			close("beta", fit.Beta[0], c.beta, 1e-9)
			close("criterion", fit.Criterion, c.criterion, 1e-11)
			// Standard error of β is that of the joint covariance.
			k := fit.FixedIndex(0)
			close("se(beta)", math.Sqrt(fit.Covariance(k, k)), c.se, 1e-6)
			for _, e := range c.effects {
				got := fit.Effects[e.factor][places[e.factor][e.level]]
				if !scalar.EqualWithinAbs(got, e.want, 2e-6) {
					t.Errorf("effect of %s %s = %.7f, want %.6f", c.factors[e.factor], e.level, got, e.want)
				}
			}
			for f, want := range c.sd {
				for l, got := range fit.ConditionalSD[f] {
					if !scalar.EqualWithinAbs(got, want, 2e-6) {
						t.Errorf("conditional sd of %s %d = %.7f, want %.6f", c.factors[f], l, got, want)
					}
				}
			}
			t.Logf("%d evaluations", fit.Evaluations)
		})
	}
}

// The joint covariance against the inverse of Henderson's equations built
// densely, and FitCrossed's criterion against the dense definition
// log|V| + log|X'V⁻¹X| + r'V⁻¹r + (n−p)·log 2π, on an unbalanced crossed
// design with a random slope. Source: the definitions.
func TestSolveCrossedAgainstDense(t *testing.T) {
	r := newRand(3)
	n := 40
	y := make([]float64, n)
	x := make([][]float64, n)
	a := Factor{Name: "a", Levels: 4}
	b := Factor{Name: "b", Levels: 11}
	s := Factor{Name: "slope", Levels: 3}
	for i := range n {
		a.Level = append(a.Level, r.IntN(4))
		b.Level = append(b.Level, r.IntN(10)) // level 10 stays empty
		s.Level = append(s.Level, r.IntN(3))
		s.Value = append(s.Value, r.NormFloat64())
		x[i] = []float64{1, r.NormFloat64()}
		y[i] = 3 + 0.5*x[i][1] + r.NormFloat64()
	}
	factors := []Factor{a, b, s}
	variances, residual := []float64{0.7, 0.3, 0.2}, 0.9
	fit, err := SolveCrossed(y, x, factors, variances, residual)
	if err != nil {
		t.Fatal(err)
	}
	d := denseMixed(y, x, factors, variances, residual)
	if !scalar.EqualWithinRel(fit.Criterion, d.criterion, 1e-10) {
		t.Errorf("criterion = %.12g, want %.12g", fit.Criterion, d.criterion)
	}
	joint := fit.JointCovariance()
	for i := range fit.Size() {
		for j := range fit.Size() {
			if !scalar.EqualWithinAbsOrRel(joint.At(i, j), d.cov.At(i, j), 1e-11, 1e-9) {
				t.Errorf("covariance %d %d = %g, want %g", i, j, joint.At(i, j), d.cov.At(i, j))
			}
		}
	}
	var got []float64
	for _, e := range fit.Effects {
		got = append(got, e...)
	}
	got = append(got, fit.Beta...)
	for i := range got {
		if !scalar.EqualWithinAbsOrRel(got[i], d.sol[i], 1e-10, 1e-9) {
			t.Errorf("solution %d = %g, want %g", i, got[i], d.sol[i])
		}
	}
}

// The criterion's minimum is a minimum: no point of a grid about it is lower,
// for both methods, over seeded unbalanced designs; and the boundary is found.
func TestFitCrossedIsMinimum(t *testing.T) {
	for seed := range uint64(30) {
		r := newRand(seed)
		n := 60
		y := make([]float64, n)
		a, b := Factor{Levels: 6}, Factor{Levels: 9}
		ea, eb := make([]float64, 6), make([]float64, 9)
		for i := range ea {
			ea[i] = float64(seed%3) * r.NormFloat64()
		}
		for i := range eb {
			eb[i] = float64(seed%2) * 0.4 * r.NormFloat64()
		}
		for i := range n {
			a.Level = append(a.Level, r.IntN(6))
			b.Level = append(b.Level, r.IntN(9))
			y[i] = ea[a.Level[i]] + eb[b.Level[i]] + r.NormFloat64()
		}
		for _, m := range []Method{REML, ML} {
			fit, err := FitCrossed(y, nil, []Factor{a, b}, m)
			if err != nil {
				t.Fatal(err)
			}
			sys, _ := newSystem(y, nil, []Factor{a, b})
			o := optimiser{sys: sys, method: m, f: sys.newFactored()}
			for _, da := range []float64{-0.3, -1e-3, 0, 1e-3, 0.02, 0.3, 1} {
				for _, db := range []float64{-0.3, -1e-3, 0, 1e-3, 0.02, 0.3, 1} {
					th := []float64{math.Max(0, fit.Theta[0]+da), math.Max(0, fit.Theta[1]+db)}
					c, _, err := o.value(th)
					if err != nil {
						t.Fatal(err)
					}
					if c < fit.Criterion-1e-9 {
						t.Errorf("seed %d method %d: criterion %.12g at %v below %.12g at %v", seed, m, c, th, fit.Criterion, fit.Theta)
					}
				}
			}
		}
	}
}

func TestFitCrossedRefuses(t *testing.T) {
	one := Factor{Level: []int{0, 0, 1, 1}, Levels: 2}
	if _, err := FitCrossed([]float64{1, 2, math.NaN(), 3}, nil, []Factor{one}, REML); err == nil {
		t.Error("NaN was taken")
	}
	if _, err := FitCrossed([]float64{1, 2, 3, 4}, [][]float64{{1, 2}, {1, 2}, {1, 2}, {1, 2}}, []Factor{one}, REML); err != ErrRank {
		t.Errorf("equal columns: %v", err)
	}
	if _, err := FitCrossed([]float64{1}, nil, nil, REML); err != ErrTooFew {
		t.Errorf("one observation: %v", err)
	}
	if _, err := SolveCrossed([]float64{1, 2, 3, 4}, nil, []Factor{one}, []float64{-1}, 1); err == nil {
		t.Error("a negative variance was taken")
	}
}

func BenchmarkFitCrossedFleet(b *testing.B) {
	y, x, factors := fleetDesign()
	for b.Loop() {
		if _, err := FitCrossed(y, x, factors, REML); err != nil {
			b.Fatal(err)
		}
	}
}

// fleetDesign is eight weeks of 12 cells and 4 cars, four pulls a session.
func fleetDesign() (y []float64, x [][]float64, factors []Factor) {
	r := newRand(1)
	session, cell := Factor{Name: "session"}, Factor{Name: "cell", Levels: 12}
	offset := make([]float64, 12)
	for i := range offset {
		offset[i] = 0.006 * r.NormFloat64()
	}
	for w := range 8 {
		for c := range 12 {
			u := 0.004 * r.NormFloat64()
			for range 4 {
				session.Level = append(session.Level, session.Levels)
				cell.Level = append(cell.Level, c)
				row := make([]float64, 4)
				row[(c+w)%4] = 1
				x = append(x, row)
				y = append(y, 8+offset[c]+u+0.0025*r.NormFloat64())
			}
			session.Levels++
		}
	}
	return y, x, []Factor{session, cell}
}
