package interval

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

var start = time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)

func on(days float64) time.Time { return start.Add(time.Duration(days * float64(day))) }

// TestRules: each rule by hand.
func TestRules(t *testing.T) {
	checks := []Observation{{At: on(0)}}
	o := Next(Input{Checks: checks, Tolerance: 1, Every: 90 * day})
	if !o.Due.Equal(on(90)) || o.Rule != ByTime || o.Overdue(on(90)) || !o.Overdue(on(90.001)) || !strings.Contains(o.Says, "2026-04-05") {
		t.Errorf("%+v", o)
	}
	// Two pulls a day from ten days before: 18 made after the check by day 9, the
	// 30th comes six days later.
	var pulls []time.Time
	for d := -10.0; d <= 9; d += 0.5 {
		pulls = append(pulls, on(d))
	}
	o = Next(Input{Checks: checks, Tolerance: 1, Every: 90 * day, MostPulls: 30, Pulls: pulls})
	if o.PullsMade != 18 || !o.Due.Equal(on(15)) || o.Rule != ByPulls || o.Rules[1].Reached {
		t.Errorf("%+v", o)
	}
	o = Next(Input{Checks: checks, Tolerance: 1, MostPulls: 10, Pulls: pulls})
	if !o.Due.Equal(on(5)) || !o.Rules[1].Reached {
		t.Errorf("the tenth pull was on day 5: %+v", o)
	}
	// A steady drift without walk: 0.01 a day, from 0.2 to 1 in 80 days.
	o = Next(Input{Checks: []Observation{{At: on(0), Error: 0}, {At: on(10), Error: 0.1}, {At: on(20), Error: 0.2}}, Tolerance: 1, Every: 365 * day})
	if d := o.Due.Sub(on(100)).Hours() / 24; math.Abs(d) > 0.1 || o.Rule != ByDrift || math.Abs(o.Rate-0.01) > 1e-12 {
		t.Errorf("%v days from by hand: %+v", d, o)
	}
	// An adjustment's step is no drift.
	o = Next(Input{Checks: []Observation{{At: on(0), Error: 0}, {At: on(10), Error: 0.9}, {At: on(11), Error: 0, Restart: true}, {At: on(20), Error: 0.2}}, Tolerance: 1})
	if !o.DriftKnown || o.Rate < 0.05 {
		t.Errorf("%+v", o)
	}
}

// TestPassed: the first passage of a walk without rate is 2·Φ(−a/σ√t)
// (reflection); with rate against the integral of its density, the inverse
// Gaussian a/√(2πqt³)·exp(−(a − μt)²/2qt), by Simpson's rule.
func TestPassed(t *testing.T) {
	for _, c := range []struct{ a, rate, walk, until float64 }{{1, 0.3, 0.5, 2}, {1, -0.4, 0.2, 3}, {0.3, 0.05, 0.01, 4}} {
		const n = 20000
		h, sum := c.until/n, 0.0
		for k := 1; k <= n; k++ {
			x := float64(k) * h
			w := 4.0
			if k%2 == 0 {
				w = 2
			}
			if k == n {
				w = 1
			}
			sum += w * h / 3 * c.a / math.Sqrt(2*math.Pi*c.walk*x*x*x) * math.Exp(-(c.a-c.rate*x)*(c.a-c.rate*x)/(2*c.walk*x))
		}
		if got := passed(c.a, c.rate, c.walk, c.until); math.Abs(got-sum) > 1e-9 {
			t.Errorf("%+v: %.12f, want %.12f", c, got, sum)
		}
	}
	for _, x := range []float64{0.1, 1, 5} {
		if got, want := passed(1, 0, 0.5, x), 2*distuv.UnitNormal.CDF(-1/math.Sqrt(0.5*x)); math.Abs(got-want) > 1e-14 {
			t.Errorf("%v: %v, want %v", x, got, want)
		}
	}
	if got := passed(1, 100, 1e-3, 1); got != 1 {
		t.Errorf("a fast rate: %v", got)
	}
	if got := passed(1, -100, 1e-3, 1); got != 0 {
		t.Errorf("a fast rate the other way: %v", got)
	}
	if d := logNormal(-29.99) - logNormal(-30.01); math.Abs(d-0.02*30.03) > 1e-3 {
		t.Errorf("no seam: %v", d)
	}
}

