// Package repeat says how well pulls made back to back repeat, whether one of
// them is outlying, whether heat soak bends them, and gives the plain sentence
// for the customer; and how well several cells agree (between.go).
//
// In: one figure a pull of one car on one cell in one session. Out: statistics
// with U. It follows powercurve and is called on demand.
//
// Standards: ISO 5725-2:1994 (repeatability, Grubbs, Cochran, Mandel), ISO
// 5725-6:1994 (limits), ASTM E691 (h and k), JCGM 100:2008.
package repeat

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// Pull is one pull's figure.
type Pull struct {
	ID    fleet.PullID
	At    time.Time
	Value float64
	// Own is the standard uncertainty of Value from what no other pull shares;
	// Common that from what all pulls of the session share.
	Own, Common float64
	Intake      *float64 // K, intake air temperature over the sweep; nil: not logged
}

// Outlying is a pull that does not fit the others by Grubbs's test.
type Outlying struct {
	Pull  fleet.PullID
	Value float64
	G     float64 // |x − x̄|/s with the pull among them
	Limit float64 // of G, at the level it passed
	// Straggler: beyond the 5 % limit but not the 1 % one; it is named and kept.
	Straggler bool
}

// Trend is a straight line of the figure over something.
type Trend struct {
	Slope       float64 // unit of the figure per pull, or per kelvin
	U           float64 // expanded, 95.45 %
	P           float64 // probability of so much slope by chance, two-sided
	Significant bool    // P < 0.05
	From, To    float64 // of what it is over
}

// Scatter is how pulls scatter.
type Scatter struct {
	Pulls            int
	Mean, SD         float64
	Low, High, Range float64
	// Limit is the repeatability limit r = 2.8·SD: two single pulls differ by
	// more in one case in twenty. Source: ISO 5725-6:1994, 4.1.4.
	Limit float64
}

// Result is what back-to-back pulls show.
type Result struct {
	Scatter
	// Without is the scatter without the outlying pulls (stragglers kept); nil:
	// there are none, or too few others.
	Without  *Scatter
	Outlying []Outlying
	// ByOrder and ByIntake are the heat-soak trends; nil: fewer than four pulls
	// or, of intake air, not logged in all or not different.
	ByOrder, ByIntake *Trend
	// U is the expanded uncertainty of the mean: scatter and what is common to
	// all. Outlying pulls count: who leaves them out has to say why.
	U, DoF float64
	Notes  []string
}

// ErrFew says that nothing repeats.
var ErrFew = errors.New("repeatability needs at least two pulls")

// limitFactor is 1.96·√2 as ISO 5725-6 rounds it.
const limitFactor = 2.8

// fewestForTrend leaves a line two degrees of freedom.
const fewestForTrend = 4

// The levels of ISO 5725-2:1994, 7.3.2: beyond 5 % a straggler, beyond 1 % an
// outlier.
const (
	stragglerLevel = 0.05
	outlierLevel   = 0.01
)

// trendLevel is where a trend counts. Common practice, no source.
const trendLevel = 0.05

// Assess says how pulls repeat. The order given does not matter: they are taken
// in order of time. Fewer than two give ErrFew.
func Assess(pulls []Pull) (Result, error) {
	if len(pulls) < 2 {
		return Result{}, fmt.Errorf("%d: %w; make the pull again without unstrapping the car", len(pulls), ErrFew)
	}
	pulls = slices.Clone(pulls)
	slices.SortFunc(pulls, func(a, b Pull) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID))
	})
	for _, p := range pulls {
		if x := p.Value + p.Own + p.Common; x-x != 0 {
			return Result{}, fmt.Errorf("pull %s: its figure is not a number", p.ID)
		}
	}
	values := make([]float64, len(pulls))
	own, common := 0.0, 0.0
	for i, p := range pulls {
		values[i] = p.Value
		own += p.Own * p.Own / float64(len(pulls))
		common += p.Common / float64(len(pulls))
	}
	r := Result{Scatter: scatter(values)}
	// Grubbs's test, the most distant pull at a time.
	left := slices.Clone(pulls)
	var kept []float64
	for len(left) >= 3 {
		x := valuesOf(left)
		i, g := Grubbs(x)
		strict, loose := GrubbsLimit(len(x), outlierLevel), GrubbsLimit(len(x), stragglerLevel)
		if g <= loose || g != g {
			break
		}
		o := Outlying{Pull: left[i].ID, Value: x[i], G: g, Limit: strict}
		if g <= strict {
			o.Limit, o.Straggler = loose, true
			r.Outlying = append(r.Outlying, o)
			break
		}
		r.Outlying = append(r.Outlying, o)
		left = slices.Delete(left, i, i+1)
	}
	if kept = valuesOf(left); len(kept) < len(values) && len(kept) >= 2 {
		s := scatter(kept)
		r.Without = &s
	}
	order := make([]float64, len(pulls))
	intake, warm := make([]float64, len(pulls)), true
	for i, p := range pulls {
		order[i] = float64(i + 1)
		if p.Intake == nil {
			warm = false
		} else {
			intake[i] = *p.Intake
		}
	}
	r.ByOrder = trend(order, values)
	if warm {
		r.ByIntake = trend(intake, values)
	}
	variance, dof := r.SD*r.SD, float64(r.Pulls-1)
	if variance < own {
		variance, dof = own, gum.Infinite
	}
	u, err := gum.Combine([]gum.Component{
		{Name: "scatter", Sensitivity: 1 / math.Sqrt(float64(r.Pulls)), U: math.Sqrt(variance), DoF: dof},
		{Name: "common", Sensitivity: 1, U: common, DoF: gum.Infinite},
	})
	if err != nil {
		return Result{}, fmt.Errorf("combine the uncertainty of a mean: %w", err)
	}
	r.U, r.DoF = u.Expanded(), u.DoF
	r.notes()
	return r, nil
}

