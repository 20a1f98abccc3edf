package compare

import (
	"math"

	"rollcall/services/compute/powercurve"
)

// FromTrace returns a pull's figure, with what its error is shared through, as
// Compare takes it. Of who only what tells the pull apart is used: pull, time,
// cell, car and session.
//
// Inputs that are correlated, such as zero and gain of one calibration, are
// turned into independent ones: with R = L·Lᵀ the correlation of a group of
// inputs, the m-th independent one has the effect Σ_a c_a·u_a·L_am. Two traces
// with the same inputs, uncertainties and correlations are turned the same way,
// and still cancel. What the trace has for the repeatability of pulls is left
// out: Compare sees it in the sets themselves.
func FromTrace(who Curve, t powercurve.Trace) Curve {
	out := Curve{
		Pull: who.Pull, At: who.At, Cell: who.Cell, Car: who.Car, Session: who.Session,
		EngineSpeed: t.EngineSpeed, Value: t.Value, Own: t.Own,
	}
	n := len(t.Shared)
	r := make([][]float64, n)
	for a := range r {
		r[a] = make([]float64, n)
		r[a][a] = 1
	}
	joined := make([]bool, n)
	for _, c := range t.Correlations {
		r[c.A][c.B], r[c.B][c.A] = c.R, c.R
		joined[c.A], joined[c.B] = true, true
	}
	l := factor(r)
	for m, s := range t.Shared {
		if s.Scope == powercurve.ScopePull && s.Name == "repeatability" {
			continue
		}
		x := Shared{Name: s.Name, Scope: s.Scope, ID: s.Key, Effect: make([]float64, len(t.Value))}
		if s.Key == "" {
			x.Scope, x.ID = powercurve.ScopePull, string(who.Pull)
		}
		if joined[m] {
			x.Name += ", made independent"
		}
		if !math.IsInf(s.DoF, 1) {
			x.DoF = s.DoF
		}
		for a := m; a < n; a++ {
			if l[a][m] == 0 {
				continue
			}
			for k, c := range t.Shared[a].Sensitivity {
				x.Effect[k] += c * t.Shared[a].U * l[a][m]
			}
		}
		out.Shared = append(out.Shared, x)
	}
	return out
}

// factor returns the lower triangle L of r = L·Lᵀ. Rows that are fully correlated
// with those before get a nought on the diagonal; rounding below nought counts
// as nought. Source: Cholesky's factorisation.
func factor(r [][]float64) [][]float64 {
	n := len(r)
	l := make([][]float64, n)
	for i := range l {
		l[i] = make([]float64, n)
		for j := 0; j <= i; j++ {
			sum := r[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			switch {
			case i == j:
				l[i][i] = math.Sqrt(max(sum, 0))
			case l[j][j] > 0:
				l[i][j] = sum / l[j][j]
			}
		}
	}
	return l
}

// Top returns the greatest value of a curve, with the standard uncertainty of
// what is the pull's own there, and of what it shares with others.
func (c *Curve) Top() (engineSpeed, value, own, common float64) {
	best := 0
	for k, v := range c.Value {
		if v > c.Value[best] {
			best = k
		}
	}
	own = c.Own[best]
	for _, s := range c.Shared {
		if alone(s.Scope) {
			own = math.Hypot(own, s.Effect[best])
		} else {
			common = math.Hypot(common, s.Effect[best])
		}
	}
	return c.EngineSpeed[best], c.Value[best], own, common
}
