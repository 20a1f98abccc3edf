package drift

import "math"

// optimiser minimises the profiled criterion of a system over θ ≥ 0.
//
// The criterion is even in every θ_f, so that a variance of 0 is an ordinary
// minimum in θ and needs no bound: Newton's method runs to it quadratically and
// the sign is dropped. The gradient is exact,
//
//	∂c/∂log θ_f = 2·(q_f − tr T_ff) − 2·|u_f|²/σ²
//
// T the inverse of the normal equations in spherical effects u (with the fixed
// effects when REML, without when ML), q_f the levels of f; it follows from the
// envelope theorem, since u, β and σ² are at their optimum for every θ. Being
// exact it finds variances to about 1e-10, where the criterion alone would
// stop near 1e-7.
type optimiser struct {
	sys         *system
	method      Method
	f           *factored
	evaluations int
}

// Limits of the search.
const (
	maxNewton     = 60
	newtonDone    = 1e-10 // step relative to θ + this share of 1
	boundaryTheta = 1e-5  // below this a variance is 0 when the criterion agrees
	criterionSlop = 1e-9  // differences of the criterion that mean nothing
)

func (o *optimiser) value(theta []float64) (float64, reduced, error) {
	o.evaluations++
	if err := o.sys.factor(theta, o.f); err != nil {
		return 0, reduced{}, err
	}
	r := o.sys.reduce(o.sys.rhs, o.f)
	res := r.rss / o.df()
	if res <= 0 {
		// An exact fit has no finite likelihood; the smallest number stands in.
		res = math.SmallestNonzeroFloat64
		return math.Inf(-1), r, nil
	}
	return o.sys.criterion(o.f, r, o.method, res), r, nil
}

func (o *optimiser) df() float64 {
	if o.method == REML {
		return float64(o.sys.n - o.sys.p)
	}
	return float64(o.sys.n)
}

// gradient returns ∂c/∂θ after value at the same θ.
func (o *optimiser) gradient(theta []float64, r reduced) []float64 {
	s, f := o.sys, o.f
	inv, width := s.inverse(f), s.m
	if o.method == ML {
		inv, width = s.leading(f), s.q2
	}
	res := r.rss / o.df()
	g := make([]float64, len(theta))
	for i, q := range s.levels {
		if theta[i] == 0 {
			continue
		}
		lost, uu := 0.0, 0.0
		for l := range q {
			if i != s.first {
				j := s.offset[i] + l
				lost += 1 - inv[j*width+j]
				uu += r.sol[j] * r.sol[j]
				continue
			}
			w := theta[i] / f.d[l]
			// 1 − 1/D = θ²·d/D, without cancellation.
			lost += theta[i]*theta[i]*s.d1[l]/f.d[l] - w*w*s.quad(l, l, inv, width, f)
			u := s.levelEffect(l, f, r)
			uu += u * u
		}
		g[i] = 2 * (lost - uu/res) / theta[i]
	}
	return g
}

func (o *optimiser) minimise() ([]float64, error) {
	k := len(o.sys.levels)
	theta := make([]float64, k)
	if k == 0 {
		return theta, nil
	}
	for i := range theta {
		theta[i] = 1
	}
	best, _, err := o.value(theta)
	if err != nil {
		return nil, err
	}
	// A coarse look along each factor in turn, twice.
	for range 2 {
		for i := range theta {
			keep := theta[i]
			for _, t := range [...]float64{0.03, 0.15, 0.5, 1, 2, 5, 20} {
				theta[i] = t
				c, _, err := o.value(theta)
				if err == nil && c < best {
					best, keep = c, t
				}
			}
			theta[i] = keep
		}
	}
	theta, best, err = o.newton(theta, best)
	if err != nil {
		return nil, err
	}
	// Near the boundary: exactly 0 when that is no worse.
	for i := range theta {
		if theta[i] == 0 || theta[i] > 0.02 {
			continue
		}
		try := append([]float64(nil), theta...)
		try[i] = 0
		c, _, err := o.value(try)
		if err != nil {
			return nil, err
		}
		if c <= best+criterionSlop && theta[i] < boundaryTheta {
			theta, best = try, c
			continue
		}
		if c < best {
			if theta, best, err = o.newton(try, c); err != nil {
				return nil, err
			}
		}
	}
	return theta, nil
}

// newton runs Levenberg-damped Newton steps; the second derivatives are
// central differences of the exact gradient. A θ of exactly 0 stays.
func (o *optimiser) newton(theta []float64, best float64) ([]float64, float64, error) {
	k := len(theta)
	theta = append([]float64(nil), theta...)
	damp := 0.0
	for range maxNewton {
		c, r, err := o.value(theta)
		if err != nil {
			return nil, 0, err
		}
		if math.IsInf(c, -1) {
			return theta, c, nil
		}
		best = c
		g := o.gradient(theta, r)
		h := make([]float64, k*k)
		for i := range k {
			if theta[i] == 0 {
				h[i*k+i] = 1
				continue
			}
			// 1e-4 of θ, but never across 0.
			d := math.Min(1e-4*(theta[i]+0.01), theta[i]/2)
			var gg [2][]float64
			for side, sign := range [2]float64{1, -1} {
				t := append([]float64(nil), theta...)
				t[i] += sign * d
				_, rr, err := o.value(t)
				if err != nil {
					return nil, 0, err
				}
				gg[side] = o.gradient(t, rr)
			}
			for j := range k {
				if theta[j] != 0 {
					h[i*k+j] = (gg[0][j] - gg[1][j]) / (2 * d)
				}
			}
		}
		for i := range k {
			for j := range i {
				v := (h[i*k+j] + h[j*k+i]) / 2
				h[i*k+j], h[j*k+i] = v, v
			}
		}
		moved, worst := false, 0.0
		for range 40 {
			step, ok := solveDamped(h, g, damp, k)
			if ok {
				next := make([]float64, k)
				worst = 0
				for i := range k {
					next[i] = math.Abs(theta[i] - step[i])
					worst = math.Max(worst, math.Abs(step[i])/(theta[i]+1e-3))
				}
				cn, _, err := o.value(next)
				if err == nil && (cn <= best || (worst < 1e-5 && cn <= best+criterionSlop)) {
					theta, best, moved = next, cn, true
					damp /= 10
					if damp < 1e-8 {
						damp = 0
					}
					break
				}
			}
			damp = math.Max(10*damp, 1e-3)
		}
		if !moved || worst < newtonDone {
			break
		}
	}
	return theta, best, nil
}

// solveDamped solves (H + damp·(diag|H| + 1))·x = g and says whether the
// matrix was positive definite.
func solveDamped(h, g []float64, damp float64, k int) ([]float64, bool) {
	l := make([]float64, k*k)
	x := append([]float64(nil), g...)
	for i := range k {
		for j := 0; j <= i; j++ {
			v := h[i*k+j]
			if i == j {
				v += damp * (math.Abs(v) + 1)
			}
			for m := range j {
				v -= l[i*k+m] * l[j*k+m]
			}
			if i == j {
				if !(v > 1e-14*(math.Abs(h[i*k+i])+1e-300)) {
					return nil, false
				}
				l[i*k+i] = math.Sqrt(v)
			} else {
				l[i*k+j] = v / l[j*k+j]
			}
		}
	}
	for i := range k {
		for m := range i {
			x[i] -= l[i*k+m] * x[m]
		}
		x[i] /= l[i*k+i]
	}
	for i := k - 1; i >= 0; i-- {
		for m := i + 1; m < k; m++ {
			x[i] -= l[m*k+i] * x[m]
		}
		x[i] /= l[i*k+i]
	}
	return x, true
}