// TestReliability: a load cell checked when Next says was in tolerance until
// then with the probability asked, over walks whose rate and size Next has to
// learn from a few checks. Rates are drawn flat over a wide range, or fixed. The
// walks are simulated step by step, sharing nothing with the formulas under
// test. What is promised is at least the probability asked; where nothing is
// counted twice (flat rates, exact checks) it is that probability.
func TestReliability(t *testing.T) {
	for _, c := range []struct {
		name        string
		checks      int
		rate        float64 // of the tolerance, a day: the largest, or the only one when fixed
		fixed       bool
		walk, noise float64 // over a day; of a check, standard
		reliability float64
	}{
		{"flat rates, eight checks", 8, 0.02, false, 0.02, 0, 0.95},
		{"flat rates, four checks", 4, 0.03, false, 0.02, 0, 0.9},
		{"no rate", 8, 0, true, 0.02, 0, 0.9},
		{"one rate", 6, 0.004, true, 0.015, 0, 0.95},
		{"noisy checks", 8, 0.02, false, 0.01, 0.05, 0.95},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(4, 9))
			const runs = 400
			in, days := 0, 0.0
			for range runs {
				rate := c.rate
				if !c.fixed {
					rate *= 2*rng.Float64() - 1
				}
				truth := make([]float64, c.checks)
				truth[c.checks-1] = 0.6*rng.Float64() - 0.3
				for k := c.checks - 1; k > 0; k-- {
					truth[k-1] = truth[k] - rate*30 - c.walk*math.Sqrt(30)*rng.NormFloat64()
				}
				var obs []Observation
				for k, e := range truth {
					obs = append(obs, Observation{At: on(float64(30 * k)), Error: e + c.noise*rng.NormFloat64(), U: 2 * c.noise})
				}
				o := Next(Input{Checks: obs, Tolerance: 1, Reliability: c.reliability, Every: 3650 * day})
				until := o.Due.Sub(obs[len(obs)-1].At).Hours() / 24
				days += until
				const step = 0.02
				e, ok := truth[c.checks-1], true
				for x := 0.0; x < until && ok; x += step {
					e += rate*step + c.walk*math.Sqrt(step)*rng.NormFloat64()
					ok = math.Abs(e) <= 1
				}
				if ok {
					in++
				}
			}
			share := float64(in) / runs
			t.Logf("in tolerance until due: %.1f %% of %d, asked %.0f %%; mean interval %.0f days", 100*share, runs, 100*c.reliability, days/runs)
			binomial := 2 * math.Sqrt(c.reliability*(1-c.reliability)/runs)
			if share < c.reliability-binomial {
				t.Errorf("%.1f %% is under what was asked", 100*share)
			}
			if c.noise == 0 && !c.fixed && share > c.reliability+0.015+binomial {
				t.Errorf("%.1f %% is far over what was asked: the intervals are too short", 100*share)
			}
		})
	}
}