func valuesOf(pulls []Pull) []float64 {
	out := make([]float64, len(pulls))
	for i, p := range pulls {
		out[i] = p.Value
	}
	return out
}

func scatter(x []float64) Scatter {
	s := Scatter{Pulls: len(x), Low: slices.Min(x), High: slices.Max(x)}
	s.Mean, s.SD = stat.MeanStdDev(x, nil)
	s.Range, s.Limit = s.High-s.Low, limitFactor*s.SD
	return s
}

// Grubbs returns the value furthest from the mean, the first of equals, and
//
//	G = |x − x̄|/s
//
// G is 0 when all values are equal. It panics with fewer than two values.
// Source: ISO 5725-2:1994, 7.3.4.
func Grubbs(x []float64) (index int, g float64) {
	mean, sd := stat.MeanStdDev(x, nil)
	if sd == 0 {
		return 0, 0
	}
	for i, v := range x {
		if d := math.Abs(v-mean) / sd; d > g {
			index, g = i, d
		}
	}
	return index, g
}

// GrubbsLimit returns the two-sided limit of G for n values at a level,
//
//	G = (n − 1)/√n·√(t²/(n − 2 + t²)),  t = t(1 − level/2n; n − 2)
//
// It panics for n < 3. Source: F. E. Grubbs, Technometrics 11 (1969) 1–21 (from
// memory); ISO 5725-2:1994, table 5.
func GrubbsLimit(n int, level float64) float64 {
	if n < 3 {
		panic("repeat: Grubbs's test needs three values")
	}
	m := float64(n)
	t := distuv.StudentsT{Sigma: 1, Nu: m - 2}.Quantile(1 - level/(2*m))
	return (m - 1) / math.Sqrt(m) * math.Sqrt(t*t/(m-2+t*t))
}

// trend fits a line; nil where none can be.
func trend(x, y []float64) *Trend {
	if len(x) < fewestForTrend {
		return nil
	}
	l, err := gum.FitLine(x, y)
	if err != nil {
		return nil // one x: there is nothing to see
	}
	t := &Trend{Slope: l.Slope, From: slices.Min(x), To: slices.Max(x), P: 1}
	t.U = gum.Combined{U: l.USlope, DoF: float64(l.DoF)}.Expanded()
	switch {
	case l.USlope > 0:
		t.P = 2 * distuv.StudentsT{Sigma: 1, Nu: float64(l.DoF)}.Survival(math.Abs(l.Slope)/l.USlope)
	case l.Slope != 0:
		t.P = 0
	}
	t.Significant = t.P < trendLevel
	return t
}

// notes says what whoever reads the figures should know.
func (r *Result) notes() {
	percent := func(x float64) string { return fmt.Sprintf("%.2f %%", 100*x/math.Abs(r.Mean)) }
	for _, o := range r.Outlying {
		if o.Straggler {
			r.Notes = append(r.Notes, fmt.Sprintf("pull %s stands apart (Grubbs G %.2f, 5 %% limit %.2f) and is kept", o.Pull, o.G, o.Limit))
		} else {
			r.Notes = append(r.Notes, fmt.Sprintf("pull %s is outlying (Grubbs G %.2f, 1 %% limit %.2f): look at its findings before it is left out", o.Pull, o.G, o.Limit))
		}
	}
	if t := r.ByOrder; t != nil && t.Significant {
		way := "falls"
		if t.Slope > 0 {
			way = "rises"
		}
		s := fmt.Sprintf("the figure %s by %s a pull ± %s (p %.3f)", way, percent(math.Abs(t.Slope)), percent(t.U), t.P)
		if t.Slope < 0 {
			s += ": heat soak, let the car cool longer between pulls"
		} else {
			s += ": the car was not yet warm, or a setting is learning"
		}
		r.Notes = append(r.Notes, s)
	}
	if t := r.ByIntake; t != nil && t.Significant {
		r.Notes = append(r.Notes, fmt.Sprintf("the figure moves by %+.2f %% per kelvin of intake air ± %s over %.1f K (p %.3f)", 100*t.Slope/math.Abs(r.Mean), percent(t.U), t.To-t.From, t.P))
	}
}
