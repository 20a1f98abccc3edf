package coastdown

import (
	"math"
	"math/rand/v2"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/fleet"
)

// TestMeanPower: the worked example of 40 CFR 1066.260: 2000 lbm (62.16
// lbf·s²/ft), 60.0 s, 13.5 to 14.7 ft/s: −17.5 ft·lbf/s, −0.032 hp. §1066.255
// (parasitic loss) prints no figures; the closed-form coast-down stands for it in
// TestRegress.
func TestMeanPower(t *testing.T) {
	p := MeanPower(62.16, 60.0, 13.5, 14.7)
	if math.Abs(p+17.5) > 0.05 || math.Abs(p/550+0.032) > 0.0005 {
		t.Errorf("%v ft·lbf/s, %v hp", p, p/550)
	}
}

// roll simulates an empty-roller coast-down with a noisy speed.
func roll(loss fleet.Loss, mass, noise float64, rng *rand.Rand) Measured {
	var s channel.Series
	v := 35.0
	const h = 0.05
	for i := 0; v > 5; i++ {
		if i%2 == 0 {
			s.T, s.X = append(s.T, float64(i)*h), append(s.X, v+noise*rng.NormFloat64())
		}
		v -= h * loss.At(v-h/2*loss.At(v)/mass) / mass
	}
	f, err := Regress(Input{Speed: s, Mass: mass})
	if err != nil {
		panic(err)
	}
	return f.Measured(0.001)
}

// TestCompare: with nothing changed a change is resolved in 4.55 % of runs and
// U covers in 95.45 %; a bearing that drags 5 N more is seen and sized.
func TestCompare(t *testing.T) {
	loss := fleet.Loss{F0: 40, F1: 1.5, F2: 0.05}
	rng := rand.New(rand.NewPCG(8, 1))
	const runs = 1000
	resolved, in := 0, 0
	for range runs {
		c := Compare(roll(loss, 1200, 0.02, rng), roll(loss, 1200, 0.02, rng))
		if c.Resolved {
			resolved++
		}
		if math.Abs(c.Mean) <= c.UMean {
			in++
		}
	}
	t.Logf("false: %.1f %%, mean covered: %.1f %%", 100*float64(resolved)/runs, 100*float64(in)/runs)
	if s := float64(resolved) / runs; math.Abs(s-0.0455) > 0.02 {
		t.Errorf("resolved in %v of unchanged", s)
	}
	if s := float64(in) / runs; math.Abs(s-0.955) > 0.02 {
		t.Errorf("covered in %v", s)
	}
	more := loss
	more.F0 += 5
	c := Compare(roll(more, 1200, 0.02, rng), roll(loss, 1200, 0.02, rng))
	if !c.Resolved || math.Abs(c.Mean-5) > c.UMean+0.01 || len(c.Points) != comparePoints {
		t.Errorf("%+v", c)
	}
	// 5 N over 5 to 35 m/s: 100 W on average.
	if math.Abs(c.Power-100) > c.UPower || !c.PowerWithin {
		t.Errorf("power %v ± %v", c.Power, c.UPower)
	}
}

func TestCompareNothing(t *testing.T) {
	a := Measured{Loss: fleet.Loss{F0: 40}, SpeedLow: 5, SpeedHigh: 20}
	b := Measured{Loss: fleet.Loss{F0: 41}, SpeedLow: 25, SpeedHigh: 40}
	if c := Compare(a, b); c.Resolved || len(c.Points) != 0 || c.Says == "" {
		t.Errorf("%+v", c)
	}
	b.Loss.F0 = math.NaN()
	if c := Compare(a, b); c.Resolved || c.Mean != 0 || c.Says == "" {
		t.Errorf("%+v", c)
	}
	// Exact and equal, exact and different.
	if c := Compare(a, a); c.Resolved || c.P != 1 {
		t.Errorf("%+v", c)
	}
	b = a
	b.Loss.F0++
	if c := Compare(b, a); !c.Resolved || math.Abs(c.Mean-1) > 1e-12 {
		t.Errorf("%+v", c)
	}
}
