package loadcell

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// tally counts decisions and wrong ones by the risk that was stated.
type tally struct {
	n, wrong []int
	sum      []float64
}

func newTally(bins int) *tally {
	return &tally{make([]int, bins), make([]int, bins), make([]float64, bins)}
}

func (c *tally) add(risk float64, wrong bool) {
	// Bins of equal width over 0 … 0.5, more beyond in the last.
	k := min(int(risk*2*float64(len(c.n))), len(c.n)-1)
	c.n[k]++
	c.sum[k] += risk
	if wrong {
		c.wrong[k]++
	}
}

// check holds the share of wrong decisions in each bin, and over all, against
// the mean of the stated risks, to three binomial
// standard deviations; cautious is by how much, as a ratio, fewer may be wrong.
func (c *tally) check(t *testing.T, what string, cautious float64) {
	t.Helper()
	n, wrong, sum := 0, 0, 0.0
	line := ""
	one := func(name string, n, wrong int, sum float64) {
		if n < 30 {
			return
		}
		stated, seen := sum/float64(n), float64(wrong)/float64(n)
		line += fmt.Sprintf(" %s %.1f/%.1f %% of %d;", name, 100*stated, 100*seen, n)
		if d, own := seen-stated, 3*math.Sqrt(max(stated*(1-stated), 1/float64(n))/float64(n)); d > own || -d > own+cautious*stated {
			t.Errorf("%s, %s: risk stated %.2f %%, wrong %.2f %% of %d", what, name, 100*stated, 100*seen, n)
		}
	}
	for k := range c.n {
		one(fmt.Sprintf("bin %d", k), c.n[k], c.wrong[k], c.sum[k])
		n, wrong, sum = n+c.n[k], wrong+c.wrong[k], sum+c.sum[k]
	}
	one("all", n, wrong, sum)
	t.Logf("%s: stated/wrong%s", what, line)
}

// flatly makes a dead-weight check whose true error is drawn flat at every load
// and direction, so that no error is likelier beforehand than another, as the
// stated risk takes it. It returns the true errors by point.
func flatly(rng *rand.Rand, wide, noise float64, cycles int, steps []step) (in Input, points []float64) {
	cell, masses := bay(), weights()
	// The zero of a load cell this crooked is no intercept: it is left to
	// TestRiskZero.
	cell.ZeroTolerance = 1e4
	truth, weighed := cell, map[fleet.MassID]fleet.Mass{}
	truth.LeverArm += rng.NormFloat64() * cell.U.LeverArm
	truth.CalibrationArm += rng.NormFloat64() * cell.U.CalibrationArm
	for _, id := range []fleet.MassID{"m1", "m2", "m3", "m4", "m5"} {
		m := masses[id]
		m.Mass += rng.NormFloat64() * m.U / 2
		weighed[id] = m
	}
	errors := make([]float64, len(steps))
	for k, s := range steps {
		errors[k] = wide * cell.CheckTolerance * 560 * float64(s.masses) * (2*rng.Float64() - 1)
	}
	k := -1
	check := weigh(steps, cycles, truth, weighed, gravity*(1+rng.NormFloat64()*gum.UGravity), func(f float64) float64 {
		k++
		return f + errors[k%len(steps)] + noise*rng.NormFloat64()
	})
	return Input{Check: check, Cell: cell, Masses: masses, Gravity: gravity}, errors
}

// logUniform draws a factor from 1/6 to 6, every size as likely as another: what
// Student's distribution takes of an unknown scatter. For scatter of one known
// size the stated risk is on the cautious side, as U is.
func logUniform(rng *rand.Rand) float64 { return math.Exp(math.Log(6) * (2*rng.Float64() - 1)) }