func TestNothingKnown(t *testing.T) {
	o := Next(Input{})
	if !o.Due.IsZero() || o.Says == "" || o.Overdue(on(1e4)) || len(o.Rules) != 3 {
		t.Errorf("%+v", o)
	}
	for _, x := range []float64{math.NaN(), math.Inf(1), 0, -1} {
		o = Next(Input{Checks: []Observation{{At: on(0), Error: x}, {At: on(0), Error: 1}, {At: on(2), Error: x}, {At: on(3), Error: x, U: x}}, Tolerance: x, Reliability: x, Every: time.Hour, Pulls: []time.Time{on(1)}, MostPulls: 1})
		for _, v := range []float64{o.Rate, o.URate, o.Walk, o.AtDue, o.Reliability} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%v: %+v", x, o)
			}
		}
	}
	// Steady to the last digit: no walk, no rate, no crossing.
	o = Next(Input{Checks: []Observation{{At: on(0)}, {At: on(1)}, {At: on(2)}}, Tolerance: 1})
	if o.Rules[2].Known || !strings.Contains(o.Rules[2].Says, "five years") {
		t.Errorf("%+v", o.Rules[2])
	}
	// Out of tolerance already: due at once.
	o = Next(Input{Checks: []Observation{{At: on(0)}, {At: on(1)}, {At: on(2), Error: 2}}, Tolerance: 1})
	if !o.Due.Equal(on(2)) {
		t.Errorf("%+v", o)
	}
}

// TestObservations: which checks show which error.
func TestObservations(t *testing.T) {
	check := func(kind fleet.CheckKind, state fleet.CheckState, day float64, r loadcell.Result) loadcell.Earlier {
		return loadcell.Earlier{Check: fleet.Check{Kind: kind, State: state, PerformedAt: on(day)}, Result: r}
	}
	whole := loadcell.Result{Verdict: fleet.VerdictPass, ZeroError: 2, UZeroError: 0.5, ZeroValid: true, GainError: 0.001, UGainError: 0.0008, GainValid: true, AsLeftValid: true}
	zero := whole
	zero.GainValid = false
	bad := whole
	bad.Verdict = fleet.VerdictUnusable
	checks := []loadcell.Earlier{
		check(fleet.CheckTransfer, fleet.AsLeft, 40, whole), check(fleet.CheckDeadWeight, fleet.AsFound, 0, whole), check(fleet.CheckZero, fleet.AsFound, 10, zero),
		check(fleet.CheckShunt, fleet.AsFound, 20, whole), check(fleet.CheckDeadWeight, fleet.AsFound, 30, bad), check(fleet.CheckZeroTurning, fleet.AsFound, 35, zero),
	}
	g := Observations(checks, loadcell.GainError)
	if len(g) != 2 || !g[0].At.Equal(on(0)) || g[0].Restart || !g[1].Restart || g[1].Error != 0.001 || g[1].U != 0.0008 {
		t.Errorf("%+v", g)
	}
	if z := Observations(checks, loadcell.ZeroError); len(z) != 3 || z[1].Error != 2 || !z[1].At.Equal(on(10)) {
		t.Errorf("%+v", z)
	}
}

// A second check minutes after the first, as a zero check before dead weights,
// shows the scatter of both and no drift: it must not bring the next one
// forward to the same day. Readings of ±0.5 N about nought against 5 N.
func TestChecksOfOneVisit(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 5, 25, 8, 45, 0, 0, time.UTC)
	var weekly, pairs []Observation
	for week := range 26 {
		at := start.AddDate(0, 0, 7*week)
		e := 0.5 * math.Sin(float64(7*week))
		weekly = append(weekly, Observation{At: at, Error: e, U: 0.8})
		pairs = append(pairs, Observation{At: at, Error: e, U: 0.8}, Observation{At: at.Add(5 * time.Minute), Error: -e, U: 0.8})
	}
	alone, both := Next(Input{Checks: weekly, Tolerance: 5}), Next(Input{Checks: pairs, Tolerance: 5})
	if alone.Walk != both.Walk || alone.Rate != both.Rate {
		t.Errorf("with a second check at each visit the rate is %v and the walk %v a day, without %v and %v", both.Rate, both.Walk, alone.Rate, alone.Walk)
	}
	if wait := both.Due.Sub(pairs[len(pairs)-1].At); wait < 14*day {
		t.Errorf("due %v after the last check", wait)
	}
}