// TestRisk: of 2000 checks whose true errors were drawn flat over a wide range,
// the share of wrong decisions is the stated risk, by point and overall, in every
// bin of stated risk.
func TestRisk(t *testing.T) {
	for _, c := range []struct {
		name        string
		wide, noise float64
		cycles      int
		steps       []step
	}{
		{"three loads, scatter rules, few degrees of freedom", 2, 3, 3, []step{{0, fleet.Rising}, {3, fleet.Rising}, {5, fleet.Rising}}},
		{"four loads, arms rule", 1.6, 0.7, 6, []step{{0, fleet.Rising}, {2, fleet.Rising}, {4, fleet.Rising}, {5, fleet.Rising}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(20260302, 21))
			const runs = 2000
			point, whole := newTally(5), newTally(5)
			for range runs {
				in, errors := flatly(rng, c.wide, c.noise*logUniform(rng), c.cycles, c.steps)
				r := Assess(in)
				if r.Verdict == fleet.VerdictUnusable {
					t.Fatal(r.Reason)
				}
				out := false
				for k, p := range r.Points {
					if p.Tolerance == 0 {
						continue
					}
					beyond := math.Abs(errors[k]) > p.Tolerance
					out = out || beyond
					accepted := p.Verdict <= fleet.VerdictConditionalPass
					point.add(p.Risk, accepted == beyond)
				}
				accepted := r.Verdict <= fleet.VerdictConditionalPass
				whole.add(r.Risk, accepted == out)
			}
			point.check(t, "points", 0)
			whole.check(t, "overall", 0)
		})
	}
}

// TestRiskZero is the same for zero checks of six readings, with five degrees
// of freedom. The largest scatter decides here, and beyond the largest drawn there
// is none, so that fewer are wrong than stated.
func TestRiskZero(t *testing.T) {
	rng := rand.New(rand.NewPCG(20260302, 22))
	c := newTally(5)
	for range 8000 {
		zero := 100 * (2*rng.Float64() - 1)
		s := 2 * logUniform(rng)
		r := Judge(zeroCheck(zero+s*rng.NormFloat64(), zero+s*rng.NormFloat64(), zero+s*rng.NormFloat64(), zero+s*rng.NormFloat64(), zero+s*rng.NormFloat64(), zero+s*rng.NormFloat64()), bay(), nil, 0, Calibration{})
		if r.Risk != r.ZeroRisk {
			t.Fatalf("one decision has one risk: %v, %v", r.Risk, r.ZeroRisk)
		}
		c.add(r.Risk, (r.Verdict <= fleet.VerdictConditionalPass) == (math.Abs(zero) > 5))
	}
	c.check(t, "zero", 0.35)
}

// TestRiskOfLine: the errors of a straight indicator move together. Then the
// stated overall risk is no smaller than what is seen, in the mean.
func TestRiskOfLine(t *testing.T) {
	rng := rand.New(rand.NewPCG(20260302, 23))
	stated, wrong := 0.0, 0.0
	const runs = 2000
	for range runs {
		cell, masses := bay(), weights()
		truth := cell
		truth.LeverArm += rng.NormFloat64() * cell.U.LeverArm
		truth.CalibrationArm += rng.NormFloat64() * cell.U.CalibrationArm
		zero, gain := 10*(2*rng.Float64()-1), 0.01*(2*rng.Float64()-1)
		r := Judge(weigh(cycle(5), 2, truth, masses, gravity, func(f float64) float64 { return zero + (1+gain)*f + rng.NormFloat64() }), cell, masses, gravity, Calibration{})
		out := math.Abs(zero) > 5
		for _, p := range r.Points {
			out = out || p.Tolerance > 0 && math.Abs(zero+gain*p.Load) > p.Tolerance
		}
		if (r.Verdict <= fleet.VerdictConditionalPass) == out {
			wrong++
		}
		stated += r.Risk
	}
	t.Logf("stated %.2f %%, wrong %.2f %%", 100*stated/runs, 100*wrong/runs)
	if stated < wrong-2*math.Sqrt(wrong) {
		t.Errorf("stated %.2f %%, wrong %.2f %%", 100*stated/runs, 100*wrong/runs)
	}
}
